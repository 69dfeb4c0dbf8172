//! Rods with butt markers: circular-arc bend, elastica, ring-down, degradation.

use nalgebra::{Point3, Vector3};

use crate::model::path::ButtPath;
use crate::model::{Direction, FigureId as F, MarkerPath, RodPaths, Role, RspSource};

use super::made::{FPS, Push, noisy, path, smooth_step};
use super::{StrokesConfig, StrokesOutcome, measure};

/// Straight up to the upper marker, a circular arc beyond.
const LOWER_M: f64 = 0.35;
const UPPER_M: f64 = 0.60;
const FLEXIBLE_M: f64 = 2.74 - UPPER_M;

/// A back and a forward stroke of a rod whose lean and bend are formulas.
#[derive(Debug, Clone, Copy)]
struct MadeRod {
    max_bend_m: f64,
    counterflex_m: f64,
    ring_hz: f64,
    damping: f64,
    pause_s: f64,
    /// Sideways lean of the whole rod, radians.
    cant_rad: f64,
}

const TYPICAL: MadeRod =
    MadeRod { max_bend_m: 0.8, counterflex_m: 0.4, ring_hz: 2.0, damping: 0.12, pause_s: 1.2, cant_rad: 0.0 };

const PUSH: Push = Push { peak_m_s: 1.0, rise_s: 0.35, fall_s: 0.12 };
const FIRST_S: f64 = 1.0;
/// Rod straight after the push began, and the share of that at which the bend is largest (see `bump`).
const RSP_AFTER_S: f64 = 0.40;

impl MadeRod {
    fn stroke_starts_s(&self) -> [f64; 2] {
        [FIRST_S, FIRST_S + PUSH.rise_s + PUSH.fall_s + self.pause_s]
    }

    /// From +35 to -30 and back to +35 degrees.
    fn lean_rad(&self, t: f64) -> f64 {
        let [back, forward] = self.stroke_starts_s();
        let swing = 65.0_f64.to_radians() / PUSH.length_m();
        35.0_f64.to_radians() - swing * PUSH.at(t - back) + swing * PUSH.at(t - forward)
    }

    /// Towards -x: positive when a forward stroke is loaded.
    fn bend_m(&self, t: f64) -> f64 {
        let [back, forward] = self.stroke_starts_s();
        let one = |u: f64, fade: f64| {
            if u <= 0.0 {
                0.0
            } else if u < RSP_AFTER_S {
                self.max_bend_m * (std::f64::consts::PI * (u / RSP_AFTER_S).powi(2)).sin()
            } else {
                let w = std::f64::consts::TAU * self.ring_hz;
                let u = u - RSP_AFTER_S;
                let damped = w * (1.0 - self.damping.powi(2)).sqrt();
                -self.counterflex_m * (-self.damping * w * u).exp() * (damped * u).sin() * fade
            }
        };
        let fade = 1.0 - smooth_step((t - forward + 0.02) / 0.05);
        one(t - forward, 1.0) - one(t - back, fade)
    }

    /// Points on the rod: at a distance along the straight part, or the tip.
    fn point(&self, t: f64, at_m: Option<f64>) -> Point3<f64> {
        let lean = self.lean_rad(t);
        let (axis, ahead) =
            (Vector3::new(lean.sin(), 0.0, lean.cos()), Vector3::new(lean.cos(), 0.0, -lean.sin()));
        let hand = Vector3::new(0.1 * lean, 0.0, 1.2);
        let flat = match at_m {
            Some(at_m) => hand + axis * at_m,
            None => {
                let bend = self.bend_m(t);
                let angle = arc_angle(bend.abs() / FLEXIBLE_M);
                let along = if angle < 1e-9 { 1.0 } else { angle.sin() / angle };
                hand + axis * (UPPER_M + FLEXIBLE_M * along) - ahead * bend
            }
        };
        let (sin, cos) = self.cant_rad.sin_cos();
        Point3::new(flat.x, -sin * flat.z, cos * flat.z)
    }

    fn paths(&self, until_s: f64) -> RodPaths {
        let marker = |at_m: Option<f64>| path(FPS, 0.0, until_s, |t| self.point(t, at_m));
        let butt = |role, at_m| ButtPath { role, at_m, path: marker(Some(at_m)) };
        RodPaths { tip: marker(None), butts: vec![butt(Role::Butt2, UPPER_M), butt(Role::Butt1, LOWER_M)] }
    }

    fn until_s(&self) -> f64 {
        self.stroke_starts_s()[1] + 2.5
    }
}

/// Total bend of an arc whose tip lies `offset` lengths off its butt tangent: (1 - cos t) / t.
fn arc_angle(offset: f64) -> f64 {
    let (mut lo, mut hi) = (0.0, 2.2);
    for _ in 0..60 {
        let t: f64 = (lo + hi) / 2.0;
        let got = if t < 1e-9 { t / 2.0 } else { (1.0 - t.cos()) / t };
        if got > offset { hi = t } else { lo = t }
    }
    (lo + hi) / 2.0
}

fn few_draws() -> StrokesConfig {
    StrokesConfig { synthetic_draws: 4, ..StrokesConfig::default() }
}

fn get(outcome: &StrokesOutcome, i: usize, id: F) -> f64 {
    let figures = &outcome.strokes[i].figures;
    figures.get(id).unwrap_or_else(|| panic!("{id:?}: {:?}", figures.missing.get(&id))).value
}

/// Largest bends from the circular-arc table (offset of the tip from the butt tangent over length for total bends
/// of 20 to 75 degrees: (1 - cos t) / t), forward and back; timing from the bend, never from the chord.
#[test]
fn truth_circular_arc_bend_table() {
    for (bend_deg, offset) in [(20.0, 0.173), (30.0, 0.256), (45.0, 0.373), (60.0, 0.477), (75.0, 0.566)] {
        let exact = (1.0 - f64::to_radians(bend_deg).cos()) / f64::to_radians(bend_deg);
        assert!((exact - offset).abs() < 0.0005);
        let made = MadeRod { max_bend_m: FLEXIBLE_M * exact, ..TYPICAL };
        let outcome = measure(&made.paths(made.until_s()), &few_draws()).unwrap();
        assert_eq!(outcome.strokes.len(), 2, "{:?}", outcome.set_aside);
        for (i, start_s) in made.stroke_starts_s().into_iter().enumerate() {
            assert_eq!(outcome.strokes[i].rsp_source, RspSource::Bend);
            // the cubic between samples 4.2 ms apart is good to 1e-4 of the bend; time to 0.1 ms
            assert!((get(&outcome, i, F::MaxBend) / (FLEXIBLE_M * offset) - 1.0).abs() < 0.003, "{bend_deg}");
            // the made bend has a corner at zero (from -13 to -3 m/s), rounded within half a frame of 4.2 ms
            assert!((get(&outcome, i, F::TRsp) - start_s - RSP_AFTER_S).abs() < 1e-3);
            // sin(pi x^2) is largest at x = sqrt(1/2)
            let lead_ms = 1000.0 * RSP_AFTER_S * (1.0 - 0.5_f64.sqrt());
            assert!((get(&outcome, i, F::BendLead) - lead_ms).abs() < 1.0);
            let from_s = get(&outcome, i, F::TStart);
            let arc = (made.lean_rad(start_s + RSP_AFTER_S) - made.lean_rad(from_s)).abs().to_degrees();
            assert!((get(&outcome, i, F::Arc) - arc).abs() < 0.05, "{} {arc}", get(&outcome, i, F::Arc));
            // the fast part: from where half of the peak is reached, which late power tells, by the made lean
            let half_s = from_s + get(&outcome, i, F::LatePower) * (start_s + RSP_AFTER_S - from_s);
            let fast = (made.lean_rad(start_s + RSP_AFTER_S) - made.lean_rad(half_s)).abs().to_degrees();
            assert!(
                (get(&outcome, i, F::FastArc) - fast).abs() < 0.1,
                "{} {fast}",
                get(&outcome, i, F::FastArc)
            );
            assert!((get(&outcome, i, F::FastTime) - 1e3 * (start_s + RSP_AFTER_S - half_s)).abs() < 1.0);
        }
    }
}

#[test]
fn counterflex_and_ring_down() {
    for (hz, damping) in [(1.4, 0.15), (1.7, 0.10), (2.4, 0.06)] {
        let made = MadeRod { ring_hz: hz, damping, ..TYPICAL };
        let outcome = measure(&made.paths(made.until_s()), &few_draws()).unwrap();
        for i in 0..2 {
            // first extreme of exp(-z w u) sin(w' u)
            let angle = ((1.0_f64 - damping.powi(2)).sqrt() / damping).atan();
            let first = (-damping * angle / (1.0_f64 - damping.powi(2)).sqrt()).exp() * angle.sin();
            assert!((get(&outcome, i, F::Counterflex) / (made.counterflex_m * first) - 1.0).abs() < 0.003);
            assert!(
                (get(&outcome, i, F::RingFrequency) / hz - 1.0).abs() < 0.005,
                "{hz} {}",
                get(&outcome, i, F::RingFrequency)
            );
            assert!(
                (get(&outcome, i, F::RingDamping) - damping).abs() < 0.005,
                "{hz} {}",
                get(&outcome, i, F::RingDamping)
            );
        }
    }
}

/// Signs: in a stroke loaded is positive both ways; in rod.csv a loaded back stroke is negative and the butt's
/// elevation grows.
#[test]
fn signs_of_bend_and_angle() {
    let made = TYPICAL;
    let outcome = measure(&made.paths(made.until_s()), &few_draws()).unwrap();
    assert_eq!(outcome.strokes[0].direction, Direction::Back);
    assert_eq!(outcome.strokes[1].direction, Direction::Forward);
    let rows = outcome.rod.as_ref().unwrap();
    for (i, start_s) in made.stroke_starts_s().into_iter().enumerate() {
        let at_s = start_s + RSP_AFTER_S * 0.5_f64.sqrt();
        let row = rows.iter().min_by(|a, b| (a.t_s - at_s).abs().total_cmp(&(b.t_s - at_s).abs())).unwrap();
        let sample = outcome.strokes[i]
            .samples
            .iter()
            .min_by(|a, b| (a.t_s - at_s).abs().total_cmp(&(b.t_s - at_s).abs()))
            .unwrap();
        assert!((row.bend_m - made.bend_m(row.t_s)).abs() < 1e-3);
        assert!((90.0 - row.butt_angle_deg - made.lean_rad(row.t_s).to_degrees()).abs() < 1e-3);
        assert!((sample.bend_m.unwrap() - made.bend_m(sample.t_s).abs()).abs() < 1e-3);
        assert_eq!(sample.butt_angle_deg.unwrap(), row.butt_angle_deg);
        assert!(row.bend_sigma_m > 0.0);
    }
    assert_eq!(rows.len(), made.paths(made.until_s()).tip.samples.len());
}

/// A rod canted sideways by 20 degrees bends in its own plane: the offset is the same, not its vertical shadow.
#[test]
fn a_canted_rod_has_the_same_bend() {
    let made = MadeRod { cant_rad: 0.35, ..TYPICAL };
    let outcome = measure(&made.paths(made.until_s()), &few_draws()).unwrap();
    for i in 0..2 {
        assert!((get(&outcome, i, F::MaxBend) / made.max_bend_m - 1.0).abs() < 0.01);
        assert!((get(&outcome, i, F::TRsp) - made.stroke_starts_s()[i] - RSP_AFTER_S).abs() < 1e-3);
    }
}

#[test]
fn one_marker_gives_what_it_can_and_says_what_it_cannot() {
    let made = TYPICAL;
    let mut paths = made.paths(made.until_s());
    paths.butts.truncate(1);
    let outcome = measure(&paths, &few_draws()).unwrap();
    assert!(outcome.rod.is_none());
    let figures = &outcome.strokes[1].figures;
    for id in [F::ButtSpeed, F::Creep, F::DipDepth, F::PeakSpeed] {
        assert!(figures.get(id).is_some(), "{id:?}");
    }
    for id in [F::Arc, F::MaxBend, F::BendLead, F::PeakLead, F::Counterflex, F::RingFrequency] {
        assert!(figures.missing[&id].contains("second butt marker"), "{id:?}");
    }
    assert_eq!(outcome.strokes[1].rsp_source, RspSource::Speed);
}

#[test]
fn a_hidden_marker_costs_the_bend_and_nothing_else() {
    let made = TYPICAL;
    let mut paths = made.paths(made.until_s());
    let forward = made.stroke_starts_s()[1];
    paths.butts[0].path.samples.retain(|s| s.t_s < forward + 0.2 || s.t_s > forward + 0.3);
    let outcome = measure(&paths, &few_draws()).unwrap();
    assert_eq!(outcome.strokes[0].rsp_source, RspSource::Bend);
    let hurt = &outcome.strokes[1];
    assert_eq!(hurt.rsp_source, RspSource::Speed);
    assert!(hurt.figures.get(F::DipDepth).is_some() && hurt.figures.get(F::Arc).is_none());
    assert!(hurt.figures.missing[&F::MaxBend].contains("not seen"));
    let rows = outcome.rod.unwrap();
    assert!(rows.iter().all(|r| r.t_s <= forward + 0.2 || r.t_s >= forward + 0.3));
}

/// Hidden after the stop, long before the rod would have had to come straight at the latest: it was straight before that, and
/// only counterflex is lost.
#[test]
fn a_marker_hidden_after_the_rod_is_straight_costs_counterflex_only() {
    let made = TYPICAL;
    let mut paths = made.paths(made.until_s());
    let forward = made.stroke_starts_s()[1];
    paths.butts[0].path.samples.retain(|s| s.t_s < forward + 0.48 || s.t_s > forward + 0.56);
    let outcome = measure(&paths, &few_draws()).unwrap();
    let hurt = &outcome.strokes[1];
    assert_eq!(hurt.rsp_source, RspSource::Bend);
    assert!((get(&outcome, 1, F::TRsp) - forward - RSP_AFTER_S).abs() < 1e-3);
    assert!(hurt.figures.get(F::Arc).is_some() && hurt.figures.get(F::ButtSpeed).is_some());
    assert!(hurt.figures.missing[&F::Counterflex].contains("through counterflex"));
}

/// Markers off the rod's axis: the bend never comes back to zero, and that is said instead of a wrong moment.
#[test]
fn a_bend_that_never_crosses_zero_falls_back_to_speed() {
    let made = MadeRod { counterflex_m: 0.01, ..TYPICAL };
    let mut paths = made.paths(made.until_s());
    for s in &mut paths.butts[0].path.samples {
        s.position_in_world += Vector3::new(0.03, 0.0, 0.0);
    }
    let outcome = measure(&paths, &few_draws()).unwrap();
    assert!(outcome.strokes.iter().any(|s| s.rsp_source == RspSource::Speed));
    assert!(outcome.warnings.iter().any(|w| w.about == "bend"));
}

/// Noise of 2 mm at the tip and 0.5 mm at the slower butt markers, which the lever of 2.14 m over 0.25 m turns into
/// 7 mm of bend: rod straight position within 2 ms, bend within 3 %, its
/// time within 4 ms, arc within 1 degree, ring-down within 3 %, and intervals that hold the truth.
#[test]
fn figures_of_the_rod_under_noise() {
    let made = TYPICAL;
    let clean = made.paths(made.until_s());
    let config = StrokesConfig { synthetic_draws: 200, ..StrokesConfig::default() };
    let truth = measure(&clean, &config).unwrap();
    let with_sd = |p: &MarkerPath, sd_m: f64| {
        let mut p = p.clone();
        p.samples.iter_mut().for_each(|s| s.position_sd_m = Vector3::repeat(sd_m));
        p
    };
    let ids = [F::TRsp, F::MaxBend, F::BendLead, F::Arc, F::RingFrequency, F::Counterflex];
    let mut misses: Vec<Vec<f64>> = vec![Vec::new(); ids.len()];
    let mut held: Vec<usize> = vec![0; ids.len()];
    for seed in 0..120 {
        let l = config.noise_correlation_samples;
        let mut paths = clean.clone();
        paths.tip = noisy(&with_sd(&clean.tip, 0.002), 10 + 3 * seed, l);
        for (k, b) in paths.butts.iter_mut().enumerate() {
            b.path = noisy(&with_sd(&b.path, 0.0005), 11 + 3 * seed + k as u64, l);
        }
        let got = measure(&paths, &StrokesConfig { seed: 1000 + seed, ..config.clone() }).unwrap();
        for i in 0..2 {
            for (k, id) in ids.iter().enumerate() {
                let m = got.strokes[i].figures.get(*id).unwrap();
                let miss = m.value - truth.strokes[i].figures.get(*id).unwrap().value;
                misses[k].push(miss.abs());
                held[k] += usize::from(miss.abs() <= m.half_width_95());
            }
        }
    }
    let cases = misses[0].len();
    let rms: Vec<f64> =
        misses.iter().map(|m| (m.iter().map(|x| x * x).sum::<f64>() / cases as f64).sqrt()).collect();
    println!("rms of misses {rms:?} for {ids:?}; {held:?} of {cases} intervals hold");
    let bars = [0.002, 0.03 * made.max_bend_m, 4.0, 1.0, 0.03 * made.ring_hz];
    for ((id, got), bar) in ids.iter().zip(&rms).zip(bars) {
        assert!(got < &bar, "{id:?} {got}");
    }
    // 288 intervals: 0.95 within 0.025
    let share = held.iter().sum::<usize>() as f64 / (ids.len() * cases) as f64;
    assert!((0.925..=0.975).contains(&share), "{share}");
}
