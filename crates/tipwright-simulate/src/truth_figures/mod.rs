//! Figures of the strokes from the dense state, by their definitions and nothing else.
//!
//! Written apart from the measuring library's own stage, so that a mistake there can show. Everything is read at the
//! motion's own frames (2 kHz by default); instants between frames come from linear interpolation.

use nalgebra::{Point3, Vector3};
use tipwright::model::{Direction, FigureId, Figures, Measured, RspSource, StrokeKind};

use tipwright_physics::motion::RodMotion;

mod bend;
pub mod loops;
mod ring;
mod shape;

pub use bend::ButtAxis;

/// What is worn and what counts as a stroke.
#[derive(Debug, Clone, PartialEq)]
pub struct TruthConfig {
    /// Butt markers along the rod from the butt cap, the lower first. Two give the butt's axis; with fewer, rod straight
    /// position is the time of peak speed and what needs the axis is left out.
    pub butts_at_m: Vec<f64>,
    /// A movement counts from this peak speed. 5 m/s: an ordinary cast peaks at 15 to 25.
    pub least_peak_m_s: f64,
    /// And from this share of the median peak of the take's movements that are as fast and as long. 0.5: rebounds after
    /// a stop stay below it. Not of the largest: a pick-up of 24 m/s would set aside false casts of 11.
    pub least_peak_share: f64,
    /// And from this distance between its ends. 1.2 m: a rebound travels less.
    pub least_travel_m: f64,
    /// End of what is looked at: a clip's end, when the motion goes on beyond it.
    pub until_s: f64,
}

impl Default for TruthConfig {
    fn default() -> Self {
        Self {
            butts_at_m: Vec::new(),
            least_peak_m_s: 5.0,
            least_peak_share: 0.5,
            least_travel_m: 1.2,
            until_s: f64::INFINITY,
        }
    }
}

/// A stroke as it was.
#[derive(Debug, Clone, PartialEq)]
pub struct TrueStroke {
    /// Counts from 1.
    pub stroke: u32,
    /// Forward or back.
    pub direction: Direction,
    /// What `t_rsp_s` is taken from.
    pub rsp_source: RspSource,
    /// Time of the reversal before.
    pub reversal_before_s: f64,
    /// Time of the reversal after.
    pub reversal_after_s: f64,
    /// The figures; every `sd` is 0.
    pub figures: Figures,
    /// The loop, where the motion has a line and one came to the standard moment.
    pub line: Option<loops::TrueLoop>,
}

impl TrueStroke {
    /// From the start of W to the stop it lies between two instants: a clip of them shows the whole stroke.
    #[must_use]
    pub fn is_within(&self, from_s: f64, to_s: f64) -> bool {
        let at = |id| self.figures.get(id).map_or(f64::NAN, |m| m.value);
        at(FigureId::TStart) > from_s && at(FigureId::TStop) < to_s
    }
}

/// A quantity over the frames.
struct Dense {
    t_s: Vec<f64>,
    tip: Vec<Point3<f64>>,
    speed_m_s: Vec<f64>,
}

impl Dense {
    /// Time at which `series` first crosses `level` within `from..=to`, in the direction of `rising`.
    fn crossing_s(&self, series: &[f64], level: f64, rising: bool, from: usize, to: usize) -> Option<f64> {
        (from + 1..=to).find_map(|i| {
            let (a, b) = (series[i - 1] - level, series[i] - level);
            let crosses = if rising { a < 0.0 && b >= 0.0 } else { a > 0.0 && b <= 0.0 };
            crosses.then(|| self.t_s[i - 1] + (self.t_s[i] - self.t_s[i - 1]) * a / (a - b))
        })
    }

    /// Last frame before `peak` at which the tip still rests: below a tenth of the peak's speed; not before `from`.
    fn rest_before(&self, from: usize, peak: usize) -> usize {
        let rest = 0.1 * self.speed_m_s[peak];
        (from..peak).rev().find(|i| self.speed_m_s[*i] < rest).unwrap_or(from)
    }

    fn idx_at(&self, t_s: f64) -> usize {
        self.t_s.partition_point(|t| *t < t_s).min(self.t_s.len() - 1)
    }
}

/// Parabola through three even samples: shift of its top from the middle one, in steps, and its height.
fn top(a: f64, b: f64, c: f64) -> (f64, f64) {
    let curve = a - 2.0 * b + c;
    if curve.abs() < 1e-300 {
        return (0.0, b);
    }
    let shift = 0.5 * (a - c) / curve;
    (shift, b - 0.25 * (a - c) * shift)
}

/// Largest of `series` in `from..=to`, refined by a parabola: index, time, value.
fn peak(t_s: &[f64], series: &[f64], from: usize, to: usize) -> (usize, f64, f64) {
    let i = (from..=to).max_by(|a, b| series[*a].total_cmp(&series[*b])).unwrap_or(from);
    if i == from || i == to {
        return (i, t_s[i], series[i]);
    }
    let (shift, value) = top(series[i - 1], series[i], series[i + 1]);
    (i, t_s[i] + shift * (t_s[i + 1] - t_s[i]), value)
}

/// Strokes of a motion. `forward`: horizontal direction of the forward cast in the world.
///
/// Times are those of the motion; a session clock that starts elsewhere shifts `t_*_s` and nothing else.
#[must_use]
pub fn true_strokes(motion: &RodMotion, forward: Vector3<f64>, config: &TruthConfig) -> Vec<TrueStroke> {
    let frames = &motion.frames[..motion.frames.partition_point(|f| f.t_s <= config.until_s)];
    if frames.len() < 5 {
        return Vec::new();
    }
    let dense = Dense {
        t_s: frames.iter().map(|f| f.t_s).collect(),
        tip: frames.iter().map(tipwright_physics::motion::RodState::tip_in_world).collect(),
        speed_m_s: frames.iter().map(|f| f.tip_velocity_in_world_m_s.norm()).collect(),
    };
    let along: Vec<f64> = frames.iter().map(|f| f.tip_velocity_in_world_m_s.dot(&forward)).collect();
    // stretches between reversals of the movement along the cast
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let mut start = 0;
    for i in 1..along.len() {
        if i + 1 == along.len() || (along[i] > 0.0) != (along[i - 1] > 0.0) {
            runs.push((start, i));
            start = i;
        }
    }
    let fastest = |(a, b): &(usize, usize)| dense.speed_m_s[*a..=*b].iter().copied().fold(0.0, f64::max);
    runs.retain(|(a, b)| (dense.tip[*b] - dense.tip[*a]).norm() >= config.least_travel_m);
    let mut peaks: Vec<f64> = runs.iter().map(fastest).filter(|p| *p >= config.least_peak_m_s).collect();
    peaks.sort_by(f64::total_cmp);
    let usual = peaks.get(peaks.len() / 2).copied().unwrap_or(0.0);
    let least = config.least_peak_m_s.max(config.least_peak_share * usual);
    runs.retain(|run| fastest(run) >= least);
    let mut out: Vec<TrueStroke> = Vec::new();
    let mut spans: Vec<Span> = Vec::new();
    for (k, (a, b)) in runs.iter().copied().enumerate() {
        let until = runs.get(k + 1).map_or(dense.t_s.len() - 1, |r| r.0);
        let mut stroke = TrueStroke {
            stroke: out.len() as u32 + 1,
            direction: if along[(a + b) / 2] > 0.0 { Direction::Forward } else { Direction::Back },
            rsp_source: if config.butts_at_m.len() >= 2 { RspSource::Bend } else { RspSource::Speed },
            reversal_before_s: dense.t_s[a],
            reversal_after_s: dense.t_s[b],
            figures: Figures::default(),
            line: None,
        };
        if let Some(span) = measure(motion, &dense, config, (a, b, until), &mut stroke) {
            spans.push(span);
            out.push(stroke);
        }
    }
    between(motion, config, &spans, &mut out);
    out
}

/// What neighbours need to know of a stroke.
struct Span {
    start_s: f64,
    rsp_s: f64,
    stop_s: f64,
    counterflex_s: Option<f64>,
    chord: Vector3<f64>,
}

/// Fills in the figures of one stroke. `(a, b, until)`: frames of the reversals before and after, and of the reversal
/// before the next stroke.
fn measure(
    motion: &RodMotion,
    dense: &Dense,
    config: &TruthConfig,
    (a, b, until): (usize, usize, usize),
    stroke: &mut TrueStroke,
) -> Option<Span> {
    let mut put = |id: FigureId, value: f64| stroke.figures.set(id, Measured::new(value, 0.0));
    let (peak_idx, peak_s, peak_m_s) = peak(&dense.t_s, &dense.speed_m_s, a, b);
    let gate = 0.2 * peak_m_s;
    let from = dense.rest_before(a, peak_idx);
    let start_s = if dense.speed_m_s[from] > gate {
        dense.t_s[from]
    } else {
        dense.crossing_s(&dense.speed_m_s, gate, true, from, peak_idx)?
    };
    let stop_s = dense.crossing_s(&dense.speed_m_s, gate, false, peak_idx, until)?;
    let rough_chord = dense.tip[peak_idx] - motion.tip_at(start_s);
    let axis = ButtAxis::of(&config.butts_at_m);
    let rsp_s = match &axis {
        Some(axis) => axis.rod_straight_s(motion, dense, &rough_chord, (dense.idx_at(start_s), b, until))?,
        None => peak_s,
    };
    put(FigureId::TStart, start_s);
    put(FigureId::TRsp, rsp_s);
    put(FigureId::TStop, stop_s);
    put(FigureId::Duration, rsp_s - start_s);
    put(FigureId::PeakSpeed, peak_m_s);
    if axis.is_some() {
        put(FigureId::PeakLead, 1e3 * (rsp_s - peak_s));
    }
    put(FigureId::Stop, 1e3 * (stop_s - peak_s));
    let start_idx = dense.idx_at(start_s);
    let half_from = start_idx.saturating_sub(1);
    let half_s = if dense.speed_m_s[half_from] >= 0.5 * peak_m_s {
        start_s
    } else {
        dense.crossing_s(&dense.speed_m_s, 0.5 * peak_m_s, true, half_from, peak_idx)?
    };
    put(FigureId::LatePower, (half_s - start_s) / (rsp_s - start_s));
    put(FigureId::FastTime, 1e3 * (rsp_s - half_s));
    let shape = shape::Shape::of(motion, dense, start_s, rsp_s)?;
    shape.put_into(&mut put);
    let ramp_end = (start_idx..=peak_idx).find(|i| dense.speed_m_s[*i] >= 0.9 * peak_m_s).unwrap_or(peak_idx);
    if let Some((r2, changes)) = shape::ramp(dense, start_idx, ramp_end, 0.02 * peak_m_s) {
        put(FigureId::Smoothness, r2);
        put(FigureId::SignChanges, changes as f64);
    }
    let chord = shape.chord();
    bend::tip_in_counterflex(dense, &shape, (rsp_s, stop_s, dense.t_s[until]), &mut put);
    if let Some(upper_at_m) = config.butts_at_m.last() {
        bend::put_butt_speed(motion, *upper_at_m, (start_s, rsp_s), &mut put);
    }
    let counterflex_s = axis.as_ref().map(|axis| {
        let turned_rad = axis.lean_rad(motion, rsp_s, &chord) - axis.lean_rad(motion, half_s, &chord);
        put(FigureId::FastArc, turned_rad.to_degrees());
        axis.put_into(motion, dense, &chord, (start_s, rsp_s, stop_s, dense.t_s[until]), &mut put)
    });
    stroke.line = loops::true_loop(motion, &chord, rsp_s);
    Some(Span { start_s, rsp_s, stop_s, counterflex_s, chord })
}

/// Figures that need a neighbour: ring-down, pause, angle between chords, creep before, drift after.
fn between(motion: &RodMotion, config: &TruthConfig, spans: &[Span], strokes: &mut [TrueStroke]) {
    let axis = ButtAxis::of(&config.butts_at_m);
    for k in 0..strokes.len() {
        if let (Some(axis), Some(counterflex_s)) = (&axis, spans[k].counterflex_s) {
            let set_off_s = spans.get(k + 1).map_or(f64::INFINITY, |next| {
                axis.sets_off_s(motion, &next.chord, (counterflex_s, next.start_s, next.rsp_s))
            });
            let rsp_s = spans[k].rsp_s;
            let to_s = (rsp_s + ring::LONGEST_S).min(set_off_s).min(motion.end_s()).min(config.until_s);
            if let Some(r) = ring::fit(|t_s| axis.bend_m(motion, t_s, &spans[k].chord), rsp_s, to_s) {
                strokes[k].figures.set(FigureId::RingFrequency, Measured::new(r.frequency_hz, 0.0));
                strokes[k].figures.set(FigureId::RingDamping, Measured::new(r.damping, 0.0));
            }
        }
        let last = k.checked_sub(1).and_then(|i| strokes[i].line.as_ref()).map(|l| l.width_m.abs());
        if let Some(line) = strokes[k].line.clone() {
            line.put_into(&mut strokes[k].figures, last);
        }
        let toward = spans[k].chord.normalize();
        let mut put = |id: FigureId, value: f64| strokes[k].figures.set(id, Measured::new(value, 0.0));
        if let Some(next) = spans.get(k + 1) {
            let (from_s, to_s) = (spans[k].stop_s, next.start_s);
            let drift_m = match config.butts_at_m.last() {
                Some(at_m) => {
                    bend::furthest_m(|t| motion.rod_point_at(t, *at_m), &toward, from_s, to_s, from_s)
                }
                None => bend::furthest_m(|t| motion.tip_at(t), &toward, from_s, to_s, from_s),
            };
            put(FigureId::Drift, drift_m);
        }
        let Some(before) = k.checked_sub(1).map(|i| &spans[i]) else { continue };
        let (from_s, to_s) = (before.stop_s, spans[k].start_s);
        put(FigureId::Pause, to_s - from_s);
        put(FigureId::Opposite, spans[k].chord.angle(&before.chord).to_degrees());
        let creep_m = match config.butts_at_m.last() {
            Some(at_m) => bend::furthest_m(|t| motion.rod_point_at(t, *at_m), &-toward, from_s, to_s, to_s),
            None => bend::tip_creep_m(motion, &toward, from_s, to_s),
        };
        put(FigureId::Creep, creep_m);
    }
}

/// What a stroke of a simulated take is for: every take is one sequence, picked up first and laid down last.
#[must_use]
pub fn kind_among(stroke: u32, strokes: usize) -> StrokeKind {
    match (stroke == 1, stroke as usize == strokes) {
        (true, true) => StrokeKind::Single,
        (true, false) => StrokeKind::PickUp,
        (false, true) => StrokeKind::Delivery,
        (false, false) => StrokeKind::False,
    }
}

/// strokes.json of the truth: the columns of a results folder's strokes.json, every `_sd` zero, `null` where a figure has
/// no truth.
///
/// # Errors
/// Only what the JSON writer says.
pub fn strokes_json(
    session: &str,
    take: &str,
    caster: &str,
    phase: Option<&str>,
    strokes: &[TrueStroke],
) -> Result<String, serde_json::Error> {
    let rows: Vec<serde_json::Value> = strokes
        .iter()
        .map(|s| {
            let mut row = serde_json::Map::new();
            for (key, text) in
                [("session", Some(session)), ("take", Some(take)), ("caster", Some(caster)), ("phase", phase)]
            {
                row.insert(key.into(), text.into());
            }
            row.insert("stroke".into(), s.stroke.into());
            row.insert("direction".into(), serde_json::to_value(s.direction)?);
            row.insert("kind".into(), serde_json::to_value(kind_among(s.stroke, strokes.len()))?);
            row.insert("rsp_source".into(), serde_json::to_value(s.rsp_source)?);
            row.insert("loop_shape".into(), serde_json::to_value(s.line.as_ref().map(|l| l.shape))?);
            for id in FigureId::ALL {
                let key = id.info().key;
                let measured = s.figures.get(*id);
                row.insert(key.into(), measured.map(|m| m.value).into());
                row.insert(format!("{key}_sd"), measured.map(|m| m.sd).into());
            }
            Ok(serde_json::Value::Object(row))
        })
        .collect::<Result<_, serde_json::Error>>()?;
    let mut text = serde_json::to_string_pretty(&serde_json::json!({ "schema": 1, "strokes": rows }))?;
    text.push('\n');
    Ok(text)
}

#[cfg(test)]
mod tests;
