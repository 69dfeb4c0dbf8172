//! The figures of every stroke on one path: the path itself, or one draw of it.

use nalgebra::Point3;

use crate::model::FigureId as F;

use super::butt::{self, ButtPair};
use super::config::StrokesConfig;
use super::curve::{Curve, largest};
use super::plane::{CastPlane, shape};
use super::segment::FoundStroke;
use super::speed;
use super::times::{SeenBy, Times, moments, rival_start_s};

pub(super) const FIGURES: usize = F::ALL.len();

/// What one path of a rod offers.
#[derive(Debug, Clone, Copy)]
pub(super) struct RodView<'a> {
    pub tip: Curve<'a>,
    pub pair: Option<ButtPair<'a>>,
    /// The upper butt marker, also when it is the only one.
    pub upper: Option<Curve<'a>>,
}

/// Which moments W has, where it may have others.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum Answer {
    /// Those of the definitions.
    #[default]
    Own,
    /// Rod straight at the other moment at which it may have been.
    OtherRsp,
    /// Started at the other moment at which it may have.
    OtherStart(SeenBy),
    /// Half of the peak speed reached at the other moment at which it may have been.
    OtherHalf,
}

/// What the path itself allows a stroke to be measured by; draws follow it.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Allowed {
    /// The butt pair covers W and the time in which the rod comes straight, which is looked for until then at most; `None` where it does not.
    pub bend_until_s: Option<f64>,
    /// The butt pair covers counterflex too.
    pub counterflex: bool,
    /// The upper butt marker covers W.
    pub butt_speed: bool,
    /// The tip, or the upper butt marker when worn, covers the pause before and after.
    pub pause_before: bool,
    pub pause_after: bool,
    /// Which of the moments that W may have.
    pub answer: Answer,
}

/// Figures of one stroke; NaN when not to be had.
#[derive(Debug, Clone)]
pub(super) struct Raw {
    pub values: [f64; FIGURES],
    pub times: Times,
    pub t_rsp_s: f64,
    /// Half of the peak speed is reached.
    pub half_s: f64,
    pub plane: Option<CastPlane>,
    /// Error of the time of largest bend that is the fit's own, milliseconds.
    pub top_error_ms: f64,
    /// Time of largest counterflex.
    pub t_counterflex_s: f64,
}

impl Raw {
    pub fn get(&self, id: F) -> f64 {
        self.values[id as usize]
    }

    fn set(&mut self, id: F, value: f64) {
        self.values[id as usize] = value;
    }
}

/// Measures all strokes of a take on one path.
pub(super) fn measure_all(
    rod: &RodView<'_>,
    found: &[FoundStroke],
    allowed: &[Allowed],
    config: &StrokesConfig,
) -> Vec<Raw> {
    let mut out: Vec<Raw> = Vec::with_capacity(found.len());
    for (i, (f, a)) in found.iter().zip(allowed).enumerate() {
        let next_start_s = found.get(i + 1).map_or(f64::INFINITY, |n| n.times.t_start_s);
        out.push(measure_one(rod, f, *a, next_start_s, config));
    }
    for i in 0..out.len() {
        between(rod, found, allowed, &mut out, i);
    }
    out
}

fn measure_one(
    rod: &RodView<'_>,
    found: &FoundStroke,
    allowed: Allowed,
    next_start_s: f64,
    config: &StrokesConfig,
) -> Raw {
    let tip = &rod.tip;
    let mut times = moments(tip, &found.search, config);
    if let Answer::OtherStart(seen_by) = allowed.answer {
        times.t_start_s =
            rival_start_s(tip, &found.search, &times, seen_by, config).unwrap_or(times.t_start_s);
    }
    let mut raw = Raw {
        values: [f64::NAN; FIGURES],
        times,
        t_rsp_s: times.t_peak_s,
        half_s: f64::NAN,
        plane: None,
        top_error_ms: 0.0,
        t_counterflex_s: f64::NAN,
    };
    raw.set(F::TStop, times.t_stop_s);
    raw.set(F::PeakSpeed, times.peak_m_s);
    raw.set(F::Stop, (times.t_stop_s - times.t_peak_s) * 1000.0);
    raw.set(F::TStart, times.t_start_s);
    let has_window = times.t_peak_s > times.t_start_s;
    // false for NaN as well
    if !has_window {
        return raw;
    }
    let last_s = tip.t_s[tip.t_s.len() - 1];
    if let (Some(pair), Some(until_s)) = (&rod.pair, allowed.bend_until_s) {
        let limit_s = butt::rsp_limit_s(&times, last_s).min(until_s);
        let Some(mut load) = butt::load(tip, pair, &times, limit_s, found.search.step_s) else {
            raw.t_rsp_s = f64::NAN;
            return raw;
        };
        if let (Answer::OtherRsp, Some(rival_s)) = (allowed.answer, load.rival_rsp_s) {
            load.t_rsp_s = rival_s;
            let ends = [times.t_start_s, rival_s].map(|t| tip.position(t));
            load.plane = CastPlane::through(ends[0], ends[1]).unwrap_or(load.plane);
        }
        raw.t_rsp_s = load.t_rsp_s;
        raw.plane = Some(load.plane);
        raw.top_error_ms = load.top_error_s * 1000.0;
        raw.set(F::MaxBend, load.max_bend_m);
        raw.set(F::BendLead, (load.t_rsp_s - load.t_max_bend_s) * 1000.0);
        raw.set(F::PeakLead, (load.t_rsp_s - times.t_peak_s) * 1000.0);
        raw.set(F::Arc, butt::arc_deg(pair, &load.plane, times.t_start_s, load.t_rsp_s));
        if allowed.counterflex {
            let to_s = butt::counterflex_end_s(&times, next_start_s, config).min(last_s);
            let (t_s, m) =
                butt::counterflex(tip, pair, &load.plane, load.t_rsp_s, to_s, 2.0 * found.search.step_s);
            raw.t_counterflex_s = t_s;
            raw.set(F::Counterflex, m);
        }
    } else {
        raw.plane = CastPlane::through(tip.position(times.t_start_s), tip.position(times.t_peak_s));
    }
    if let (Some(upper), true) = (&rod.upper, allowed.butt_speed) {
        let (from, to) = (times.t_start_s, raw.t_rsp_s);
        raw.set(F::ButtSpeed, largest(|t| upper.speed(t), from, to, 2.0 * found.search.step_s).1);
    }
    window_figures(tip, &mut raw, allowed.answer, config);
    if let (Some(pair), Some(plane), Some(_)) = (&rod.pair, raw.plane, allowed.bend_until_s) {
        let turned_deg = butt::arc_deg(pair, &plane, raw.half_s, raw.t_rsp_s);
        raw.set(F::FastArc, turned_deg);
    }
    counterflex_proxy(tip, &mut raw, config, found.search.step_s, last_s.min(next_start_s));
    raw
}

/// Everything that follows from the tip in W.
fn window_figures(tip: &Curve<'_>, raw: &mut Raw, answer: Answer, config: &StrokesConfig) {
    let (start_s, rsp_s) = (raw.times.t_start_s, raw.t_rsp_s);
    raw.set(F::TRsp, rsp_s);
    raw.set(F::Duration, rsp_s - start_s);
    let speed = speed::profile(tip, &raw.times, rsp_s, answer, config);
    raw.half_s = speed.half_s;
    raw.set(F::LatePower, speed.late_power);
    raw.set(F::FastTime, (rsp_s - speed.half_s) * 1000.0);
    raw.set(F::Smoothness, speed.ramp_r2);
    raw.set(F::SignChanges, speed.sign_changes);
    let n = config.resample_points.max(3);
    let points: Vec<Point3<f64>> =
        (0..n).map(|i| tip.position(start_s + (rsp_s - start_s) * i as f64 / (n - 1) as f64)).collect();
    raw.set(F::Chord, (points[n - 1] - points[0]).norm());
    let Some(plane) = raw.plane else {
        raw.set(F::Travel, points.windows(2).map(|w| (w[1] - w[0]).norm()).sum());
        return;
    };
    let shape = shape(&plane, &points);
    raw.set(F::ChordAngle, plane.angle_deg());
    raw.set(F::Travel, shape.travel_m);
    raw.set(F::DipDepth, shape.dip_depth_m);
    raw.set(F::DipAt, shape.dip_at);
    raw.set(F::DomeHeight, shape.dome_height_m);
    raw.set(F::SlpRms, shape.slp_rms_m);
    raw.set(F::Straightness, shape.straightness);
    raw.set(F::OffPlaneMax, shape.off_plane_max_m);
}

/// Depth below the prolonged chord of the tip's lowest point from the rod straight position until the tip turns
/// back after the stop.
fn counterflex_proxy(tip: &Curve<'_>, raw: &mut Raw, config: &StrokesConfig, step_s: f64, end_s: f64) {
    let (Some(plane), true) = (raw.plane, raw.times.t_stop_s.is_finite()) else { return };
    let limit_s = (raw.times.t_stop_s + config.counterflex_within_s).min(end_s);
    let mut to_s = raw.times.t_stop_s.max(raw.t_rsp_s);
    while to_s < limit_s && tip.velocity(to_s).dot(&plane.along) > 0.0 {
        to_s += step_s;
    }
    let to_s = to_s.min(limit_s);
    if to_s > raw.t_rsp_s {
        let depth = |t: f64| -plane.coordinates(&tip.position(t)).h_m;
        raw.set(F::LoopWidthProxy, largest(depth, raw.t_rsp_s, to_s, 2.0 * step_s).1);
    }
}

/// Figures that need a neighbour: pause, angle between chords, creep before, drift after.
fn between(rod: &RodView<'_>, found: &[FoundStroke], allowed: &[Allowed], raws: &mut [Raw], i: usize) {
    let step_s = 2.0 * found[i].search.step_s;
    let this = &raws[i];
    let Some(plane) = this.plane else { return };
    let along = |c: &Curve<'_>, t: f64| (c.position(t) - plane.start).dot(&plane.along);
    let mut drift_m = f64::NAN;
    if let (Some(next), true) = (raws.get(i + 1), allowed[i].pause_after) {
        let (from_s, to_s) = (this.times.t_stop_s, next.times.t_start_s);
        if from_s < to_s {
            let curve = rod.upper.as_ref().unwrap_or(&rod.tip);
            drift_m = largest(|t| along(curve, t), from_s, to_s, step_s).1 - along(curve, from_s);
        }
    }
    let (mut pause_s, mut opposite_deg, mut creep_m) = (f64::NAN, f64::NAN, f64::NAN);
    if let Some(before) = i.checked_sub(1).map(|k| &raws[k]) {
        let (from_s, to_s) = (before.times.t_stop_s, this.times.t_start_s);
        pause_s = to_s - from_s;
        if let Some(other) = before.plane {
            opposite_deg = plane.along.angle(&other.along).to_degrees();
        }
        if allowed[i].pause_before && from_s < to_s {
            creep_m = match &rod.upper {
                Some(upper) => along(upper, to_s) + largest(|t| -along(upper, t), from_s, to_s, step_s).1,
                None => tip_creep_m(&rod.tip, &plane, from_s, to_s, step_s),
            };
        }
    }
    let this = &mut raws[i];
    this.set(F::Drift, drift_m);
    this.set(F::Pause, pause_s);
    this.set(F::Opposite, opposite_deg);
    this.set(F::Creep, creep_m);
}

/// Advance of the tip since it last turned towards the stroke: earlier swings are the rod's, not the caster's.
fn tip_creep_m(tip: &Curve<'_>, plane: &CastPlane, from_s: f64, to_s: f64, step_s: f64) -> f64 {
    let mut t = to_s;
    while t > from_s && tip.velocity(t).dot(&plane.along) > 0.0 {
        t -= step_s;
    }
    (tip.position(to_s) - tip.position(t.max(from_s))).dot(&plane.along).max(0.0)
}
