//! Curves whose figures are known beforehand.

use super::geometry::{Flat, LoopLook, crossings, look, upper_normal, way_of_travel};
use super::nose::{Front, fronts_along};
use super::side::SidePoint;
use super::{GatherConfig, Gatherer, LoopConfig, SizeLimits};
use crate::model::footage::{FrameView, Plane, PlaneData, Planes};
use crate::model::line::LoopSize;
use crate::model::line::RidgePoint;
use crate::model::stroke::LoopShape;
use crate::model::{Picture, Rotation};

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
fn a_width_is_as_sure_as_the_place_of_its_section() {
    // a circle's width is the same wherever its section is laid; legs that part on and on leave it open
    assert!(read(&made(0.45, 1.3, 4.0, 0.0, |_| 0.0), 0.0).section_sd_m < 1e-3);
    // 0.7 m + 1.6 (d - 0.3 m) = 2 d at d = 0.55 m; 1 cm more moves d by 1 / 0.4 cm and the width by 1.6 times that
    let parting = read(&made(0.3, 1.3, 4.0, 0.0, |x| 0.1 + 1.6 * x.min(0.6)), 0.0);
    assert!((parting.width_m - 1.1).abs() < 0.01, "{}", parting.width_m);
    assert!((parting.section_sd_m - 0.04).abs() < 0.006, "{}", parting.section_sd_m);
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

/// An ellipse of half axes 0.5 m along and 0.3 m up that goes down at 30 degrees, one look every 25 ms, and its places
/// where it is horizontally foremost; the last look's are left out.
#[test]
fn a_front_along_a_steep_trajectory_is_where_the_nose_is_and_not_where_a_circle_has_it() {
    let (a, b) = (0.5_f64, 0.3_f64);
    let way = [0.5 * 3.0_f64.sqrt(), -0.5];
    let (mut points, mut fronts, mut truth) = (Vec::new(), Vec::new(), Vec::new());
    for frame in 0..8 {
        let t_s = 0.025 * frame as f64;
        let middle = [6.0 * t_s * way[0], 6.0 * t_s * way[1]];
        for k in -80..=80 {
            let u = f64::from(k) / 80.0 * 1.5;
            let (s, c) = u.sin_cos();
            let length = (a * s).hypot(b * c);
            points.push(SidePoint {
                frame,
                t_s,
                at: [middle[0] + a * c, middle[1] + b * s],
                along: [-a * s / length, b * c / length],
                lever: [0.0, 0.0],
                distance_m: 8.0,
            });
        }
        let at = [middle[0] + a, middle[1]];
        if frame < 7 {
            fronts.push(Front { frame, t_s, at, radius_m: b * b / a, lever: [0.0, 0.0] });
        }
        // support of an ellipse along a direction
        truth.push(6.0 * t_s + (a * way[0]).hypot(b * way[1]));
    }
    let found = fronts_along(&points, &fronts, way);
    assert_eq!(found.len(), 8, "the look without a front of its own is found by the others");
    for ((_, at), truth) in found.iter().zip(&truth) {
        assert!((at[0] - truth).abs() < 0.004, "{} {truth}", at[0]);
    }
}

/// Points on a line of slope 0.2 that appears, `height` levels over a noisy grey, and all points.
fn gathered(height: f64, config: &GatherConfig) -> (usize, usize) {
    let points = gathered_points(height, config);
    let on = |p: &&RidgePoint| (f64::from(p.y_px) - faint(f64::from(p.x_px))).abs() < 1.5;
    (points.iter().filter(on).count(), points.len())
}

fn faint(x: f64) -> f64 {
    120.0 + 0.2 * x
}

fn gathered_points(height: f64, config: &GatherConfig) -> Vec<RidgePoint> {
    const SIZE: [usize; 2] = [480, 320];
    let mut seed = 1u32;
    let mut noise = move || {
        // sum of four: nearly normal, standard deviation 3.5 levels
        (0..4)
            .map(|_| {
                seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                f64::from(seed >> 16) / 65_536.0 - 0.5
            })
            .sum::<f64>()
            * 6.0
    };
    let picture = Picture { stored_px: SIZE.map(|n| n as u32), rotation: Rotation::R0 };
    let mut gatherer = Gatherer::new(picture, config);
    for frame_idx in 0..2 {
        let data: Vec<u8> = (0..SIZE[0] * SIZE[1])
            .map(|i| {
                let (x, y) = ((i % SIZE[0]) as f64, (i / SIZE[0]) as f64);
                let there =
                    if frame_idx == 1 { height * (-0.5 * ((y - faint(x)) / 0.8).powi(2)).exp() } else { 0.0 };
                (120.0 + there + noise()).round() as u8
            })
            .collect();
        let plane = Plane { data: PlaneData::Bits8(&data), width: SIZE[0], height: SIZE[1], stride: SIZE[0] };
        let now = Planes { luma: plane, cb: None, cr: None, chroma_step: [2, 2], full_range: false };
        gatherer.look_at(&FrameView { frame_idx, pts_s: f64::from(frame_idx), now, before: None });
    }
    gatherer.finish("west").frames.remove(1).points
}

#[test]
fn a_faint_line_is_found_where_it_goes_on_and_noise_is_not() {
    let both = GatherConfig::default();
    let alone = GatherConfig { least_linked_over_noise: both.least_over_noise, ..both };
    let (on, all) = gathered(14.0, &both);
    assert!(on > 100, "{on}");
    assert!(10 * (all - on) < on, "{on} of {all}");
    // one threshold loses it
    assert!(gathered(14.0, &alone).0 < 10);
    // and where there is no line there are no points
    assert!(gathered(0.0, &both).1 < 10);
}

#[test]
fn points_of_the_line_do_not_depend_on_the_width_of_vectors() {
    let points = || gathered_points(14.0, &GatherConfig::default());
    let wide = points();
    assert!(wide.len() > 100);
    assert_eq!(format!("{wide:?}"), format!("{:?}", crate::math::plainly(points)));
}

/// Two back casts with a forward one between that was lost are no two in a row.
#[test]
fn a_width_is_not_divided_by_that_of_a_stroke_which_does_not_come_right_before() {
    use crate::model::{FigureId, Figures, Measured};
    let before = Some(Measured::new(1.2, 0.05));
    let symmetry = |why: &str| {
        let mut figures = Figures::default();
        figures.set(FigureId::LoopWidth, Measured::new(0.6, 0.05));
        figures.set_missing(FigureId::LoopSymmetry, why);
        super::enter_symmetry(&mut figures, before);
        figures.get(FigureId::LoopSymmetry).map(|m| m.value)
    };
    assert_eq!(symmetry("the line was not measured"), Some(0.5));
    assert_eq!(symmetry(crate::strokes::CUT_BEFORE), None);
}
