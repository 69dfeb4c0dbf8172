//! What the phones of a take heard: their rough offsets, and the slap of the line on the rod.

use nalgebra::Point3;

use super::run::Run;
use crate::session::{Heard, Session, Take, heard, offset_between};
use tipwright::math::median;
use tipwright::model::results::TakeClock;
use tipwright::model::{CoarseOffset, FigureId, Measured, OffsetSource, Scene, Stroke};
use tipwright::path::TakePaths;
use tipwright::slap::{Ear, Slap, SlapConfig, slaps};

/// The line slaps the rod about so far above the butt cap: above the grip, below the stripping guide at 0.7 m (common practice).
const SLAP_AT_M: f64 = 0.55;
/// Where that is, one standard deviation along a phone's line of sight, metres: beside butt markers, which wave about by so much
/// from stroke to stroke, and by the tip alone.
const AT_BUTTS_SD_M: f64 = 0.3;
const AT_TIP_SD_M: f64 = 0.7;
/// Phones do not differ by more than that in how late their sound is, seconds: the offset by sound was another's.
const MOST_LATER_S: f64 = 0.15;

/// A camera's clip, listened to.
struct OfCamera<'a> {
    name: &'a str,
    heard: Option<Heard>,
    /// Rough offset to the first camera's.
    offset: Option<CoarseOffset>,
}

/// The clips of a take, listened to once.
pub(super) struct Ears<'a> {
    cameras: Vec<OfCamera<'a>>,
    part_s: Option<[f64; 2]>,
}

impl<'a> Ears<'a> {
    /// Of some of its cameras, the first first.
    pub fn of(
        run: &Run<'_>,
        (take, scene): (&Take, &Scene),
        part_s: Option<[f64; 2]>,
        names: impl Iterator<Item = &'a str>,
    ) -> Self {
        let hear = |name| heard(run.session, &take.clips, name, part_s.is_some(), run.footage);
        let cameras = names.map(|name| OfCamera { name, heard: hear(name), offset: None }).collect();
        let mut ears = Self { cameras, part_s };
        for k in 1..ears.cameras.len() {
            let pair = [ears.cameras[0].name, ears.cameras[k].name];
            ears.cameras[k].offset = ears.compared(run.session, pair, scene);
        }
        ears
    }

    fn of_camera(&self, name: &str) -> Option<&OfCamera<'a>> {
        self.cameras.iter().find(|c| c.name == name)
    }

    /// Rough offset of a camera's clip to the first's.
    pub fn offset(&self, name: &str) -> Option<CoarseOffset> {
        self.of_camera(name)?.offset
    }

    fn compared(&self, session: &Session, pair: [&str; 2], scene: &Scene) -> Option<CoarseOffset> {
        let of = |name| self.of_camera(name)?.heard.as_ref();
        offset_between(session, (of(pair[0])?, of(pair[1])?), self.part_s, pair, Some(scene))
    }

    /// Enters the slap of each stroke.
    pub fn put_slaps(&self, session: &Session, scene: &Scene, paths: &TakePaths, strokes: &mut [Stroke]) {
        let config = SlapConfig::default();
        let ears = self.ears(session, scene, paths, &config);
        let unknown = Measured::new(f64::NAN, f64::NAN);
        let rsp: Vec<Measured> =
            strokes.iter().map(|s| s.figures.get(FigureId::TRsp).unwrap_or(unknown)).collect();
        let found = slaps(&ears, &rsp, session.speed_of_sound_m_s(), &config);
        for (stroke, slap) in strokes.iter_mut().zip(found) {
            put(stroke, &slap);
        }
    }

    fn ears(&self, session: &Session, scene: &Scene, paths: &TakePaths, config: &SlapConfig) -> Vec<Ear> {
        let Some((first, (at, at_sd_m))) = paths.clocks.first().zip(slap_at(paths)) else {
            return Vec::new();
        };
        let tip = &paths.rod.tip.samples;
        let middle_s = 0.5 * (tip.first().map_or(0.0, |s| s.t_s) + tip.last().map_or(0.0, |s| s.t_s));
        let fits = paths
            .clocks
            .iter()
            .filter_map(|clock| Some((clock, paths.cameras.iter().find(|c| c.camera == clock.camera)?)));
        fits.map(|(clock, fit)| {
            let eye = fit.camera().pose.camera_from_world.inverse() * Point3::origin();
            let sound = self.of_camera(&clock.camera).and_then(|c| c.heard.as_ref()?.sound.as_deref());
            let levels = sound.and_then(|s| s.levels.as_ref()).map(|levels| match self.part_s {
                Some(part_s) => levels.part(part_s.map(|t| clock.clock.pts_s(first.clock.session_s(t, 0.0)))),
                None => levels.clone(),
            });
            Ear {
                levels,
                clock: clock.clock,
                away_m: Measured::new((eye - at).norm(), at_sd_m),
                later: if clock.camera == first.camera {
                    Measured::new(0.0, 0.0)
                } else {
                    // against the first that is left of those that were listened to
                    let is_first = self.cameras.first().is_some_and(|c| c.name == first.camera);
                    let coarse = if is_first {
                        self.offset(&clock.camera)
                    } else {
                        self.compared(session, [&first.camera, &clock.camera], scene)
                    };
                    later([first, clock], coarse, middle_s, config)
                },
            }
        })
        .collect()
    }
}

/// How much later than the first phone's the sound of another is against its pictures: what the offset by sound differs from the one
/// by motion.
fn later(
    [first, other]: [&TakeClock; 2],
    coarse: Option<CoarseOffset>,
    at_s: f64,
    config: &SlapConfig,
) -> Measured {
    let by_motion_s = first.clock.pts_s(at_s) - other.clock.pts_s(at_s);
    coarse
        .filter(|c| c.source == OffsetSource::Sound && (by_motion_s - c.value_s).abs() < MOST_LATER_S)
        .map_or(Measured::new(0.0, config.phone_delay_sd_s * std::f64::consts::SQRT_2), |c| {
            Measured::new(by_motion_s - c.value_s, c.sd_s)
        })
}

/// Where the line slaps the rod over a take, world, and its standard deviation along a line of sight: beside the upper butt marker, else
/// below the middle of the tip's path by 1.5 m.
fn slap_at(paths: &TakePaths) -> Option<(Point3<f64>, f64)> {
    let middle = |of: &tipwright::model::MarkerPath| {
        let axis = |k: usize| median(of.samples.iter().map(|s| s.position_in_world[k]));
        Some(Point3::new(axis(0)?, axis(1)?, axis(2)?))
    };
    let by_butt = paths
        .rod
        .butts
        .iter()
        .min_by(|a, b| (a.at_m - SLAP_AT_M).abs().total_cmp(&(b.at_m - SLAP_AT_M).abs()));
    match by_butt.and_then(|b| middle(&b.path)) {
        Some(at) => Some((at, AT_BUTTS_SD_M)),
        None => middle(&paths.rod.tip).map(|tip| (tip - nalgebra::Vector3::new(0.0, 0.0, 1.5), AT_TIP_SD_M)),
    }
}

fn put(stroke: &mut Stroke, slap: &Slap) {
    let figures = &mut stroke.figures;
    let why = slap.why.unwrap_or("the slap was not timed");
    for (id, measured) in
        [(FigureId::SlapTime, slap.after_s.map(|s| s.scaled(1e3))), (FigureId::SlapLevel, slap.level_db)]
    {
        match measured {
            Some(measured) => figures.set(id, measured),
            None => figures.set_missing(id, why),
        }
    }
    stroke.slap = Some(slap.word);
}
