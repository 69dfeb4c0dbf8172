//! Closed forms and published tables.

use approx::assert_relative_eq;
use nalgebra::Point3;

use crate::model::FigureId as F;
use crate::model::{Direction, RspSource};

use super::made::{FPS, Push, path, tip_only};
use super::{StrokesConfig, measure};

const ROD_M: f64 = 2.74;

/// A rigid rod turning about a fixed hand at 2 m: constant angular acceleration from rest through `arc` in
/// `rise_s`, then a stop in 0.1 s. `lean` is the angle from the vertical at the start.
fn pivot(lean_rad: f64, arc_rad: f64, rise_s: f64) -> crate::model::RodPaths {
    let push = Push { peak_m_s: 2.0 * arc_rad / rise_s, rise_s, fall_s: 0.1 };
    tip_only(path(FPS, 0.0, rise_s + 3.0, |t| {
        let angle = lean_rad + push.at(t - 1.0);
        Point3::new(ROD_M * angle.sin(), 0.0, 2.0 + ROD_M * angle.cos())
    }))
}

fn figure(outcome: &super::StrokesOutcome, i: usize, id: F) -> f64 {
    outcome.strokes[i]
        .figures
        .get(id)
        .unwrap_or_else(|| panic!("{id:?}: {:?}", outcome.strokes[i].figures))
        .value
}

/// Rigid rod about a fixed hand: chord 2 L sin(arc/2), dome L (1 - cos(arc/2)); closed form, tabulated in the
/// project's casting notes for 2.74 m to 1 cm and 1 mm. W starts at 20 % of the peak, which under constant
/// acceleration is 4 % of the arc, so the rod turns arc / 0.96.
#[test]
fn truth_rigid_rod_dome_table() {
    let table = [(40.0, 1.87, 0.165), (60.0, 2.74, 0.367), (75.0, 3.34, 0.566), (90.0, 3.88, 0.803)];
    for (arc_deg, chord_m, dome_m) in table {
        let arc = f64::to_radians(arc_deg);
        let whole = arc / 0.96;
        let outcome = measure(&pivot(arc / 2.0 - whole, whole, 0.4), &StrokesConfig::default()).unwrap();
        assert_eq!(outcome.strokes.len(), 1, "{arc_deg}: {:?}", outcome.set_aside);
        // the tables are rounded to 1 cm and 1 mm; the corner of the speed at the peak is found to a third of a
        // frame of 4.2 ms: at up to 22 m/s 3 cm of chord, and for the dome that times sin(arc / 2) / 2
        let late_m = figure(&outcome, 0, F::PeakSpeed) * 0.0014;
        let dome_bar = 0.0005 + late_m * (arc / 2.0).sin() / 2.0;
        assert!((figure(&outcome, 0, F::Chord) - chord_m).abs() < 0.005 + late_m, "{arc_deg}");
        assert!((figure(&outcome, 0, F::DomeHeight) - dome_m).abs() < dome_bar, "{arc_deg}");
        assert!(figure(&outcome, 0, F::DipDepth) < 1e-4);
        assert_relative_eq!(figure(&outcome, 0, F::Straightness), dome_m / chord_m, max_relative = 0.02);
        let travel = ROD_M * arc;
        assert_relative_eq!(figure(&outcome, 0, F::Travel), travel, max_relative = 0.01);
        assert!(figure(&outcome, 0, F::ChordAngle).abs() < 0.3);
        assert_eq!(outcome.strokes[0].rsp_source, RspSource::Speed);
    }
}

/// Constant angular acceleration from rest, rigid 2.74 m rod: 60 degrees in 0.25 s, 75 in 0.40 s, 90 in 0.50 s
/// give tip speeds of 23.0, 17.9 and 17.2 m/s (2 arc L / T). Late power: half the peak comes after 3/8 of W.
#[test]
fn truth_constant_acceleration_peak_speeds() {
    for (arc_deg, rise_s, peak) in [(60.0, 0.25, 23.0), (75.0, 0.40, 17.9), (90.0, 0.50, 17.2)] {
        let arc = f64::to_radians(arc_deg);
        let outcome = measure(&pivot(-arc / 2.0, arc, rise_s), &StrokesConfig::default()).unwrap();
        // rounded to 0.05; the corner at the peak adds up to 0.2 %
        assert!((figure(&outcome, 0, F::PeakSpeed) - peak).abs() < 0.05 + 0.002 * peak, "{arc_deg}");
        assert!((figure(&outcome, 0, F::LatePower) - 0.375).abs() < 0.004);
        // half the peak at half the rise; the corner at the peak is found to a third of a frame
        assert!((figure(&outcome, 0, F::FastTime) - 500.0 * rise_s).abs() < 1.5, "{arc_deg}");
        assert!(figure(&outcome, 0, F::Smoothness) > 0.9999);
        assert_eq!(figure(&outcome, 0, F::SignChanges), 0.0);
        assert!((figure(&outcome, 0, F::Duration) - 0.8 * rise_s).abs() < 0.001);
        assert!((figure(&outcome, 0, F::TStart) - (1.0 + 0.2 * rise_s)).abs() < 2e-4);
        // a cosine fall from peak to zero in 0.1 s passes 20 % at acos(2 * 0.2 - 1) / pi of it
        let stop_ms = 100.0 * (-0.6_f64).acos() / std::f64::consts::PI;
        assert!((figure(&outcome, 0, F::Stop) - stop_ms).abs() < 1.0);
    }
}

/// A straight path with a raised-cosine dip of known depth between two points at chord height: the hull is the
/// chord there, so the depth is the dip's own.
#[test]
fn dips_of_known_depth() {
    let push = Push { peak_m_s: 18.0, rise_s: 0.35, fall_s: 0.1 };
    for depth_m in [0.0, 0.002, 0.010, 0.030, 0.060] {
        for (centre_m, width_m) in [(1.6, 0.8), (1.2, 0.5), (2.4, 0.9)] {
            for tilt in [0.0, 0.2, -0.3] {
                let (sin, cos) = f64::sin_cos(tilt);
                let rod = tip_only(path(FPS, 0.0, 3.5, |t| {
                    let s = push.at(t - 1.0);
                    let u = (s - centre_m) / width_m;
                    let dip = if u.abs() < 0.5 { (std::f64::consts::PI * u).cos().powi(2) } else { 0.0 };
                    let h = -depth_m * dip;
                    Point3::new(s * cos - h * sin, 0.3, 3.0 + s * sin + h * cos)
                }));
                let outcome = measure(&rod, &StrokesConfig::default()).unwrap();
                let got = figure(&outcome, 0, F::DipDepth);
                // 201 points: at most half a step of 20 mm from the bottom, curvature 2 pi^2 d / width^2; the
                // cubic between samples adds h^4 / 384 of the fourth derivative: 0.2 % on the narrow dip
                let bar = 1e-6 + 0.004 * depth_m;
                assert!((got - depth_m).abs() < bar, "{depth_m} {centre_m}: {got}");
                // where a dip is that cannot be told from none, nobody knows
                let of = &outcome.strokes[0].figures;
                let stated = of.get(F::DipDepth).unwrap();
                let is_told = stated.value > stated.half_width_95();
                let is_anywhere = of.get(F::DipAt).is_none_or(|at| at.sd > 0.25);
                assert_eq!(!is_anywhere, is_told, "{depth_m}: {stated:?}");
                assert!(is_told || depth_m < 0.01, "{depth_m}: {stated:?}");
                assert!(!is_told || depth_m > 0.0, "{stated:?}");
                if is_told {
                    let start_m = push.at(0.2 * push.rise_s);
                    let end_m = push.at(push.rise_s);
                    let at = (centre_m - start_m) / (end_m - start_m);
                    assert!((figure(&outcome, 0, F::DipAt) - at).abs() < 0.012);
                    // 0.3 rad = 17 deg
                    assert!((figure(&outcome, 0, F::ChordAngle) - tilt.to_degrees()).abs() < 0.05);
                }
            }
        }
    }
}

/// A parabola h = 4 H x (1 - x) over chord c has rms H sqrt(4/45) about its best line (closed form: the line is
/// h = 2H/3), when the path is flat enough for length along it to be length along the chord.
#[test]
fn slp_of_a_shallow_parabola() {
    let push = Push { peak_m_s: 15.0, rise_s: 0.4, fall_s: 0.1 };
    let (start_m, end_m) = (push.at(0.08), push.at(0.4));
    let height_m = 0.03;
    let rod = tip_only(path(FPS, 0.0, 3.5, |t| {
        let s = push.at(t - 1.0);
        let x = (s - start_m) / (end_m - start_m);
        Point3::new(s, 0.0, 3.0 + 4.0 * height_m * x * (1.0 - x))
    }));
    let outcome = measure(&rod, &StrokesConfig::default()).unwrap();
    assert_relative_eq!(
        figure(&outcome, 0, F::SlpRms),
        height_m * (4.0_f64 / 45.0).sqrt(),
        // W ends up to a third of a frame late, 2 cm in 2.9 m: 0.7 % of its length, 1.4 % of its height
        max_relative = 0.014
    );
    assert_relative_eq!(figure(&outcome, 0, F::DomeHeight), height_m, max_relative = 0.014);
    assert_eq!(outcome.strokes[0].direction, Direction::Forward);
}
