//! Solves a POINTS.toml and writes scene.toml and path.csv, with a summary: `points POINTS.toml DIR [SETTING=VALUE ...]`, settings
//! sigma_px, wander_s, least_noise, rest_px, iterations, focal_sd, centre_sd, k1_sd, focal_err, centre_err, k1_err, rate_sd, neighbourhood_dof, widen (0 or 1), huber, cauchy, reject_at, widest_sd, knot_s, evidence (local or global).
#![allow(clippy::print_stderr, clippy::unwrap_used, missing_docs)]

use std::io::Write;
use std::path::Path;

use tipwright::motion::{Loss, Smoothness};
use tipwright::scene::points::{PointsConfig, solve_points};
use tipwright::scene::points_file::read_points;

fn main() {
    let args: Vec<String> = std::env::args().collect();
    let start = std::time::Instant::now();
    let input = read_points(Path::new(&args[1])).unwrap();
    let mut config = PointsConfig::default();
    for setting in &args[3..] {
        let (name, value) = setting.split_once('=').unwrap();
        let number = || value.parse::<f64>().unwrap();
        match name {
            "focal_sd" => (config.lens_sd.focal, config.pair_lens_sd.focal) = (number(), number()),
            "centre_sd" => (config.lens_sd.centre, config.pair_lens_sd.centre) = (number(), number()),
            "k1_sd" => (config.lens_sd.k1, config.pair_lens_sd.k1) = (number(), number()),
            "focal_err" => config.lens_files_err.focal = number(),
            "centre_err" => config.lens_files_err.centre = number(),
            "k1_err" => config.lens_files_err.k1 = number(),
            "rate_sd" => config.rate_sd = number(),
            "neighbourhood_dof" => config.motion.neighbourhood_dof = number(),
            "widen" => config.motion.widen_for_correlation = number() > 0.5,
            "huber" => config.motion.loss = Loss::Huber { scale: number() },
            "cauchy" => config.motion.loss = Loss::Cauchy { scale: number() },
            "reject_at" => config.motion.reject_at = number(),
            "sigma_px" => config.sigma_px = number(),
            "wander_s" => config.wander_s[1] = number(),
            "least_noise" => config.motion.least_noise = number(),
            "rest_px" => config.motion.rest_px = number(),
            "iterations" => config.motion.max_iterations = number() as usize,
            "widest_sd" => config.widest_sd = number(),
            "knot_s" => config.motion.knot_spacing_s = Some(number()),
            "evidence" if value == "global" => config.motion.smoothness = Smoothness::Evidence,
            "evidence" => config.motion.smoothness = Smoothness::LocalEvidence,
            other => panic!("no setting {other}"),
        }
    }
    let found = solve_points(&input, &config).unwrap();
    std::fs::create_dir_all(&args[2]).unwrap();
    let dir = Path::new(&args[2]);
    std::fs::write(dir.join("scene.toml"), toml::to_string(&found.scene).unwrap()).unwrap();
    let mut out = std::io::BufWriter::new(std::fs::File::create(dir.join("path.csv")).unwrap());
    writeln!(out, "t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views").unwrap();
    for s in &found.path.samples {
        let (p, v, d) = (s.position_in_world, s.velocity_in_world_m_s, s.position_sd_m);
        writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{},{}",
            s.t_s, p.x, p.y, p.z, v.x, v.y, v.z, d.x, d.y, d.z, s.views
        )
        .unwrap();
    }
    eprintln!("{:?}", found.solution.report);
    eprintln!(
        "{:?}, path {:.2} times as wide, knots {}",
        found.solution.misfit.mixes,
        found.solution.misfit.marker_factors[0],
        found.solution.timeline.coefficients()
    );
    for (c, s) in found.counts.iter().zip(&found.scene.cameras) {
        eprintln!(
            "{}: given {} used {} outliers {} off {} sigma {:.2} px; offset {:.4} sd {:.4}, drift {:.2e} sd {:.1e}, readout {:.1} ms sd {:.1}",
            c.camera,
            c.given,
            c.accepted,
            c.outliers,
            c.off_path,
            c.sigma_px,
            s.offset_s,
            s.offset_sd_s,
            s.drift,
            s.drift_sd,
            s.readout_s * 1e3,
            s.readout_sd_s * 1e3
        );
    }
    for w in &found.warnings {
        eprintln!("{w}");
    }
    eprintln!("{:.2} s", start.elapsed().as_secs_f64());
}
