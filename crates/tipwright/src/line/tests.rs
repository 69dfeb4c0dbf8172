//! Curves whose figures are known beforehand.

use super::geometry::{Flat, LoopLook, crossings, look, upper_normal, way_of_travel};
use super::{LoopConfig, SizeLimits};
use crate::model::line::LoopSize;
use crate::model::stroke::LoopShape;

/// A semicircular nose of `radius_m` ahead of straight legs, turned by `angle_rad`; tip at the origin. `fly` bends the fly
/// leg: height over the straight one by distance behind the nose's centre.
fn made(radius_m: f64, rod_m: f64, fly_m: f64, angle_rad: f64, fly: impl Fn(f64) -> f64) -> Vec<Flat> {
    let mut curve: Vec<Flat> = (0..=200).map(|i| [rod_m * f64::from(i) / 200.0, 0.0]).collect();
    curve.extend((1..100).map(|i| {
        let a = std::f64::consts::PI * f64::from(i) / 100.0;
        [rod_m + radius_m * a.sin(), radius_m * (1.0 - a.cos())]
    }));
    curve.extend((0..=600).map(|i| {
        let x = fly_m * f64::from(i) / 600.0;
        [rod_m - x, 2.0 * radius_m + fly(x)]
    }));
    let (s, c) = angle_rad.sin_cos();
    curve.iter().map(|p| [c * p[0] - s * p[1], s * p[0] + c * p[1]]).collect()
}

fn read(curve: &[Flat], angle_rad: f64) -> LoopLook {
    look(curve, [angle_rad.cos(), angle_rad.sin()], &LoopConfig::default()).unwrap()
}

#[test]
fn a_semicircle_between_straight_legs_has_its_diameter_for_width() {
    for radius_m in [0.2, 0.45, 0.8] {
        for angle in [-0.3, 0.0, 0.25] {
            let got = read(&made(radius_m, 1.3, 4.0, angle, |_| 0.0), angle);
            assert!((got.width_m - 2.0 * radius_m).abs() < 2e-3, "{radius_m} {angle}: {}", got.width_m);
            assert!((got.section_m - radius_m.max(0.3)).abs() < 0.01, "{}", got.section_m);
            assert!((got.travel_m - 1.3 - radius_m).abs() < 1e-3);
            assert!(got.dip_m < 1e-9 && got.dome_m < 1e-9);
            assert_eq!(got.shape(&LoopConfig::default()), LoopShape::Straight);
        }
    }
}

#[test]
fn the_back_cast_mirrored_reads_the_same() {
    let forward = made(0.4, 1.2, 4.0, 0.1, |x| 0.1 * x);
    let back: Vec<Flat> = forward.iter().map(|p| [-p[0], p[1]]).collect();
    let (a, b) =
        (read(&forward, 0.1), look(&back, [-0.1_f64.cos(), 0.1_f64.sin()], &LoopConfig::default()).unwrap());
    assert!((a.width_m - b.width_m).abs() < 1e-9 && (a.dome_m - b.dome_m).abs() < 1e-9);
    assert!(upper_normal([-1.0, 0.0])[1] > 0.0);
}

#[test]
fn a_fly_leg_dips_domes_and_crosses_as_it_is_made_to() {
    let config = LoopConfig::default();
    // one wave of depth 0.25 m over 2 m, half of it on each side of x = 0.9 m
    let wave = |depth: f64| move |x: f64| -depth * (-((x - 0.9) / 0.25).powi(2)).exp();
    let shallow = read(&made(0.3, 1.6, 4.0, 0.0, wave(0.25)), 0.0);
    assert!((shallow.dip_m - 0.25).abs() < 0.005, "{}", shallow.dip_m);
    assert_eq!(shallow.shape(&config), LoopShape::Concave);
    let deep = read(&made(0.3, 1.6, 4.0, 0.0, wave(0.8)), 0.0);
    assert_eq!(crossings(&deep.separations, config.least_crossing_m), 2);
    assert_eq!(deep.shape(&config), LoopShape::Tailing);
    let falling = read(&made(0.3, 1.6, 4.0, 0.0, |x| -0.6 * x), 0.0);
    assert_eq!(falling.shape(&config), LoopShape::Crossing);
    let domed = read(&made(0.3, 1.6, 4.0, 0.0, |x| 0.3 * (1.5 * x).sin().max(0.0)), 0.0);
    assert_eq!(domed.shape(&config), LoopShape::Convex);
    // touching is no crossing
    let touching = read(&made(0.3, 1.6, 4.0, 0.0, wave(0.62)), 0.0);
    assert_eq!(crossings(&touching.separations, config.least_crossing_m), 0);
}

#[test]
fn no_nose_ahead_of_the_tip_is_no_loop() {
    let straight: Vec<Flat> = (0..100).map(|i| [-0.05 * f64::from(i), 0.0]).collect();
    assert!(look(&straight, [1.0, 0.0], &LoopConfig::default()).is_none());
    let mut broken = made(0.3, 1.0, 3.0, 0.0, |_| 0.0);
    broken[50] = [f64::NAN, 0.0];
    assert!(look(&broken, [1.0, 0.0], &LoopConfig::default()).is_none());
    assert!(look(&[], [1.0, 0.0], &LoopConfig::default()).is_none());
    // legs too short for a section
    assert!(look(&made(0.2, 0.05, 0.05, 0.0, |_| 0.0), [1.0, 0.0], &LoopConfig::default()).is_none());
}

#[test]
fn the_way_of_a_nose_is_the_line_through_its_places() {
    let up: Vec<Flat> = (0..9).map(|i| [0.2 * f64::from(i), 1.0 + 0.1 * f64::from(i)]).collect();
    let way = way_of_travel(&up).unwrap();
    assert!((way[1] / way[0] - 0.5).abs() < 1e-9 && way[0] > 0.0);
    let back: Vec<Flat> = up.iter().rev().copied().collect();
    assert!(way_of_travel(&back).unwrap()[0] < 0.0);
    assert!(way_of_travel(&up[..2]).is_none());
}

#[test]
fn sizes_follow_the_limits_of_the_settings_file() {
    let limits = SizeLimits::default();
    assert_eq!(limits, SizeLimits { tight_up_to_m: 0.9, medium_up_to_m: 1.8, wide_up_to_m: 2.4 });
    for (width_m, size) in
        [(0.5, LoopSize::Tight), (0.95, LoopSize::Medium), (2.0, LoopSize::Wide), (2.5, LoopSize::Open)]
    {
        assert_eq!(limits.size(width_m), size);
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("loop.toml");
    std::fs::write(
        &path,
        "schema = 1\n[size]\ntight_up_to_m = 1.2\nmedium_up_to_m = 1.0\nwide_up_to_m = 2.4\n",
    )
    .unwrap();
    assert!(SizeLimits::read(&path).unwrap_err().to_string().contains("rise"));
    std::fs::write(
        &path,
        "schema = 1\n[size]\ntight_up_to_m = 0.6\nmedium_up_to_m = 1.2\nwide_up_to_m = 2.0\n",
    )
    .unwrap();
    assert_eq!(SizeLimits::read(&path).unwrap().size(0.7), LoopSize::Medium);
    assert!(SizeLimits::read(&folder.path().join("none.toml")).is_err());
}
