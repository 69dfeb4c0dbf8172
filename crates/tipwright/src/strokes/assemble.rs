//! Runs the stage: segments, measures the path and every draw of it, and puts strokes together.

use nalgebra::{Point3, Vector3};
use rayon::prelude::*;

use crate::model::{
    FigureId as F, Figures, MarkerPath, Measured, PathSample, RodPaths, RspSource, Severity, Stroke,
    StrokeKind, Warning,
};

use super::butt::{counterflex_end_s, rsp_limit_s};
use super::config::StrokesConfig;
use super::direction::{Around, Casting, casting};
use super::draws;
use super::figures::{Other, by_draw, doubt, figures};
use super::kind::kinds;
use super::missing::{Reasons, reasons};
use super::plane::CastPlane;
use super::raw::{Allowed, Answer, Raw, RodView, measure_all};
use super::ring::{self, Ring};
use super::rod::Rod;
use super::samples::{rod_samples, samples};
use super::segment::{Cut, FoundStroke, Segments, segment};
use super::times::SeenBy;
use super::{StrokesError, StrokesOutcome};

/// Time from the first moment at which the butt turns at a tenth of its fastest back to when it set off: what a constant
/// acceleration over half a second takes to come so far.
const SETS_OFF_S: f64 = 0.05;

/// The rod must be straight so long before its butt markers are lost: in some draws it is so a little later.
const STRAIGHT_BEFORE_S: f64 = 0.02;

pub(super) fn measure(paths: &RodPaths, config: &StrokesConfig) -> Result<StrokesOutcome, StrokesError> {
    let rod = Rod::of(paths, config)?;
    let mut warnings = Vec::new();
    let Segments { found, cut, set_aside } = segment(&rod.tip.columns, config);
    if found.is_empty() {
        warnings.push(Warning::new(
            Severity::Warning,
            "strokes",
            "no stroke was found in the path",
            "Look at what was set aside and why; the clip may not show a whole stroke",
        ));
        return Ok(StrokesOutcome { strokes: Vec::new(), rod: None, set_aside, warnings });
    }
    let (allowed, raws, fell_back) = measure_path(&rod, &found, config);
    let by_draw = by_draw(&rod, &found, &allowed, config);
    let again = rod.smoothed_again().map(|view| measure_all(&view, &found, &allowed, config));
    let views: Vec<u8> = raws.iter().map(|raw| views(&paths.tip, raw)).collect();
    let is_doubted = |answer: Answer, i: usize| match answer {
        Answer::OtherStart(seen_by) => seen_by == SeenBy::of(views[i]),
        _ => true,
    };
    let answers = [
        Answer::OtherRsp,
        Answer::OtherStart(SeenBy::One),
        Answer::OtherStart(SeenBy::Several),
        Answer::OtherHalf,
    ];
    let others: Vec<Other> = answers
        .into_iter()
        .filter(|answer| (0..raws.len()).any(|i| is_doubted(*answer, i)))
        .filter_map(|answer| Other::of(&rod, &found, &raws, &allowed, answer, config))
        .collect();
    let ways: Vec<Vector3<f64>> = raws.iter().zip(&found).map(|(r, f)| way(r, f)).collect();
    let nominal = rod.nominal();
    let chords: Vec<[Point3<f64>; 2]> =
        raws.iter().map(|r| [r.times.t_start_s, r.times.t_peak_s].map(|t| nominal.tip.position(t))).collect();
    let t = &rod.tip.columns.t_s;
    let path = rod.tip.columns.nominal.positions_in_world.iter().copied();
    let around = Around::of(&raws, &cut, &ways, (t[0], t[t.len() - 1]));
    let casting = casting(&raws, &ways, &chords, path, &around, config, &mut warnings);
    let kinds = kinds(&raws, &cut, &casting, &chords, &rod.tip.columns);
    let strokes: Vec<Stroke> = (0..found.len())
        .into_par_iter()
        .map(|i| {
            let reasons = reasons(&rod, &raws, &cut, &allowed, fell_back[i], i);
            let mut made = stroke(
                &rod,
                &found,
                &raws,
                &by_draw,
                again.as_deref(),
                &allowed,
                &casting,
                &reasons,
                i,
                config,
            );
            for other in others.iter().filter(|o| is_doubted(o.answer, i) && o.differs(&raws, i)) {
                let figures = figures(&rod, &other.raws[i], &other.by_draw, None, &reasons, i, config);
                doubt(&mut made.figures, &figures);
            }
            let views = views[i];
            if views == 1 {
                made.figures.set_missing(F::OffPlaneMax, "one camera alone does not see it");
            }
            Stroke { kind: kinds[i].0, kind_p: kinds[i].1, views, ..made }
        })
        .collect();
    warnings.extend(not_whole(&rod, &cut));
    if fell_back.iter().any(|f| *f) {
        warnings.push(Warning::new(
            Severity::Warning,
            "bend",
            "in some strokes the bend never comes back to zero, so the rod straight position was taken from tip speed",
            "Check that the butt markers sit on the rod's axis and that their distances in session.toml are right",
        ));
    }
    if rod.is_synthetic {
        warnings.push(Warning::new(
            Severity::Note,
            "standard deviations",
            "the path brings no draws of its error; draws were made from its samples' standard deviations, correlated over a few samples",
            "Errors of scale and clocks are not in them",
        ));
    }
    let rod_rows = rod.pair().is_some().then(|| rod_samples(&rod, &casting));
    Ok(StrokesOutcome { strokes, rod: rod_rows, set_aside, warnings })
}

/// Says which strokes were left out because they were not seen whole: a clip that begins or ends within the casting is usual, a
/// tip lost from the pictures in between is not.
fn not_whole(rod: &Rod<'_>, cuts: &[Cut]) -> Vec<Warning> {
    let t = &rod.tip.columns.t_s;
    let (first_s, last_s) = (t[0], t[t.len() - 1]);
    let at_end = |c: &Cut| c.from_s <= first_s || c.to_s >= last_s;
    let spans = |at_ends: bool| {
        let of = cuts.iter().filter(|c| at_end(c) == at_ends);
        of.map(|c| format!("{:.2} to {:.2} s", c.from_s, c.to_s)).collect::<Vec<_>>().join(", ")
    };
    let told = |severity, at_ends, why: &str, remedy: &str| {
        let spans = spans(at_ends);
        (!spans.is_empty()).then(|| {
            Warning::new(severity, "strokes not seen whole", format!("left out, for {why}: {spans}"), remedy)
        })
    };
    let at_ends = told(
        Severity::Note,
        true,
        "what was seen of the tip begins or ends within the stroke",
        "Start both clips before the pick-up and end them after the delivery",
    );
    let within = told(
        Severity::Warning,
        false,
        "the tip was lost from the pictures during the stroke",
        "Look in the film at what hides the tip there, or whether it leaves a picture; move that tripod back",
    );
    at_ends.into_iter().chain(within).collect()
}

/// Cameras that saw the tip in W: most of them at one instant, for each may miss some.
fn views(tip: &MarkerPath, raw: &Raw) -> u8 {
    let in_w = |s: &&PathSample| s.t_s >= raw.times.t_start_s && s.t_s <= raw.t_rsp_s;
    tip.samples.iter().filter(in_w).map(|s| s.views).max().unwrap_or(0)
}

/// The path's own figures, and what the markers allow; `true` where the bend gave no rod straight position.
fn measure_path(
    rod: &Rod<'_>,
    found: &[FoundStroke],
    config: &StrokesConfig,
) -> (Vec<Allowed>, Vec<Raw>, Vec<bool>) {
    let t = &rod.tip.columns.t_s;
    let end_s = t[t.len() - 1];
    let mut allowed: Vec<Allowed> = found
        .iter()
        .enumerate()
        .map(|(i, f)| {
            let start_s = f.times.t_start_s;
            let limit_s = rsp_limit_s(&f.times, end_s);
            let next_start_s = found.get(i + 1).map_or(f64::INFINITY, |n| n.times.t_start_s);
            let flex_s = counterflex_end_s(&f.times, next_start_s, config).min(end_s);
            let covers = |from: f64, to: f64| {
                if rod.butts.is_empty() {
                    rod.tip.columns.covers(from, to)
                } else {
                    rod.upper_covers(from, to)
                }
            };
            // seen so long after the stop that a rod comes straight, or not: then as long as they are
            let stop_s = if f.times.t_stop_s.is_finite() { f.times.t_stop_s } else { limit_s };
            let seen = rod.pair_until(start_s).filter(|until_s| *until_s >= stop_s.min(limit_s));
            let bend_until_s = seen.map(|until_s| if until_s < limit_s { until_s } else { f64::INFINITY });
            Allowed {
                bend_until_s,
                counterflex: rod.pair_covers(start_s, limit_s.max(flex_s)),
                butt_speed: bend_until_s.is_some() || rod.upper_covers(start_s, limit_s),
                pause_before: i > 0 && covers(found[i - 1].times.t_stop_s, start_s),
                pause_after: covers(f.times.t_stop_s, next_start_s.min(end_s)),
                answer: Answer::Own,
            }
        })
        .collect();
    let nominal = rod.nominal();
    let first = measure_all(&nominal, found, &allowed, config);
    let mut fell_back = Vec::with_capacity(first.len());
    for (a, raw) in allowed.iter_mut().zip(&first) {
        // false for NaN as well
        let comes_straight = a.bend_until_s.is_some_and(|s| raw.t_rsp_s < s - STRAIGHT_BEFORE_S);
        fell_back.push(a.bend_until_s == Some(f64::INFINITY) && !comes_straight);
        if !comes_straight {
            (a.bend_until_s, a.counterflex) = (None, false);
        }
    }
    let raws = measure_all(&nominal, found, &allowed, config);
    (allowed, raws, fell_back)
}

fn way(raw: &Raw, found: &FoundStroke) -> Vector3<f64> {
    let flat = Vector3::new(found.search.way.x, found.search.way.y, 0.0);
    raw.plane.map_or_else(|| flat.try_normalize(1e-6).unwrap_or_else(Vector3::x), |p| p.way)
}

#[allow(clippy::too_many_arguments, reason = "joins everything the stage has found")]
fn stroke(
    rod: &Rod<'_>,
    found: &[FoundStroke],
    raws: &[Raw],
    by_draw: &[Vec<Raw>],
    again: Option<&[Raw]>,
    allowed: &[Allowed],
    casting: &Casting,
    reasons: &Reasons,
    i: usize,
    config: &StrokesConfig,
) -> Stroke {
    let raw = &raws[i];
    let again = again.map(|raws| &raws[i]);
    let mut figures = figures(rod, raw, by_draw, again, reasons, i, config);
    ring_figures(rod, raws, by_draw, allowed, reasons, i, config, &mut figures);
    let nominal = rod.nominal();
    let chord = [raw.times.t_start_s, raw.t_rsp_s].map(|t| casting.cast_from_world * nominal.tip.position(t));
    Stroke {
        stroke: i as u32 + 1,
        direction: casting.directions[i],
        direction_p: casting.certainty,
        kind: StrokeKind::False,
        kind_p: 0.0,
        views: 0,
        rsp_source: if allowed[i].bend_until_s.is_some() { RspSource::Bend } else { RspSource::Speed },
        loop_shape: None,
        slap: None,
        figures,
        cast_from_world: casting.cast_from_world,
        chord_in_cast: chord,
        samples: samples(rod, &nominal, &found[i], raw, by_draw, casting, i),
    }
}

/// Ring-down: fitted on the path; its standard deviation from fits of the draws, each over its own stretch, or from errors
/// that last, whichever is larger.
#[allow(clippy::too_many_arguments, reason = "joins everything the stage has found")]
fn ring_figures(
    rod: &Rod<'_>,
    raws: &[Raw],
    by_draw: &[Vec<Raw>],
    allowed: &[Allowed],
    reasons: &Reasons,
    i: usize,
    config: &StrokesConfig,
    figures: &mut Figures,
) {
    let ids = [F::RingFrequency, F::RingDamping];
    if ids.iter().any(|id| reasons.contains_key(id)) {
        return;
    }
    let fitted = ring_of(rod, raws, allowed, i, config);
    let (ring, plane) = match fitted {
        Ok(fitted) => fitted,
        Err(reason) => {
            ids.iter().for_each(|id| figures.set_missing(*id, reason));
            return;
        }
    };
    let mut drawn = [Vec::new(), Vec::new()];
    for (k, d) in by_draw.iter().enumerate() {
        let from_s = d[i].t_rsp_s;
        let next_s = d.get(i + 1).map_or(f64::NEG_INFINITY, |next| next.times.t_peak_s);
        let drawn_rod = rod.draw_within(k, (from_s, next_s.max(from_s + config.ring_window_s)));
        let view = drawn_rod.view();
        let to_s = ring_end_s(rod, &view, &d[i], d.get(i + 1), config);
        let again = (to_s - from_s > 0.1)
            .then(|| ring::instants(from_s, to_s))
            .and_then(|t_s| ring::refit(&ring, &t_s, &bends(&view, &plane, &t_s)));
        let (f, z) = again.unwrap_or((f64::NAN, f64::NAN));
        drawn[0].push(f);
        drawn[1].push(z);
    }
    let raw = &raws[i];
    let view = rod.nominal();
    // the stretch ends where the butt sets off, told to half of the time allowed for it: what that does is the fit's own
    let end_s = ring_end_s(rod, &view, raw, raws.get(i + 1), config);
    let to_s = end_s - SETS_OFF_S / 2.0;
    let own = (to_s - raw.t_rsp_s > 0.1)
        .then(|| ring::instants(raw.t_rsp_s, to_s))
        .and_then(|t_s| ring::refit(&ring, &t_s, &bends(&view, &plane, &t_s)))
        .map_or([0.0; 2], |(f, z)| [f - ring.frequency_hz, z - ring.damping]);
    let t_s = ring::instants(raw.t_rsp_s, end_s);
    let lasting = ring::lasting_sd(&ring, &t_s, &bends(&view, &plane, &t_s), bend_sd_m(rod, &plane, &t_s));
    let lasting = lasting.unwrap_or([f64::NAN; 2]);
    let values = [ring.frequency_hz, ring.damping];
    for (k, (id, value)) in ids.into_iter().zip(values).enumerate() {
        let sd = draws::sd(id, value, &drawn[k], None).unwrap_or(f64::NAN);
        let unseen = if rod.is_synthetic { 0.0 } else { draws::unseen(id, value) };
        figures.set(id, Measured::new(value, sd.max(lasting[k]).hypot(own[k]).hypot(unseen)));
    }
}

/// Root mean square of the bend's standard deviation over a stretch.
fn bend_sd_m(rod: &Rod<'_>, plane: &CastPlane, t_s: &[f64]) -> f64 {
    let some: Vec<f64> = t_s.iter().step_by(6).copied().collect();
    let drawn = drawn_bends(rod, plane, &some);
    let squares =
        (0..some.len()).map(|n| draws::spread(&drawn.iter().map(|d| d[n]).collect::<Vec<_>>()).powi(2));
    (squares.sum::<f64>() / some.len() as f64).sqrt()
}

/// The bend of every draw at some instants, in order of time.
fn drawn_bends(rod: &Rod<'_>, plane: &CastPlane, t_s: &[f64]) -> Vec<Vec<f64>> {
    let between_s = (t_s[0], t_s[t_s.len() - 1]);
    (0..rod.draw_count).map(|k| bends(&rod.draw_within(k, between_s).view(), plane, t_s)).collect()
}

fn bends(view: &RodView<'_>, plane: &CastPlane, t_s: &[f64]) -> Vec<f64> {
    view.pair
        .map_or_else(Vec::new, |pair| t_s.iter().map(|&t| pair.bend_m(&view.tip, &plane.left, t).0).collect())
}

fn ring_of(
    rod: &Rod<'_>,
    raws: &[Raw],
    allowed: &[Allowed],
    i: usize,
    config: &StrokesConfig,
) -> Result<(Ring, CastPlane), &'static str> {
    let raw = &raws[i];
    let (Some(plane), true) = (raw.plane, allowed[i].counterflex && raw.t_counterflex_s.is_finite()) else {
        return Err("the butt markers are not seen through counterflex");
    };
    let to_s = ring_end_s(rod, &rod.nominal(), raw, raws.get(i + 1), config);
    if to_s - raw.t_rsp_s < 0.1 {
        return Err("the next stroke or the end of the path comes before the rod has swung once");
    }
    let t_s = ring::instants(raw.t_rsp_s, to_s);
    let bend_m = bends(&rod.nominal(), &plane, &t_s);
    let noise_m =
        draws::spread(&drawn_bends(rod, &plane, &t_s[..1]).iter().map(|b| b[0]).collect::<Vec<_>>());
    ring::fit(&t_s, &bend_m, if noise_m.is_finite() { noise_m } else { 0.0 }).map(|r| (r, plane))
}

/// Last instant of the stretch in which the rod rings freely on one path (the path itself or a draw).
fn ring_end_s(
    rod: &Rod<'_>,
    view: &RodView<'_>,
    raw: &Raw,
    next: Option<&Raw>,
    config: &StrokesConfig,
) -> f64 {
    let columns = &rod.tip.columns;
    let mut to_s = (raw.t_rsp_s + config.ring_window_s).min(columns.t_s[columns.t_s.len() - 1]);
    if let Some(next) = next {
        to_s = to_s.min(butt_sets_off_s(view, next, raw.t_counterflex_s, columns.step_s));
    }
    // up to the first gap of any marker
    for m in rod.butts.iter().chain([&rod.tip]) {
        to_s = m.columns.gap_in(raw.t_rsp_s, to_s).map_or(to_s, |g| to_s.min(g.0));
        to_s = to_s.min(m.columns.t_s[m.columns.t_s.len() - 1]);
    }
    to_s
}

/// When the butt begins to turn for the next stroke: the rod loads well before the tip moves. Walking back from the
/// tip's start, the first moment at which the butt turns slower than a tenth of its fastest in W, less the time a
/// constant acceleration over 0.5 s takes to come so far.
fn butt_sets_off_s(view: &RodView<'_>, next: &Raw, not_before_s: f64, step_s: f64) -> f64 {
    let (Some(pair), Some(plane)) = (view.pair, next.plane) else { return next.times.t_start_s };
    let rate = |t: f64| pair.turning_rad_s(&plane.way, t);
    let (from_s, to_s) = (next.times.t_start_s, next.times.t_peak_s);
    let fastest = (0..=20).map(|i| rate(from_s + (to_s - from_s) * f64::from(i) / 20.0)).fold(0.0, f64::max);
    let mut t = from_s;
    while t > not_before_s && rate(t) > 0.1 * fastest {
        t -= 0.25 * step_s;
    }
    t - SETS_OFF_S
}
