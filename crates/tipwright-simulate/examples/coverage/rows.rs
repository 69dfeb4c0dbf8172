//! What was measured beside what is true: places of the markers, figures of the strokes.

use nalgebra::{Point3, Vector3};
use tipwright::model::RspSource;
use tipwright::path::TakePaths;
use tipwright::strokes::{StrokesConfig, measure};
use tipwright_physics::motion::RodMotion;
use tipwright_simulate::casters::Habit;
use tipwright_simulate::truth_figures::{TruthConfig, true_strokes};

use super::{BUTTS_M, Options, bound, tally};

/// Root mean square errors of the markers' paths beside their stated ones, in the frame that fits best (a turn about the
/// vertical and a shift).
pub fn marker_rows(seed: u64, habit: Habit, motion: &RodMotion, found: &TakePaths) -> Vec<tally::Row> {
    let tip = |t: f64| motion.tip_at(t);
    let turn = bound::alignment(&found.rod.tip, &tip);
    let mut out = Vec::new();
    let mut push = |name: &str, path: &tipwright::model::MarkerPath, place: &dyn Fn(f64) -> Point3<f64>| {
        let (mut sum, mut stated, mut n) = (0.0, 0.0, 0.0);
        for s in path.samples.iter().filter(|s| s.views >= 2) {
            sum += (turn * s.position_in_world - place(s.t_s)).norm_squared();
            stated += s.position_sd_m.norm_squared();
            n += 1.0;
        }
        out.push(tally::Row {
            seed,
            habit,
            stroke: 0,
            figure: format!("rms of {name} mm, stated"),
            value: f64::NAN,
            error: 1e3 * f64::sqrt(sum / n),
            sd: 1e3 * f64::sqrt(stated / n),
        });
    };
    push("tip", &found.rod.tip, &tip);
    for (b, at_m) in found.rod.butts.iter().zip(BUTTS_M) {
        push(&format!("butt at {at_m:.2}"), &b.path, &|t| motion.rod_point_at(t, at_m));
    }
    // places along the path, each axis by itself, far enough apart to count
    for s in found.rod.tip.samples.iter().filter(|s| s.views >= 2).step_by(24) {
        let error = turn * s.position_in_world - tip(s.t_s);
        let square = turn.rotation.to_rotation_matrix().into_inner().map(|v| v * v);
        let sd = (square * s.position_sd_m.map(|v| v * v)).map(f64::sqrt);
        let speed_m_s = s.velocity_in_world_m_s.norm();
        for axis in 0..3 {
            let figure =
                if speed_m_s > 5.0 { "tip's place, fast, mm" } else { "tip's place, slow, mm" }.into();
            out.push(tally::Row {
                seed,
                habit,
                stroke: 0,
                figure,
                value: f64::NAN,
                error: 1e3 * error[axis],
                sd: 1e3 * sd[axis],
            });
        }
    }
    out
}

pub fn stroke_rows(
    seed: u64,
    habit: Habit,
    motion: &RodMotion,
    found: &TakePaths,
    options: &Options,
) -> Vec<tally::Row> {
    let butts_at_m = if options.tip_only { Vec::new() } else { BUTTS_M.to_vec() };
    let true_by = |butts_at_m| {
        true_strokes(motion, Vector3::x(), &TruthConfig { butts_at_m, ..TruthConfig::default() })
    };
    let truth = true_by(butts_at_m);
    // by the tip alone rod straight is the moment of peak speed, and W ends there
    let truth_by_tip = true_by(Vec::new());
    let outcome = measure(&found.rod, &StrokesConfig::default()).unwrap();
    if outcome.strokes.len() != truth.len() {
        println!(
            "set-up {seed} ({}): {} strokes found of {}; {:?}",
            habit.key(),
            outcome.strokes.len(),
            truth.len(),
            outcome.set_aside
        );
    }
    let mut out = Vec::new();
    for s in &outcome.strokes {
        let at = |f: &tipwright::model::Figures| f.get(tipwright::model::FigureId::TRsp).map(|m| m.value);
        let Some(t_s) = at(&s.figures) else { continue };
        let same = if s.rsp_source == RspSource::Speed { &truth_by_tip } else { &truth };
        let Some(t) = same.iter().find(|t| at(&t.figures).is_some_and(|v| (v - t_s).abs() < 0.15)) else {
            continue;
        };
        for id in tipwright::model::FigureId::ALL {
            let (Some(m), Some(v)) = (s.figures.get(*id), t.figures.get(*id)) else { continue };
            out.push(tally::Row {
                seed,
                habit,
                stroke: s.stroke,
                figure: id.info().key.into(),
                value: v.value,
                error: m.value - v.value,
                sd: m.sd,
            });
        }
    }
    out
}
