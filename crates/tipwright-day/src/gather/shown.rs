//! What a clip shows, by some dozens of its pictures: the board, or how bright marks move over a few pictures in a row.

use std::path::Path;

use nalgebra::{Matrix3, Vector3};

use super::along::Along;
use super::cards::ByTheWay;
use super::kind::kind_of;
use crate::session::{LookConfig, Places, Session, SessionCamera};
use tipwright::cards::Card;
use tipwright::lens;
use tipwright::model::footage::{Footage, FrameSource, PlaneData, Planes};
use tipwright::model::{Board, Colour, FrameSpots, RawPixel};
use tipwright::spots::{FoundSpots, MarkerLook, SpotsConfig, find_clip};

/// Pictures searched for the board, spread over the clip.
const BOARD_PICTURES: u32 = 3;
/// Farthest that a mark comes from one picture to the next, as a share of the picture's longer side: 25 m/s at 8 m and 100 pictures a
/// second.
pub(super) const STEP_SHARE: f64 = 0.03;
/// How much later the second look at a clip is than pictures that stand alone: as long as a tip is slow at a stop.
const LATER_S: f64 = 0.2;
/// Farthest that a mark runs beside an even acceleration, rms: a share of its way (a jump between two places runs 0.15 and more beside), and
/// what finding it errs by, pixels.
const OFF_SHARE: f64 = 0.08;
const OFF_PX: f64 = 1.5;
/// Free fall, metres per second squared.
const G_M_S2: f64 = 9.81;

/// How one mark moved at one place of a clip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Way {
    /// In the middle of it.
    pub at: RawPixel,
    /// Speed, pixels per second, right and down.
    pub speed_px_s: [f64; 2],
    /// Acceleration, in units of free fall as its size in the picture tells the scale, right and down.
    pub falls_g: [f64; 2],
}

/// What a clip shows.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Shown {
    /// Pictures that show the board, of those searched.
    pub boards: usize,
    /// How many were searched.
    pub board_pictures: usize,
    /// Longer side of the picture.
    pub side_px: f64,
    /// Marks followed over the pictures of a place, best first, by place.
    pub ways: Vec<Vec<Way>>,
    /// The card held up at its start.
    pub card: Option<Card>,
    /// What it shows along its length, where it is long.
    pub along: Option<Along>,
}

/// Looks at a clip; in words why it cannot be read.
pub(super) fn look_at(
    session: &Session,
    camera: &SessionCamera,
    source: Box<dyn FrameSource + Send>,
    footage: &dyn Footage,
    config: &LookConfig,
) -> Result<Shown, String> {
    let clip = source.info().path.clone();
    let shown = look_for_marks(session, camera, source, footage, config)?;
    if shown.boards == 0 {
        return Ok(shown);
    }
    // a board was seen by the way: how often it is there
    look_for_board(camera, &clip, footage)
}

fn look_for_board(camera: &SessionCamera, clip: &Path, footage: &dyn Footage) -> Result<Shown, String> {
    let mut shown = Shown::default();
    let Some(board) = camera.board else { return Ok(shown) };
    let source = footage.open_clip(clip, camera.capture_fps()).map_err(|e| e.to_string())?;
    let config = LookConfig { places: BOARD_PICTURES, pictures: 1, ..LookConfig::default() };
    let mut places = Places::new(source, camera.capture_fps(), None, &config);
    let mut luma = Vec::new();
    while let Some(view) = places.next_frame().map_err(|e| e.to_string())? {
        shown.board_pictures += 1;
        shown.boards += usize::from(board_in(&view.now, footage, &board, &mut luma));
    }
    Ok(shown)
}

/// Whether a picture shows the board, looked for at half the size: a board to calibrate by fills a tenth of the picture and more.
pub(super) fn board_in(
    planes: &Planes<'_>,
    footage: &dyn Footage,
    board: &Board,
    luma: &mut Vec<u8>,
) -> bool {
    let plane = planes.luma;
    let (w, h) = (plane.width / 2, plane.height / 2);
    luma.clear();
    for y in 0..h {
        let from = 2 * y * plane.stride;
        match plane.data {
            PlaneData::Bits8(data) => luma.extend((0..w).map(|x| data[from + 2 * x])),
            PlaneData::Bits10(data) => luma.extend((0..w).map(|x| (data[from + 2 * x] >> 2) as u8)),
        }
    }
    lens::shows_board(footage, luma, [w as u32, h as u32], board)
}

fn look_for_marks(
    session: &Session,
    camera: &SessionCamera,
    source: Box<dyn FrameSource + Send>,
    footage: &dyn Footage,
    config: &LookConfig,
) -> Result<Shown, String> {
    let mut shown = Shown::default();
    let (tip, wand) = (&session.marker.tip, &session.wand);
    let diameter_m = tip.diameter_mm.get() / 1000.0;
    let mut ends = vec![tip.colour];
    ends.extend(wand.colour.filter(|c| *c != tip.colour));
    let looks: Vec<MarkerLook> =
        ends.iter().map(|colour| MarkerLook { colour: *colour, diameter_m }).collect();
    shown.side_px = f64::from(source.info().picture.stored_px[0].max(source.info().picture.stored_px[1]));
    let places = Places::new(source, camera.capture_fps(), None, config);
    let mut places = ByTheWay::new(places, config.pictures, camera.board, footage);
    let settings = SpotsConfig { capture_fps: camera.capture_fps(), ..SpotsConfig::default() };
    let found =
        find_clip(&camera.name, &mut places, &looks, &settings, &mut |_| {}).map_err(|e| e.to_string())?;
    shown.boards = usize::from(places.shows_board());
    let (card, mut source) = places.card().map_err(|e| e.to_string())?;
    shown.card = card;
    let add = |shown: &mut Shown, found: &FoundSpots| {
        let scale_px_m = |colour: Colour| {
            found.diameter_px.iter().find(|(c, _)| *c == colour).map_or(200.0, |(_, px)| px / diameter_m)
        };
        for place in found.spots.frames.chunks(config.pictures as usize) {
            let followed = ends.iter().flat_map(|colour| {
                ways_of(place, *colour, STEP_SHARE * shown.side_px, G_M_S2 * scale_px_m(*colour), config)
            });
            shown.ways.push(followed.collect());
        }
    };
    add(&mut shown, &found);
    // a tip rests between strokes: where nothing was seen once more, a little later and between the places, from the end, for
    // clips begin with a rest
    let length_s = source.info().duration_s.map(|s| s / source.info().slow_down(camera.capture_fps()));
    let one = LookConfig { places: 1, ..*config };
    for i in (0..config.places).rev() {
        let (Some(length_s), true) =
            (length_s, shown.boards == 0 && shown.card.is_none() && kind_of(&[&shown]).is_none())
        else {
            break;
        };
        let from_s = length_s * (f64::from(i) + 0.5) / f64::from(config.places);
        let places = Places::new(source, camera.capture_fps(), Some([from_s, length_s]), &one);
        let mut places = places.reading_on(LATER_S);
        let found = find_clip(&camera.name, &mut places, &looks, &settings, &mut |_| {})
            .map_err(|e| e.to_string())?;
        add(&mut shown, &found);
        source = places.into_source();
    }
    Ok(shown)
}

fn marks(frame: &FrameSpots, colour: Colour, least_score: f64) -> impl Iterator<Item = RawPixel> {
    let likely = frame.candidates.iter().filter(move |c| c.score > least_score && c.colour == colour);
    likely.map(|c| c.centre)
}

/// The marks of one colour that are in every picture of a place.
pub(super) fn ways_of(
    place: &[FrameSpots],
    colour: Colour,
    step_px: f64,
    g_px_s2: f64,
    config: &LookConfig,
) -> Vec<Way> {
    let Some((first, rest)) = place.split_first().filter(|(_, rest)| rest.len() > 3) else {
        return Vec::new();
    };
    let follow = |start: RawPixel| {
        let mut way = vec![(first.pts_s, start)];
        for frame in rest {
            let (before_s, before) = way[way.len() - 1];
            // where it goes on as it went
            let ahead = way.len().checked_sub(2).map_or(before, |i| {
                let (t, p) = way[i];
                let share = (frame.pts_s - before_s) / (before_s - t).max(1e-6);
                RawPixel::new(
                    before.x_px + share * (before.x_px - p.x_px),
                    before.y_px + share * (before.y_px - p.y_px),
                )
            });
            let away = |p: &RawPixel| (p.x_px - ahead.x_px).hypot(p.y_px - ahead.y_px);
            let nearest = marks(frame, colour, 0.5 * config.least_score)
                .min_by(|a, b| away(a).total_cmp(&away(b)))
                .filter(|p| away(p) < step_px)?;
            way.push((frame.pts_s, nearest));
        }
        Some(way)
    };
    let started = marks(first, colour, config.least_score);
    started.filter_map(follow).filter_map(|way| way_of(&way, g_px_s2)).collect()
}

/// Place, speed and acceleration by least squares; `None` for what goes as nothing does, from one flash on the water to another.
fn way_of(way: &[(f64, RawPixel)], g_px_s2: f64) -> Option<Way> {
    let middle_s = way.iter().map(|(t, _)| t).sum::<f64>() / way.len() as f64;
    let (mut normal, mut right) = (Matrix3::zeros(), [Vector3::zeros(), Vector3::zeros()]);
    for (t, p) in way {
        let dt = t - middle_s;
        let row = Vector3::new(1.0, dt, 0.5 * dt * dt);
        normal += row * row.transpose();
        right[0] += row * p.x_px;
        right[1] += row * p.y_px;
    }
    let inverse = normal.try_inverse()?;
    let [x, y] = right.map(|r| inverse * r);
    let path_px: f64 =
        way.windows(2).map(|w| (w[1].1.x_px - w[0].1.x_px).hypot(w[1].1.y_px - w[0].1.y_px)).sum();
    let off = |(t, p): &(f64, RawPixel)| {
        let row = Vector3::new(1.0, t - middle_s, 0.5 * (t - middle_s) * (t - middle_s));
        (p.x_px - row.dot(&x)).powi(2) + (p.y_px - row.dot(&y)).powi(2)
    };
    let off_px = (way.iter().map(off).sum::<f64>() / way.len() as f64).sqrt();
    if off_px > OFF_SHARE * path_px + OFF_PX {
        return None;
    }
    Some(Way {
        at: RawPixel::new(x[0], y[0]),
        speed_px_s: [x[1], y[1]],
        falls_g: [x[2] / g_px_s2, y[2] / g_px_s2],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_that_jumps_is_no_way_and_a_tip_that_turns_is_one() {
        let way = |x: [f64; 5]| -> Option<Way> {
            let at = |(k, x): (usize, &f64)| (k as f64 / 120.0, RawPixel::new(*x, 300.0));
            way_of(&x.iter().enumerate().map(at).collect::<Vec<_>>(), 1000.0)
        };
        // two flashes on the water, 30 px apart
        for jump in [[0.0, 0.0, 0.0, 30.0, 30.0], [0.0, 30.0, 30.0, 30.0, 30.0]] {
            assert!(way(jump).is_none(), "{jump:?}");
        }
        // 15 m/s at 8 m and 190 px a metre, stopped within 30 ms
        let stops = [0.0, 22.0, 38.0, 47.0, 51.0];
        assert!(way(stops).is_some_and(|w| w.speed_px_s[0] > 1000.0));
        // at rest, found to a pixel
        assert!(way([0.0, 1.0, -1.0, 0.5, 0.0]).is_some());
    }
}
