//! One simulated problem solved here and written out as JSON for another solver:
//! `solver_exchange SECONDS FPS FILE.json`. Noise, smoothness and start are fixed, so both minimise the same function.
#![allow(clippy::print_stdout, clippy::unwrap_used)]

#[path = "../benches/made.rs"]
mod made;

use tipwright::motion::{MotionConfig, solve_from};

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let (seconds, fps_hz): (f64, f64) = (args[1].parse().unwrap(), args[2].parse().unwrap());
    let (problem, start) = made::with_start(seconds, fps_hz);
    let config: MotionConfig = made::fixed_config();
    let begin = std::time::Instant::now();
    let solution = solve_from(&problem, &config, Some(start.clone())).unwrap();
    let solve_s = begin.elapsed().as_secs_f64();
    let cameras: Vec<_> = problem
        .cameras
        .iter()
        .zip(&solution.state.cameras)
        .map(|(c, s)| {
            let pose = |p: &nalgebra::Isometry3<f64>| {
                let q = p.rotation.quaternion();
                serde_json::json!({ "wxyz": [q.w, q.i, q.j, q.k], "t": p.translation.vector.as_slice() })
            };
            serde_json::json!({
                "f": [c.lens.fx_px, c.lens.fy_px], "c": [c.lens.cx_px, c.lens.cy_px], "d": c.lens.distortion,
                "rows": c.picture.stored_px[1],
                "start": pose(&c.camera_from_world), "solved": pose(&s.camera_from_world),
                "start_clock": [c.clock.offset_s, c.clock.drift, c.clock.readout_s],
                "solved_clock": [s.clock.offset_s, s.clock.drift, s.clock.readout_s],
            })
        })
        .collect();
    let timeline = problem.timeline.as_ref().unwrap();
    let out = serde_json::json!({
        "cameras": cameras,
        "observations": problem.observations.iter().map(|o| (o.camera_idx, o.pts_s, o.pixel.x_px, o.pixel.y_px)).collect::<Vec<_>>(),
        "sigma_px": made::SIGMA_PX,
        "spacing_s": timeline.spacing_s(),
        "start_s": timeline.pieces()[0].start_s,
        "spans": timeline.pieces()[0].spans,
        "jerk_density": made::JERK_DENSITY_M2_S5,
        "baseline": [problem.baselines[0].length_m, problem.baselines[0].sd_m],
        "readout_prior": [made::READOUT_MEAN_S, made::READOUT_SD_S],
        "loss_scale": 3.0,
        "start": start.state.coefficients_m,
        "solved": solution.state.coefficients_m,
        "cost": solution.report.cost,
        "iterations": solution.report.iterations,
        "solve_s": solve_s,
    });
    std::fs::write(&args[3], out.to_string()).unwrap();
    println!(
        "{seconds} s: solved in {solve_s:.3} s, {} iterations, cost {:.9}",
        solution.report.iterations, solution.report.cost
    );
}
