//! Figures of made motions whose figures are known.

use nalgebra::{Point3, Vector3};
use tipwright::model::{Direction, FigureId};

use super::{TruthConfig, true_strokes};
use tipwright_physics::motion::{GripPose, RodMotion, RodState};

const DT_S: f64 = 0.5e-3;

/// A motion whose tip and grip are given; the rod lies on the grip's axis for 1.08 m and then makes for the tip.
fn made(duration_s: f64, grip: impl Fn(f64) -> GripPose, tip: impl Fn(f64) -> Point3<f64>) -> RodMotion {
    let frames = (0..=(duration_s / DT_S) as usize)
        .map(|i| {
            let t_s = i as f64 * DT_S;
            let (g, end) = (grip(t_s), tip(t_s));
            RodState {
                t_s,
                butt_in_world: g.butt_in_world,
                butt_axis_in_world: g.butt_axis_in_world,
                rod_in_world: (0..=10_i32)
                    .map(|k| {
                        let s_m = 0.27 * f64::from(k);
                        let on_axis = g.butt_in_world + s_m * g.butt_axis_in_world;
                        on_axis
                            + (end - g.butt_in_world - 2.7 * g.butt_axis_in_world) * f64::from((k - 4).max(0))
                                / 6.0
                    })
                    .collect(),
                tip_velocity_in_world_m_s: (tip(t_s + 1e-6) - tip(t_s - 1e-6)) / 2e-6,
                line_in_world: Vec::new(),
            }
        })
        .collect();
    RodMotion {
        dt_s: DT_S,
        rod_at_m: (0..=10).map(|k| 0.27 * f64::from(k)).collect(),
        line_at_m: Vec::new(),
        frames,
    }
}

fn upright(_t_s: f64) -> GripPose {
    GripPose { butt_in_world: Point3::origin(), butt_axis_in_world: Vector3::z() }
}

/// Along the cast: 3 m there (0.2 to 0.8 s) and back (1.4 to 2.0 s), raised cosine in speed: peak 10 m/s.
fn along(t_s: f64) -> f64 {
    let leg = |t: f64| {
        let u = (t / 0.6).clamp(0.0, 1.0);
        3.0 * (u - (std::f64::consts::TAU * u).sin() / std::f64::consts::TAU)
    };
    leg(t_s - 0.2) - leg(t_s - 1.4)
}

#[test]
fn a_straight_stroke_there_and_back() {
    // 20 % of the peak: (1 - cos(2 pi u)) / 2 = 0.2
    let u20 = (0.6_f64).acos() / std::f64::consts::TAU;
    let motion = made(2.4, upright, |t| Point3::new(0.8 * along(t), 0.6 * along(t), 3.0));
    let strokes = true_strokes(&motion, Vector3::new(0.8, 0.6, 0.0), &TruthConfig::default());
    assert_eq!(strokes.len(), 2);
    assert_eq!([strokes[0].direction, strokes[1].direction], [Direction::Forward, Direction::Back]);
    let get = |k: usize, id: FigureId| strokes[k].figures.get(id).unwrap().value;
    for k in 0..2 {
        let start_s = [0.2, 1.4][k];
        assert!((get(k, FigureId::PeakSpeed) - 10.0).abs() < 1e-6);
        assert!((get(k, FigureId::TStart) - (start_s + 0.6 * u20)).abs() < 1e-5);
        assert!((get(k, FigureId::TRsp) - (start_s + 0.3)).abs() < 1e-6);
        assert!((get(k, FigureId::TStop) - (start_s + 0.6 - 0.6 * u20)).abs() < 1e-5);
        let chord_m = 1.5 - (along(0.2 + 0.6 * u20) - along(0.2));
        assert!((get(k, FigureId::Chord) - chord_m).abs() < 1e-4);
        assert!((get(k, FigureId::Travel) - chord_m).abs() < 1e-4);
        // half of the peak is at u = 1/4
        assert!((get(k, FigureId::LatePower) - (0.25 - u20) / (0.5 - u20)).abs() < 1e-4);
        for id in [FigureId::DipDepth, FigureId::DomeHeight, FigureId::OffPlaneMax, FigureId::ChordAngle] {
            assert!(get(k, id).abs() < 1e-6, "{id:?}");
        }
        assert!(get(k, FigureId::SignChanges) == 0.0);
        assert!(strokes[k].figures.get(FigureId::MaxBend).is_none());
    }
    assert!((get(1, FigureId::Opposite) - 180.0).abs() < 1e-6);
    assert!((get(1, FigureId::Pause) - (0.6 + 1.2 * u20)).abs() < 1e-4);
}

#[test]
fn soft_casts_after_a_hard_pick_up_are_strokes_and_rebounds_are_not() {
    // six movements of 3 m there and back, 0.6 s apart: a peak of 24 m/s in the first 0.25 s, then of 10 m/s in 0.6 s;
    // after the last a swing of 1 m there and back in 0.3 s each: 6.7 m/s
    let legs = [(3.0, 0.25), (3.0, 0.6), (3.0, 0.6), (3.0, 0.6), (1.0, 0.3), (1.0, 0.3)];
    let along = |t: f64| {
        let mut start_s = 0.2;
        let mut x_m = 0.0;
        for (k, (way_m, lasts_s)) in legs.iter().enumerate() {
            let u = ((t - start_s) / lasts_s).clamp(0.0, 1.0);
            let gone = way_m * (u - (std::f64::consts::TAU * u).sin() / std::f64::consts::TAU);
            x_m += if k % 2 == 0 { gone } else { -gone };
            start_s += lasts_s + if k < 3 { 0.6 } else { 0.0 };
        }
        x_m
    };
    let motion = made(6.0, upright, |t| Point3::new(along(t), 0.0, 3.0));
    let strokes = true_strokes(&motion, Vector3::x(), &TruthConfig::default());
    let peaks: Vec<f64> = strokes.iter().map(|s| s.figures.get(FigureId::PeakSpeed).unwrap().value).collect();
    assert_eq!(peaks.len(), 4, "{peaks:?}");
    assert!((peaks[0] - 24.0).abs() < 1e-3 && (peaks[1] - 10.0).abs() < 1e-3, "{peaks:?}");
}

#[test]
fn a_dip_of_a_centimetre_and_a_dome() {
    // a dip of 12 mm, 0.15 m wide, 0.9 m along the cast, on a level path
    let dip = |x: f64| -0.012 * (-((x - 0.9) / 0.15).powi(2)).exp();
    let motion = made(2.4, upright, |t| Point3::new(along(t), 0.0, 3.0 + dip(along(t))));
    let strokes = true_strokes(&motion, Vector3::x(), &TruthConfig::default());
    let first = &strokes[0].figures;
    let dip_m = first.get(FigureId::DipDepth).unwrap().value;
    assert!((dip_m - 0.012).abs() < 2e-5, "{dip_m}");
    let u20 = (0.6_f64).acos() / std::f64::consts::TAU;
    let start_m = along(0.2 + 0.6 * u20);
    let at = first.get(FigureId::DipAt).unwrap().value;
    assert!((at - (0.9 - start_m) / (1.5 - start_m)).abs() < 5e-3, "{at}");
    assert!(first.get(FigureId::DomeHeight).unwrap().value < 1e-4);

    // a parabola 0.2 m high over W: no dip, a dome, and a path off the vertical plane by half as much
    let (a, b) = (start_m, 1.5);
    let dome = |x: f64| 0.2 * (1.0 - ((2.0 * x - a - b) / (b - a)).powi(2));
    let motion = made(1.1, upright, |t| Point3::new(along(t), 0.5 * dome(along(t)), 3.0 + dome(along(t))));
    let get = shape_of(&motion, 0.2 + 0.6 * u20, 0.5);
    assert!((get(FigureId::Chord) - (b - a)).abs() < 1e-6);
    assert!((get(FigureId::DomeHeight) - 0.2).abs() < 1e-4);
    assert!((get(FigureId::OffPlaneMax) - 0.1).abs() < 1e-4);
    assert!((get(FigureId::Straightness) - 0.2 / (b - a)).abs() < 1e-4);
    assert!(get(FigureId::DipDepth) < 1e-6);
}

/// Figures of the shape between two instants.
fn shape_of(motion: &RodMotion, start_s: f64, end_s: f64) -> impl Fn(FigureId) -> f64 {
    let dense = super::Dense {
        t_s: motion.frames.iter().map(|f| f.t_s).collect(),
        tip: motion.frames.iter().map(RodState::tip_in_world).collect(),
        speed_m_s: vec![0.0; motion.frames.len()],
    };
    let shape = super::shape::Shape::of(motion, &dense, start_s, end_s).unwrap();
    let mut got = std::collections::BTreeMap::new();
    shape.put_into(&mut |id, v| {
        got.insert(id, v);
    });
    move |id| got[&id]
}

#[test]
fn bend_decides_rod_straight_position() {
    // the butt leads the tip by 0.6 m of bend that ends 20 ms after the peak of speed and goes on to -0.3 m
    let rsp_s = 0.52;
    let bend = |t: f64| {
        let u = (t - 0.2) / (rsp_s - 0.2);
        if u < 0.0 {
            0.0
        } else if u < 1.0 {
            0.6 * (std::f64::consts::PI * u).sin()
        } else {
            -0.3 * (std::f64::consts::PI * ((t - rsp_s) / 0.3).min(1.0)).sin()
        }
    };
    let grip = |t: f64| GripPose {
        butt_in_world: Point3::new(along(t) + bend(t), 0.0, 0.0),
        butt_axis_in_world: Vector3::z(),
    };
    let motion = made(1.1, grip, |t| Point3::new(along(t), 0.0, 2.7));
    let config = TruthConfig { butts_at_m: vec![0.3, 0.5], ..TruthConfig::default() };
    let strokes = true_strokes(&motion, Vector3::x(), &config);
    let get = |id: FigureId| strokes[0].figures.get(id).unwrap().value;
    assert!((get(FigureId::TRsp) - rsp_s).abs() < 1e-5);
    assert!((get(FigureId::PeakLead) - 20.0).abs() < 0.02);
    assert!((get(FigureId::MaxBend) - 0.6).abs() < 1e-4);
    assert!((get(FigureId::BendLead) - 160.0).abs() < 0.1);
    assert!((get(FigureId::Counterflex) - 0.3).abs() < 1e-4);
    assert!(get(FigureId::Arc).abs() < 1e-6);
}

/// Rigid rod of 2.74 m turning at a steady rate about a fixed hand: chord and dome of the arc (elementary geometry).
#[test]
fn truth_dome_of_a_stiff_rod() {
    for (arc_deg, chord_m, dome_m) in [(40.0_f64, 1.87, 0.165), (60.0, 2.74, 0.367), (90.0, 3.88, 0.803)] {
        let half = 0.5 * arc_deg.to_radians();
        let grip = |t: f64| {
            let angle = half * (5.0 * (t - 0.3)).clamp(-1.0, 1.0);
            GripPose {
                butt_in_world: Point3::origin(),
                butt_axis_in_world: Vector3::new(angle.sin(), 0.0, angle.cos()),
            }
        };
        let motion = made(0.7, grip, |t| Point3::origin() + 2.74 * grip(t).butt_axis_in_world);
        let get = shape_of(&motion, 0.1, 0.5);
        let (chord, dome) = (get(FigureId::Chord), get(FigureId::DomeHeight));
        assert!(
            (chord - chord_m).abs() < 0.006 && (dome - dome_m).abs() < 0.001,
            "{arc_deg}: {chord} {dome}"
        );
        assert!((get(FigureId::Travel) - 2.74 * arc_deg.to_radians()).abs() < 1e-3);
    }
}
