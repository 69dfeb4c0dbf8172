//! Which strokes go forward, and the cast frame of the take.
//!
//! A tip path alone is the same seen from behind, so the way of the forward cast comes from, in this order:
//! 1. [`StrokesConfig::forward_in_world`];
//! 2. [`StrokesConfig::last_stroke`];
//! 3. votes, by how casting goes, each the logarithm of how much likelier it makes one way. The rod is lowered toward the
//!    water before the pick-up and after the delivery, and it points forward then: where the tip is lowest is in front, 12
//!    times as likely. A sequence ends with the delivery, so a last stroke followed by quiet (longer than the take's pauses)
//!    goes forward, 4 times; it begins with a pick-up, so a first stroke after quiet goes back, 3 times. A clip that starts or
//!    ends within the sequence casts no vote for that end. Without any: the last stroke seen, whole or not, goes forward, 1.5 times
//!    as likely. Which way is faster says nothing: of simulated casters' false casts the back casts are as often. (All of
//!    it common practice; checked by `tests/studies/calibration.sh` on takes cut anywhere.)
//!
//! The probability reaches every stroke; below [`SURE`] it is a warning. Limits: a clip with lone back casts, or one that goes
//! on after the delivery with a roll or a new pick-up within the pause, can be turned round; then set one of 1 or 2.
//! Each stroke's own direction is the sign of its chord along that way, not its place in an alternation.

use nalgebra::{
    Isometry3, Matrix2, Point3, Rotation3, SymmetricEigen, Translation3, UnitQuaternion, Vector3,
};

use crate::model::{Direction, Severity, Warning};

use super::config::StrokesConfig;
use super::raw::Raw;
use super::segment::Cut;

/// A take's directions.
#[derive(Debug, Clone)]
pub(super) struct Casting {
    /// One per stroke.
    pub directions: Vec<Direction>,
    /// Probability that they are not exchanged.
    pub certainty: f64,
    pub cast_from_world: Isometry3<f64>,
}

/// Logarithms of how much likelier each vote makes its way: 12, 4 and 3 times.
const LOWERED: f64 = 2.48;
const QUIET_AFTER: f64 = 1.39;
const QUIET_BEFORE: f64 = 1.10;
/// Without any vote: 1.5 times as likely. Set on persons 0 to 59 and 200 to 289 of the calibration study, takes cut anywhere (209 of 350); of
/// 300 to 389, who set nothing, 121 of 196.
const LAST_FORWARD: f64 = 0.4;
/// Votes are not independent of each other, and casting is not always by the book.
const MOST_CERTAIN: f64 = 0.99;
/// Told in a warning below this.
const SURE: f64 = 0.85;

/// Quiet is longer than the longest pause by this factor.
const QUIET: f64 = 1.3;
/// Pause taken when the take has none: 1 s, the unrolling of 10 m of line at 20 m/s (2 L / v).
const USUAL_PAUSE_S: f64 = 1.0;

/// A low tip: below the ends of the strokes, and to one side of their middle, by at least this share of a stroke's chord.
const LOW: f64 = 0.35;
/// Share of the tracked samples that are looked at as the lowest.
const LOWEST: f64 = 0.03;

impl Casting {
    /// Which way a movement goes.
    pub(super) fn direction_of(&self, way: &Vector3<f64>) -> Direction {
        if (self.cast_from_world * way).x >= 0.0 { Direction::Forward } else { Direction::Back }
    }
}

/// What lies about the strokes that were measured.
pub(super) struct Around {
    /// Where quiet before the first begins and quiet after the last ends: the tracked span, or a stroke that was not seen whole.
    quiet_s: (f64, f64),
    /// Way of the last stroke seen, whole or not.
    last_seen: Vector3<f64>,
}

impl Around {
    /// `ways` are the strokes' horizontal ways, `span_s` the tracked span.
    pub(super) fn of(raws: &[Raw], cuts: &[Cut], ways: &[Vector3<f64>], span_s: (f64, f64)) -> Self {
        let n = raws.len();
        let (first_s, last_s) = (raws[0].times.t_start_s, raws[n - 1].times.t_stop_s);
        let before = cuts.iter().rfind(|c| c.to_s <= first_s);
        let after = || cuts.iter().filter(|c| c.from_s >= last_s);
        Self {
            quiet_s: (before.map_or(span_s.0, |c| c.to_s), after().next().map_or(span_s.1, |c| c.from_s)),
            last_seen: after().next_back().map_or(ways[n - 1], |c| c.way),
        }
    }
}

/// Decides. `ways` are the strokes' horizontal ways, `path` the tracked positions.
pub(super) fn casting(
    raws: &[Raw],
    ways: &[Vector3<f64>],
    chords: &[[Point3<f64>; 2]],
    path: impl Iterator<Item = Point3<f64>>,
    around: &Around,
    config: &StrokesConfig,
    warnings: &mut Vec<Warning>,
) -> Casting {
    let line = line_of(ways);
    let last = ways[ways.len() - 1].dot(&line).signum();
    let (forward, certainty) = if let Some([x, y]) = config.forward_in_world {
        (line * Vector3::new(x, y, 0.0).dot(&line).signum(), 1.0)
    } else if let Some(direction) = config.last_stroke {
        (line * if direction == Direction::Forward { last } else { -last }, 1.0)
    } else {
        let (side, certainty) = vote(raws, ways, &line, lowered(chords, path, &line), around, warnings);
        (line * side, certainty)
    };
    let directions: Vec<Direction> = ways
        .iter()
        .map(|w| if w.dot(&forward) >= 0.0 { Direction::Forward } else { Direction::Back })
        .collect();
    let mean = |which: Direction| {
        ways.iter().zip(&directions).filter(|(_, d)| **d == which).map(|(w, _)| *w).sum::<Vector3<f64>>()
    };
    let x = [mean(Direction::Forward), -mean(Direction::Back), forward]
        .into_iter()
        .find_map(|w| w.try_normalize(1e-9))
        .unwrap_or_else(Vector3::x);
    let rotation = Rotation3::from_axis_angle(&Vector3::z_axis(), -x.y.atan2(x.x));
    let middle =
        chords.iter().map(|c| (c[0].coords + c[1].coords) / 2.0).sum::<Vector3<f64>>() / chords.len() as f64;
    let origin = Vector3::new(middle.x, middle.y, 0.0);
    let cast_from_world = Isometry3::from_parts(
        Translation3::from(-(rotation * origin)),
        UnitQuaternion::from_rotation_matrix(&rotation),
    );
    Casting { directions, certainty, cast_from_world }
}

/// The horizontal line the strokes go along, either way.
fn line_of(ways: &[Vector3<f64>]) -> Vector3<f64> {
    let moment: Matrix2<f64> = ways.iter().map(|w| w.xy() * w.xy().transpose()).sum();
    let eigen = SymmetricEigen::new(moment);
    let axis = eigen.eigenvectors.column(eigen.eigenvalues.imax()).into_owned();
    Vector3::new(axis.x, axis.y, 0.0)
}

/// To which side of the strokes along `line` the tip was lowered; `None` when it was not.
fn lowered(
    chords: &[[Point3<f64>; 2]],
    path: impl Iterator<Item = Point3<f64>>,
    line: &Vector3<f64>,
) -> Option<f64> {
    #[allow(clippy::cast_precision_loss)]
    let ends = 2.0 * chords.len() as f64;
    let middle = chords.iter().flatten().map(|p| p.coords).sum::<Vector3<f64>>() / ends;
    let mut lengths: Vec<f64> = chords.iter().map(|[a, b]| (b - a).norm()).collect();
    lengths.sort_by(f64::total_cmp);
    let chord_m = lengths.get(lengths.len() / 2)?;
    let mut places: Vec<(f64, f64)> = path.map(|p| p.coords - middle).map(|d| (d.z, d.dot(line))).collect();
    places.sort_by(|a, b| a.0.total_cmp(&b.0));
    #[allow(clippy::cast_precision_loss, clippy::cast_sign_loss, clippy::cast_possible_truncation)]
    let lowest = &places[..(LOWEST * places.len() as f64).ceil() as usize];
    let (height_m, along_m) = lowest.get(lowest.len() / 2)?;
    (*height_m < -LOW * chord_m && along_m.abs() > LOW * chord_m).then(|| along_m.signum())
}

/// +1 when forward is along `line`, -1 against it; with the probability of that.
fn vote(
    raws: &[Raw],
    ways: &[Vector3<f64>],
    line: &Vector3<f64>,
    lowered: Option<f64>,
    around: &Around,
    warnings: &mut Vec<Warning>,
) -> (f64, f64) {
    let pauses = raws.windows(2).map(|w| w[1].times.t_start_s - w[0].times.t_stop_s);
    let longest_s = pauses.filter(|p| p.is_finite()).fold(0.0, f64::max);
    let quiet_s = QUIET * if longest_s > 0.0 { longest_s } else { USUAL_PAUSE_S };
    let n = raws.len();
    let sign = |i: usize| ways[i].dot(line).signum();
    let last_side = around.last_seen.dot(line).signum();
    let mut votes = Vec::new();
    if around.quiet_s.1 - raws[n - 1].times.t_stop_s > quiet_s {
        votes.push(QUIET_AFTER * sign(n - 1));
    }
    if raws[0].times.t_start_s - around.quiet_s.0 > quiet_s && n > 1 {
        votes.push(-QUIET_BEFORE * sign(0));
    }
    votes.extend(lowered.map(|side| LOWERED * side));
    if votes.is_empty() {
        votes.push(LAST_FORWARD * last_side);
    }
    let total: f64 = votes.iter().sum();
    let certainty = (1.0 / (1.0 + (-total.abs()).exp())).min(MOST_CERTAIN);
    if certainty < SURE {
        let weight: f64 = votes.iter().map(|v: &f64| v.abs()).sum();
        let why = if weight < QUIET_BEFORE {
            "the tracked span starts and ends within the casting"
        } else if total.abs() < weight - 1e-9 {
            "the order of strokes, the quiet before and after them and their speeds do not agree"
        } else {
            "the rod is not seen lowered before the first stroke or after the last"
        };
        warnings.push(Warning::new(
            Severity::Warning,
            "direction of the strokes",
            format!(
                "forward and back may be exchanged (probability {:.0} %): {why}",
                100.0 * (1.0 - certainty)
            ),
            "Start the clip before the pick-up and end it after the delivery, or set forward_in_world",
        ));
    }
    (if total == 0.0 { last_side } else { total.signum() }, certainty)
}
