//! The loop: the fly line found in the picture after a stop, its shape in metres and the figures of it.
//!
//! `gather` keeps points on thin curves while the clip is decoded for the markers; when the strokes are known, each
//! camera's points after a stop are laid into the stroke's cast plane (`side`), the nose is tracked (`nose`,
//! `trajectory`), both legs are followed backward from it (`legs`) and figures are read off the curve (`geometry`) at many instants (`measure`). How
//! often the legs cross is asked of both at once (`paths`), of all cameras and looks together (`shape`). Where
//! two cameras see the nose, its distance from the cast plane follows from their disagreement (`views`). What is not
//! seen well enough is not measured, with the reason. `forward` says what loop a line would make behind this path of the tip. README.md has the definitions and a drawing.

mod answers;
mod forward;
mod gather;
pub mod geometry;
mod legs;
mod links;
mod measure;
mod nose;
mod one_view;
mod paths;
mod reading;
mod robust;
mod settings;
mod shape;
mod side;
mod sums;
mod tee;
#[cfg(test)]
mod tests;
mod trajectory;
mod views;

use nalgebra::Point3;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::line::{ClipRidges, StrokeLoop};
use crate::model::{Camera, Clock, Figures, MarkerPath, Stroke};

pub use forward::{known_line, predict_loops};
pub use gather::Gatherer;
pub use settings::{LoopSettings, SizeLimits};
pub use tee::Tee;

/// How points are gathered while a clip is decoded.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct GatherConfig {
    /// Frames looked at per second, about. Default 40: every third of an ordinary slow-motion clip; a nose at 10 m/s moves
    /// 25 cm between and is seen six times over the travel that counts. More costs more than two fifths of the decoding.
    pub rate_hz: f64,
    /// The background follows by a quarter of a level every so many looks. Default 1: 10 levels a second follow the
    /// light, and take in 5 levels of a line that hangs there for half a second.
    pub background_every: u32,
    /// Least response of a place that stands by itself, in standard deviations of a response to noise that differs from
    /// pixel to pixel. Default 12: compression leaves noise alike along rows, and below this it makes up most of the places
    /// (measured on simulated clips with `loop_truth`, an example of the simulator).
    pub least_over_noise: f64,
    /// Least response of a place that others go along with, likewise. Default 4: before the sky of a bad day this finds
    /// half of a line of which 12 find a tenth.
    pub least_linked_over_noise: f64,
    /// Fewest others along with it, within 24 pixels each way. Default 8 of 24: noise leaves two or three.
    pub fewest_linked: usize,
    /// Most places looked at in a frame. Default 16 000: keeps the cost of waving trees bounded.
    pub most_places: usize,
    /// Most points kept of a clip. Default 4 million, 48 MB: two minutes of casting.
    pub most_points: usize,
}

impl Default for GatherConfig {
    fn default() -> Self {
        Self {
            rate_hz: 40.0,
            background_every: 1,
            least_over_noise: 12.0,
            least_linked_over_noise: 4.0,
            fewest_linked: 8,
            most_places: 16_000,
            most_points: 4_000_000,
        }
    }
}

/// How a loop is read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LoopConfig {
    /// Least distance of the width's section behind the nose's front. Default 0.3 m: half the width of a tight loop; nearer,
    /// a pointed nose would have no width.
    pub least_section_m: f64,
    /// The standard moment: the nose's front so far ahead of the tip. Default 1.5 m: the loop has formed, and a phone 8 m
    /// away still sees it whole.
    pub standard_travel_m: f64,
    /// Travel over which the loop is followed for its speed, trajectory and narrowest width. Default 0.75 to 2.25 m: about the
    /// standard moment, as far as both cameras of an ordinary set-up see.
    pub travel_m: [f64; 2],
    /// The fly leg is read from the section to so far behind the front. Default 2.5 m.
    pub fly_leg_m: f64,
    /// A fly leg is straight when it departs by less than this share of its length from the line joining its ends.
    /// Default 0.04: 9 cm in 2.2 m, what an eye calls straight (common practice).
    pub straight_share: f64,
    /// A crossing counts when the fly leg comes out on the other side by so much. Default 0.03 m: three times the
    /// error of a leg's height.
    pub least_crossing_m: f64,
    /// A shape is named when it is at least this likely. Default 0.6.
    pub least_probability: f64,
    /// The loop is looked for until so long after rod straight position. Default 0.7 s.
    pub longest_s: f64,
    /// Unknown distance of the line from the cast plane, one standard deviation. Default 0.08 m: a rod canted by 10 degrees
    /// moves its tip by that much in half a metre of counterflex.
    pub off_plane_sd_m: f64,
    /// How fast it leaves the plane where only one camera sees it, one standard deviation. 0.35 m/s: over 40 simulated strokes.
    pub off_plane_drift_sd_m_s: f64,
    /// Least share of a leg's steps with points of the line, from the front to the section. Default 0.7.
    pub least_seen: f64,
    /// Fewest instants a width rests on. Default 4: of ten sessions one loop rested on three (careless 9), and its angle was 20 degrees off.
    pub fewest_moments: usize,
    /// Scatter of the width from instant to instant, over its trend, at which it is not believed: share of the width,
    /// and floor. Default 0.12 and 0.05 m.
    pub largest_scatter: [f64; 2],
}

impl Default for LoopConfig {
    fn default() -> Self {
        Self {
            least_section_m: 0.3,
            standard_travel_m: 1.5,
            travel_m: [0.75, 2.25],
            fly_leg_m: 2.5,
            straight_share: 0.04,
            least_crossing_m: 0.03,
            least_probability: 0.6,
            longest_s: 0.7,
            off_plane_sd_m: 0.08,
            off_plane_drift_sd_m_s: 0.35,
            least_seen: 0.7,
            fewest_moments: 4,
            largest_scatter: [0.12, 0.05],
        }
    }
}

/// One camera of a take for the line.
#[derive(Debug, Clone)]
pub struct LineView<'a> {
    /// Lens, pose, picture.
    pub camera: Camera,
    /// Clock of the take.
    pub clock: Clock,
    /// What was gathered.
    pub ridges: &'a ClipRidges,
}

/// Loops of a take.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Loops {
    /// One per stroke whose line was measured.
    pub measured: Vec<StrokeLoop>,
    /// Stroke and why its line was not.
    pub not_seen: Vec<(u32, String)>,
}

/// Measures the loop of every stroke and enters its figures; where the line is not seen well enough the figures are
/// entered as missing with the reason.
#[must_use]
pub fn measure_loops(
    views: &[LineView<'_>],
    tip: &MarkerPath,
    strokes: &mut [Stroke],
    settings: &LoopSettings,
) -> Loops {
    let mut out = Loops::default();
    for i in 0..strokes.len() {
        let next_s = strokes.get(i + 1).and_then(|s| s.samples.first()).map(|s| s.t_s);
        let before = i.checked_sub(1).and_then(|k| strokes[k].figures.get(crate::model::FigureId::LoopWidth));
        let stroke = &mut strokes[i];
        match measure::measure(views, tip, stroke, next_s, settings) {
            Ok(measured) => {
                stroke.loop_shape = measured.of_stroke.shape;
                measured.enter(&mut stroke.figures);
                enter_symmetry(&mut stroke.figures, before);
                out.measured.push(measured.of_stroke);
            }
            Err(reason) => {
                for id in measure::FIGURES {
                    stroke.figures.set_missing(*id, reason.clone());
                }
                out.not_seen.push((stroke.stroke, reason));
            }
        }
    }
    out
}

/// A width is divided by from so many of its standard deviations on: nearer to zero the ratio is anything, and no sd says so.
const LEAST_DIVISOR_SDS: f64 = 4.0;

/// Width over that of the stroke before.
fn enter_symmetry(figures: &mut Figures, before: Option<crate::model::Measured>) {
    use crate::model::{FigureId, Measured};
    let id = FigureId::LoopSymmetry;
    if figures.missing.get(&id).is_some_and(|why| why == crate::strokes::CUT_BEFORE) {
        return;
    }
    match (figures.get(FigureId::LoopWidth), before) {
        (Some(_), Some(before)) if !(before.value > LEAST_DIVISOR_SDS * before.sd) => {
            figures.set_missing(id, "the loop before is too narrow beside its error to divide by");
        }
        (Some(now), Some(before)) => {
            let ratio = now.value / before.value;
            let sd = ratio * (now.sd / now.value).hypot(before.sd / before.value);
            figures.set(id, Measured::new(ratio, sd));
        }
        _ => figures.set_missing(id, "the stroke before has no measured loop"),
    }
}

/// Places of the tip over time, linear between the path's samples; `None` in a gap.
fn tip_at(path: &MarkerPath, t_s: f64) -> Option<Point3<f64>> {
    let k = path.samples.partition_point(|s| s.t_s < t_s);
    let (a, b) = (path.samples.get(k.checked_sub(1)?)?, path.samples.get(k)?);
    let step_s = b.t_s - a.t_s;
    if !(step_s < 0.05) {
        return None;
    }
    let u = (t_s - a.t_s) / step_s;
    Some(a.position_in_world + u * (b.position_in_world - a.position_in_world))
}
