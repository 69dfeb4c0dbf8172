//! Rods bent by known loads: markers on them, the whole stage over them, bend against the elastica's table.
//!
//! Uniform cantilever, end load P of fixed direction, alpha = P L^2 / E I: deflection over length from the elliptic
//! solution of Bisshopp & Drucker (Quart. Appl. Math. 3 (1945) 272-275), as tabulated in the project's casting notes. The
//! shapes come from integrating the elastica; both butt markers sit on the stiff part below the clamp.

use nalgebra::{Point3, Vector3};

use crate::model::path::ButtPath;
use crate::model::{FigureId as F, RodPaths, Role, RspSource};

use super::super::butt::ButtPair;
use super::super::curve::Columns;
use super::made::{FPS, Push, path};
use super::{StrokesConfig, measure};

/// alpha, deflection over length.
const TABLE: [(f64, f64); 9] = [
    (0.10, 0.03330),
    (0.25, 0.08275),
    (0.50, 0.16214),
    (1.0, 0.30172),
    (1.5, 0.41098),
    (2.0, 0.49346),
    (3.0, 0.60325),
    (5.0, 0.71379),
    (10.0, 0.81061),
];

/// Held still.
#[test]
fn truth_elastica_table_static_bend() {
    for (alpha, deflection) in TABLE {
        let (along, aside) = elastica(alpha);
        let length_m = 2.2;
        let lean = 0.4_f64;
        let axis = Vector3::new(lean.sin(), 0.0, lean.cos());
        let ahead = Vector3::new(lean.cos(), 0.0, -lean.sin());
        let clamp = Point3::new(0.3, 0.1, 1.5);
        let still = |p: Point3<f64>| Columns::of(&path(FPS, 0.0, 0.1, |_| p));
        let tip = still(clamp + axis * (length_m * along) - ahead * (length_m * aside));
        let (lower, upper) = (still(clamp - axis * 0.4), still(clamp - axis * 0.1));
        let pair = ButtPair { lower: lower.curve(), upper: upper.curve() };
        let (bend_m, out_m) = pair.bend_m(&tip.curve(), &Vector3::y(), 0.05);
        assert!((bend_m / length_m - deflection).abs() < 1e-5, "{alpha}: {}", bend_m / length_m);
        assert!(out_m.abs() < 1e-12);
    }
}

/// A stroke whose load rises to a row of the table and falls to nothing: at every instant the rod has the elastica's shape
/// of its load. Largest bend is the table's deflection, rod.csv has it at that moment, and the rod is straight when the
/// load is gone. Tolerance 0.3 %: what the cubic between samples 4.2 ms apart leaves of a bend that lasts 0.4 s.
#[test]
fn truth_elastica_table_largest_bend_of_a_stroke() {
    const FLEXIBLE_M: f64 = 2.0;
    const CLAMP_M: f64 = 0.70;
    const START_S: f64 = 1.0;
    const STRAIGHT_AFTER_S: f64 = 0.40;
    let push = Push { peak_m_s: 1.0, rise_s: 0.35, fall_s: 0.12 };
    for (alpha, deflection) in TABLE {
        // shapes on the way from no load to this one
        let shapes: Vec<(f64, f64)> = (0..=300)
            .map(|i| elastica(alpha * f64::from(i) / 300.0))
            .map(|(along, aside)| (aside, along))
            .collect();
        let along_of = |aside: f64| {
            let i = shapes.partition_point(|s| s.0 <= aside).clamp(1, shapes.len() - 1);
            let (a, b) = (shapes[i - 1], shapes[i]);
            a.1 + (b.1 - a.1) * (aside - a.0) / (b.0 - a.0)
        };
        let most = shapes[300].0;
        let bend = |t: f64| {
            let u = (t - START_S) / STRAIGHT_AFTER_S;
            if u <= 0.0 {
                0.0
            } else if u < 1.0 {
                most * (std::f64::consts::PI * u * u).sin()
            } else {
                // counterflex begins as fast as the bend ended, slower for small bends
                let v = 2.0 * std::f64::consts::PI * most * (u - 1.0);
                -v * (-(u - 1.0) / 0.15).exp()
            }
        };
        let point = |t: f64, at_m: Option<f64>| {
            let lean = (-30.0 + 65.0 * push.at(t - START_S) / push.length_m()).to_radians();
            let axis = Vector3::new(lean.sin(), 0.0, lean.cos());
            let ahead = Vector3::new(lean.cos(), 0.0, -lean.sin());
            let hand = Point3::new(0.3, -0.2, 1.3);
            match at_m {
                Some(at_m) => hand + axis * at_m,
                None => {
                    let aside = bend(t);
                    hand + axis * (CLAMP_M + FLEXIBLE_M * along_of(aside.abs()))
                        - ahead * (FLEXIBLE_M * aside)
                }
            }
        };
        let marker = |at_m: Option<f64>| path(FPS, 0.0, 3.0, |t| point(t, at_m));
        let butt = |role, at_m| ButtPath { role, at_m, path: marker(Some(at_m)) };
        let paths =
            RodPaths { tip: marker(None), butts: vec![butt(Role::Butt1, 0.35), butt(Role::Butt2, 0.60)] };
        let config = StrokesConfig { synthetic_draws: 4, ..StrokesConfig::default() };
        let outcome = measure(&paths, &config).unwrap();
        assert_eq!(outcome.strokes.len(), 1, "{alpha}: {:?}", outcome.set_aside);
        let stroke = &outcome.strokes[0];
        assert_eq!(stroke.rsp_source, RspSource::Bend);
        let get = |id| stroke.figures.get(id).unwrap().value;
        let largest_m = get(F::MaxBend);
        println!("alpha {alpha}: {:.5} in the table, {:.5} measured", deflection, largest_m / FLEXIBLE_M);
        assert!((largest_m / FLEXIBLE_M / deflection - 1.0).abs() < 0.003, "{alpha}: {largest_m}");
        let straight_s = START_S + STRAIGHT_AFTER_S;
        assert!((get(F::TRsp) - straight_s).abs() < 1e-3, "{alpha}: {}", get(F::TRsp) - straight_s);
        let lead_ms = 1000.0 * STRAIGHT_AFTER_S * (1.0 - 0.5_f64.sqrt());
        assert!((get(F::BendLead) - lead_ms).abs() < 1.0, "{alpha}: {}", get(F::BendLead) - lead_ms);
        let at_s = straight_s - lead_ms / 1000.0;
        let rows = outcome.rod.as_ref().unwrap();
        let row = rows.iter().min_by(|a, b| (a.t_s - at_s).abs().total_cmp(&(b.t_s - at_s).abs())).unwrap();
        assert!((row.bend_m.abs() / FLEXIBLE_M / deflection - 1.0).abs() < 0.003, "{alpha}: {}", row.bend_m);
    }
}

/// Tip of the elastica, lengths along and across the clamped tangent: theta'' = -alpha cos(theta), theta(0) = 0,
/// theta'(1) = 0, by shooting and Runge-Kutta.
fn elastica(alpha: f64) -> (f64, f64) {
    let run = |kappa: f64| {
        let n = 200;
        let h = 1.0 / f64::from(n);
        let f = |y: [f64; 4]| [y[1], -alpha * y[0].cos(), y[0].cos(), y[0].sin()];
        let mut y = [0.0, kappa, 0.0, 0.0];
        for _ in 0..n {
            let add = |k: [f64; 4], s: f64| std::array::from_fn(|i| y[i] + s * k[i]);
            let k1 = f(y);
            let k2 = f(add(k1, h / 2.0));
            let k3 = f(add(k2, h / 2.0));
            let k4 = f(add(k3, h));
            y = std::array::from_fn(|i| y[i] + h / 6.0 * (k1[i] + 2.0 * k2[i] + 2.0 * k3[i] + k4[i]));
        }
        y
    };
    let (mut lo, mut hi) = (0.0, alpha);
    for _ in 0..50 {
        let middle = (lo + hi) / 2.0;
        if run(middle)[1] > 0.0 { hi = middle } else { lo = middle }
    }
    let y = run((lo + hi) / 2.0);
    (y[2], y[3])
}
