//! Loops whose figures are known beforehand.

use super::*;
use crate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use crate::truth_figures::{TruthConfig, true_strokes};
use tipwright::line::{LoopConfig, geometry};
use tipwright_physics::motion::RodState;

/// A rod that stands still with its tip at the origin and a line without stretch whose loop of diameter `width_m`
/// unrolls ahead of it: fly leg at `v`, nose at `v / 2`, trajectory rising by `angle_rad`.
fn unrolling(width_m: f64, v: f64, angle_rad: f64, length_m: f64) -> RodMotion {
    let (step_m, dt_s, radius_m) = (0.02, 0.5e-3, 0.5 * width_m);
    let n = (length_m / step_m) as usize;
    let along = Vector3::new(angle_rad.cos(), 0.0, angle_rad.sin());
    let up = Vector3::new(-angle_rad.sin(), 0.0, angle_rad.cos());
    let frames = (0..=800)
        .map(|i| {
            let t_s = dt_s * f64::from(i);
            // the nose starts half a metre out
            let rod_leg_m = 0.5 + 0.5 * v * t_s;
            let place = |s: f64| {
                let arc_m = std::f64::consts::PI * radius_m;
                let (x, y) = if s < rod_leg_m {
                    (s, 0.0)
                } else if s < rod_leg_m + arc_m {
                    let a = (s - rod_leg_m) / radius_m;
                    (rod_leg_m + radius_m * a.sin(), radius_m * (1.0 - a.cos()))
                } else {
                    (rod_leg_m - (s - rod_leg_m - arc_m), width_m)
                };
                Point3::from(x * along + y * up + Vector3::new(0.0, 0.0, 3.0))
            };
            let tip = place(0.0);
            RodState {
                t_s,
                butt_in_world: tip - Vector3::new(0.0, 0.0, 2.7),
                butt_axis_in_world: Vector3::z(),
                rod_in_world: vec![tip - Vector3::new(0.0, 0.0, 2.7), tip],
                tip_velocity_in_world_m_s: Vector3::zeros(),
                line_in_world: (0..=n).map(|k| place(step_m * k as f64)).collect(),
            }
        })
        .collect();
    RodMotion {
        dt_s,
        rod_at_m: vec![0.0, 2.7],
        line_at_m: (0..=n).map(|k| step_m * k as f64).collect(),
        frames,
    }
}

/// With the rod leg at rest the nose runs at half of the fly leg's speed and the line unrolls in 2 L / v (classical;
/// L: line out at launch). Width and trajectory are those of the construction.
#[test]
fn truth_an_unrolling_loop_without_drag() {
    for (width_m, v, angle_rad) in [(0.5, 20.0, 0.0), (0.9, 15.0, -0.15), (0.9, 18.0, 0.12)] {
        let motion = unrolling(width_m, v, angle_rad, 9.0);
        let got = true_loop(&motion, &Vector3::x(), 0.0).unwrap();
        println!("{got:?}");
        assert!((got.width_m - width_m).abs() < 0.004);
        assert!((got.narrowest_m - width_m).abs() < 0.004);
        assert!((got.fly_leg_m_s / v - 1.0).abs() < 1e-3);
        assert!((got.nose_m_s / (0.5 * v) - 1.0).abs() < 3e-3);
        assert!((got.angle_deg - angle_rad.to_degrees()).abs() < 0.3);
        assert_eq!(got.shape, LoopShape::Straight);
        // L of the published relation is the fly leg at launch: what is left of it, and what ran through the nose since
        let unrolled_s = got.t_s + got.to_unroll_m / (0.5 * v);
        let fly_leg_at_launch_m = 9.0 - 0.5;
        let half_arc_m = 0.25 * std::f64::consts::PI * width_m;
        let published_s = 2.0 * (fly_leg_at_launch_m - half_arc_m) / v;
        assert!((unrolled_s / published_s - 1.0).abs() < 0.01, "{unrolled_s} {published_s}");
    }
}

/// The library's reading of the same curve, found apart from this one.
#[test]
fn the_librarys_geometry_reads_a_physical_line_as_the_truth_does() {
    let plan =
        TakePlan { manner: Manner::of_person(Habit::SmoothLatePower, 5), strokes: 4, ..TakePlan::default() };
    let motion = cast_take(&plan, &take_outfit(0.04), 5).unwrap();
    let strokes = true_strokes(&motion, Vector3::x(), &TruthConfig::default());
    let mut compared = 0;
    for stroke in &strokes {
        let Some(truth) = &stroke.line else { continue };
        let sign = if stroke.direction == tipwright::model::Direction::Forward { 1.0 } else { -1.0 };
        let curve: Vec<[f64; 2]> =
            smooth_line(&motion.line_nodes_at(truth.t_s)).iter().map(|p| [sign * p.x, p.z]).collect();
        let (s, c) = truth.angle_deg.to_radians().sin_cos();
        let config = LoopConfig::default();
        let look = geometry::look(&curve, [c, s], &config).unwrap();
        println!(
            "stroke {}: {truth:?}\n  library {:.4} {:?}",
            stroke.stroke,
            look.width_m,
            look.shape(&config)
        );
        // the stroke's way is not exactly X: its cosine is within 1e-3 of 1
        assert!((look.width_m - truth.width_m).abs() < 0.003);
        assert!((look.dip_m - truth.dip_m).abs() < 0.01);
        assert_eq!(
            geometry::crossings(&look.separations, config.least_crossing_m),
            truth.crossings,
            "stroke {}",
            stroke.stroke
        );
        // the nose moves at the mean of its legs' speeds; the rod leg moves with the tip, which swings back
        let tip = motion.tip_velocity_at(truth.t_s);
        let rod_leg_m_s = sign * tip.x * c + tip.z * s;
        let ratio = truth.nose_m_s / (0.5 * (truth.fly_leg_m_s + rod_leg_m_s));
        println!("  nose over mean of legs {ratio:.3}, tip {rod_leg_m_s:.2} m/s");
        assert!((ratio - 1.0).abs() < 0.08, "{ratio}");
        compared += 1;
    }
    assert!(compared >= 3, "{compared} loops");
}
