//! First relative poses and clocks of the cameras from two tracks seen together.

use nalgebra::{Isometry3, Vector2};

use super::{WandCamera, WandConfig, WandError, WandInput};
use crate::model::{CameraPose, Clock, Colour, Measured};
use crate::scene::bootstrap::{BootstrapConfig, Sample, Track, bootstrap_pair};
use crate::tracks::pieces::{Piece, PieceConfig, TrackView, find_pieces};
use crate::tracks::tracklets::{Tracklet, link};

/// A camera with its tracks and first pose (camera 0 at the origin; unit: metres once the wand is found).
#[derive(Debug, Clone)]
pub(super) struct Begun {
    pub colour: Colour,
    pub tracks: Vec<Vec<Tracklet>>,
    pub readouts_s: Vec<Measured>,
    pub poses: Vec<CameraPose>,
    pub clocks: Vec<Clock>,
}

impl Begun {
    /// Every camera with its tracks as they are placed now.
    pub fn views<'a>(&'a self, input: &WandInput) -> Vec<TrackView<'a>> {
        input
            .cameras
            .iter()
            .enumerate()
            .map(|(k, camera)| view(camera, &self.poses[k], self.clocks[k], &self.tracks[k]))
            .collect()
    }
}

/// Readout when nobody knows it: 0.7 of the frame step, one standard deviation of 0.2: published phones read out in 0.45
/// to 0.97 of it (Ringaby & Forssen, IJCV 96 (2011) 335; Oth et al., CVPR 2013). Two level cameras see only the
/// difference of their readouts, so this guess and its width stay in the result.
pub(in crate::scene) fn readout_guess(spots: &crate::model::ClipSpots) -> Measured {
    let step_s = spots.frame_step_s();
    Measured::new(0.7 * step_s, 0.2 * step_s)
}

/// Couples tried in each camera. Six: the wand's ends may be hidden once or twice, which makes several of it.
const COUPLES: usize = 6;

/// Two tracks seen together for a while.
#[derive(Debug, Clone, Copy)]
struct Couple {
    tracks: [usize; 2],
    worth: f64,
}

/// Couples of moving tracks, the most promising first: those that go farthest while both are seen. A wand is waved; caps of
/// people who walk by are seen for longer, and go less far.
fn couples(tracks: &[Tracklet], least_extent: f64, most: usize) -> Vec<Couple> {
    let travels: Vec<f64> = tracks.iter().map(Tracklet::travel).collect();
    let mut moving: Vec<usize> = (0..tracks.len())
        .filter(|&i| tracks[i].extent() > least_extent && tracks[i].sightings.len() >= 20)
        .collect();
    moving.sort_by(|&i, &j| travels[j].total_cmp(&travels[i]).then(i.cmp(&j)));
    moving.truncate(24);
    let mut out = Vec::new();
    for (n, &i) in moving.iter().enumerate() {
        for &j in &moving[n + 1..] {
            let (p, q) = (tracks[i].span_s(), tracks[j].span_s());
            let together_s = p[1].min(q[1]) - p[0].max(q[0]);
            if together_s > 0.5 {
                let rate = |k: usize, span: [f64; 2]| travels[k] / (span[1] - span[0]);
                out.push(Couple { tracks: [i, j], worth: together_s * rate(i, p).min(rate(j, q)) });
            }
        }
    }
    out.sort_by(|p, q| q.worth.total_cmp(&p.worth).then(p.tracks.cmp(&q.tracks)));
    out.truncate(most);
    out
}

fn as_track(track: &Tracklet, focal_px: f64) -> Track {
    let samples = track
        .sightings
        .iter()
        .map(|s| Sample { t_s: s.own_s, ray: Vector2::new(s.ray[0], s.ray[1]) })
        .collect();
    Track::new(samples, focal_px)
}

pub(super) fn begin(input: &WandInput, config: &WandConfig) -> Result<Begun, WandError> {
    let readouts_s: Vec<Measured> =
        input.cameras.iter().map(|c| c.readout_s.unwrap_or_else(|| readout_guess(c.wand))).collect();
    let mut failure = None;
    for &colour in &input.colours {
        let tracks: Vec<Vec<Tracklet>> = input
            .cameras
            .iter()
            .zip(&readouts_s)
            .map(|(c, r)| link(c.wand, c.lens, r.value, colour, &config.link))
            .collect();
        let first = couples(&tracks[0], config.least_extent_rad, COUPLES);
        if first.is_empty() {
            failure.get_or_insert_with(|| no_wand(input, 0));
            continue;
        }
        let mut begun = Begun {
            colour,
            readouts_s: readouts_s.clone(),
            poses: vec![CameraPose { camera_from_world: Isometry3::identity() }],
            clocks: vec![Clock { offset_s: 0.0, drift: 0.0, readout_s: readouts_s[0].value }],
            tracks,
        };
        match relate_all(input, config, &first, &mut begun) {
            Ok(()) => return Ok(begun),
            Err(e) => {
                // a colour in which the wand was seen says more than one in which it was not
                if failure.is_none() || matches!(e, WandError::NoAgreement { .. }) {
                    failure = Some(e);
                }
            }
        }
    }
    Err(failure.unwrap_or_else(|| no_wand(input, 0)))
}

fn no_wand(input: &WandInput, camera_idx: usize) -> WandError {
    let colours: Vec<String> = input.colours.iter().map(ToString::to_string).collect();
    WandError::NoWand { camera: input.cameras[camera_idx].name().to_string(), colours: colours.join(", ") }
}

fn relate_all(
    input: &WandInput,
    config: &WandConfig,
    first: &[Couple],
    begun: &mut Begun,
) -> Result<(), WandError> {
    let mut seen = vec![first.to_vec()];
    for k in 1..input.cameras.len() {
        let others = couples(&begun.tracks[k], config.least_extent_rad, COUPLES);
        if others.is_empty() {
            return Err(no_wand(input, k));
        }
        let window = input.cameras[k].wand_offset.map(|c| {
            let reach = 4.0 * c.sd_s + config.offset_slack_s;
            (c.value_s - reach, c.value_s + reach)
        });
        // sound narrows the search; where little of the wand agrees there it is doubted, and more elsewhere is believed
        let wanted = wanted_support(begun, 0, config).min(wanted_support(begun, k, config));
        let near = window.map(|w| relate(input, config, [first, &others], begun, [0, k], Some(w)));
        let mut found = match near {
            Some(Ok(found)) if found.support > SURE_SHARE * wanted => Ok(found),
            near => {
                let anywhere = relate(input, config, [first, &others], begun, [0, k], None);
                match (near, anywhere) {
                    (Some(Ok(near)), Ok(other)) if near.support >= other.support => Ok(near),
                    (Some(Ok(near)), Err(_)) => Ok(near),
                    (_, anywhere) => anywhere,
                }
            }
        };
        // two cameras that look along nearly the same line may each agree well with a third
        for (base, known) in seen.iter().enumerate().skip(1) {
            if found.is_ok() {
                break;
            }
            if let Ok(other) = relate(input, config, [known, &others], begun, [base, k], None) {
                found = Ok(other);
            }
        }
        let Related { pose, clock, .. } = found.map_err(|reason| WandError::NoAgreement {
            first: input.cameras[0].name().to_string(),
            second: input.cameras[k].name().to_string(),
            reason,
        })?;
        begun.poses.push(pose);
        begun.clocks.push(clock);
        seen.push(others);
    }
    Ok(())
}

/// A camera placed against another one.
struct Related {
    /// Seconds of wand that agree.
    support: f64,
    pose: CameraPose,
    clock: Clock,
}

/// Share of the seconds in which both see two moving tracks that is sure to be the wand.
const SURE_SHARE: f64 = 0.5;

/// Pose (in metres) and clock of a camera against one that is placed already; `pair` is that one and the new one.
fn relate(
    input: &WandInput,
    config: &WandConfig,
    [first, others]: [&[Couple]; 2],
    begun: &Begun,
    pair: [usize; 2],
    offset_window_s: Option<(f64, f64)>,
) -> Result<Related, String> {
    let [base, k] = pair;
    let bootstrap = BootstrapConfig { offset_window_s, ..config.bootstrap.clone() };
    let focal = |k: usize| input.cameras[k].lens.fx_px;
    let wanted = wanted_support(begun, base, config).min(wanted_support(begun, k, config));
    let mut best: Option<Related> = None;
    let mut last_reason = "no two tracks are seen by both at the same time".to_string();
    for a in first {
        for b in others {
            for crossed in [false, true] {
                let a_tracks: Vec<Track> =
                    a.tracks.iter().map(|&i| as_track(&begun.tracks[base][i], focal(base))).collect();
                let mut b_tracks: Vec<Track> =
                    b.tracks.iter().map(|&i| as_track(&begun.tracks[k][i], focal(k))).collect();
                if crossed {
                    b_tracks.reverse();
                }
                let found = match bootstrap_pair(&a_tracks, &b_tracks, &bootstrap) {
                    Ok(found) => found,
                    Err(e) => {
                        last_reason = e.to_string();
                        continue;
                    }
                };
                for guess in found.iter().take(3) {
                    if guess.median_px > 2.0 * config.epipolar_px {
                        continue;
                    }
                    let relative = Clock {
                        offset_s: guess.offset_s,
                        drift: guess.drift,
                        readout_s: begun.readouts_s[k].value,
                    };
                    let Some((support, length)) =
                        support(input, config, begun, pair, &guess.b_from_a, &relative)
                    else {
                        continue;
                    };
                    if best.as_ref().is_none_or(|b| support > b.support) {
                        let mut metric = guess.b_from_a;
                        metric.translation.vector *= input.length_m.value / length;
                        let placed = &begun.poses[base].camera_from_world;
                        let pose = CameraPose { camera_from_world: metric * placed };
                        let clock = begun.clocks[base].after(&relative);
                        best = Some(Related { support, pose, clock });
                    }
                }
                // most of what moves is explained: no need to try the rest
                if best.as_ref().is_some_and(|b| b.support > SURE_SHARE * wanted) {
                    return best.ok_or(last_reason);
                }
            }
        }
    }
    best.ok_or(last_reason)
}

/// Seconds during which two moving tracks are seen together.
fn wanted_support(begun: &Begun, k: usize, config: &WandConfig) -> f64 {
    couples(&begun.tracks[k], config.least_extent_rad, usize::MAX)
        .iter()
        .map(|c| {
            let (p, q) = (begun.tracks[k][c.tracks[0]].span_s(), begun.tracks[k][c.tracks[1]].span_s());
            p[1].min(q[1]) - p[0].max(q[0])
        })
        .sum()
}

/// A camera with the tracks of its wand clip at a pose and clock.
pub(super) fn view<'a>(
    camera: &WandCamera,
    pose: &'a CameraPose,
    clock: Clock,
    tracks: &'a [Tracklet],
) -> TrackView<'a> {
    TrackView { pose, clock, focal_px: camera.lens.fx_px, frame_step_s: camera.wand.frame_step_s(), tracks }
}

/// Pieces of 3D track of the wand's ends.
pub(super) fn pieces(views: &[TrackView], epipolar_px: f64, farthest: f64) -> Vec<Piece> {
    let needs = PieceConfig { epipolar_px, farthest, fastest_per_s: f64::INFINITY, fewest: 5, size: None };
    find_pieces(views, &needs)
}

/// Seconds of pieces in pairs of constant distance, and that distance, in units of the baseline; pose and clock are those of
/// the second of the pair against the first.
fn support(
    input: &WandInput,
    config: &WandConfig,
    begun: &Begun,
    [base, k]: [usize; 2],
    b_from_a: &Isometry3<f64>,
    relative: &Clock,
) -> Option<(f64, f64)> {
    let own = Clock { offset_s: 0.0, drift: 0.0, readout_s: begun.readouts_s[base].value };
    let at = [Isometry3::identity(), *b_from_a].map(|camera_from_world| CameraPose { camera_from_world });
    let views = [
        view(&input.cameras[base], &at[0], own, &begun.tracks[base]),
        view(&input.cameras[k], &at[1], *relative, &begun.tracks[k]),
    ];
    super::ends::constant_distance(&pieces(&views, config.epipolar_px, 100.0), config.length_tolerance)
}
