use nalgebra::{DMatrix, Vector3};
use rand::{RngExt, SeedableRng};

use super::super::assemble::Setting;
use super::super::band::Arrow;
use super::super::prior::joint_prior;
use super::super::stretch::{lay_out, pieces_of};
use super::*;

#[test]
fn analytic_derivatives_agree_with_differences() {
    let mut problem = two_cameras(60.0, 0.5, 0.3, 1, &oval);
    for (k, c) in problem.cameras.iter_mut().enumerate() {
        c.free = CameraFreedom {
            offset_s: Freedom::Prior { mean: 0.001, sd: 0.01 },
            drift: Freedom::Prior { mean: 0.0, sd: 1e-3 },
            readout_s: Freedom::Prior { mean: 0.008, sd: 0.004 },
            pose: true,
            focal_log: Freedom::Prior { mean: 0.0, sd: 0.01 },
            centre_shift_px: Freedom::Prior { mean: 0.0, sd: 5.0 },
            k1_shift: Freedom::Prior { mean: 0.0, sd: 0.01 },
            lens_errs: None,
            readout_within_s: None,
            wander: (k == 1).then_some(Wander { node_spacing_s: 0.1, step_sd_s: 0.001 }),
        };
    }
    problem.markers = 2;
    let second: Vec<Observation> = problem
        .observations
        .iter()
        .map(|o| Observation {
            marker_idx: 1,
            pixel: RawPixel::new(o.pixel.x_px + 30.0, o.pixel.y_px + 5.0),
            ..*o
        })
        .collect();
    problem.observations.extend(second);
    for o in &mut problem.observations {
        o.cov_px2 = [0.2, 0.05, 0.1];
    }
    problem.distances = (1..8)
        .map(|i| Distance {
            marker_a_idx: 0,
            marker_b_idx: 1,
            t_s: f64::from(i) * 0.05,
            length_m: 0.2,
            sd_m: 0.001,
        })
        .collect();
    problem.baselines = vec![Baseline { camera_a_idx: 0, camera_b_idx: 1, length_m: 8.4, sd_m: 0.01 }];
    problem.pose_covariance = Some(DMatrix::identity(12, 12) * 1e-4);
    let config = MotionConfig { knot_spacing_s: Some(0.05), ..Default::default() };
    let timeline = lay_out(&problem, &config).unwrap();
    let mut state = State::start(&problem, &timeline);
    let layout = Layout::new(&problem.cameras, &state.cameras);
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
    for i in 0..timeline.coefficients() {
        let t = timeline.pieces()[0].start_s + (i as f64 - 1.0) * 0.05;
        for m in 0..2 {
            let p = oval(t) + Vector3::new(0.15 * m as f64, 0.02, 0.05) * rng.random_range(0.9..1.1);
            for x in 0..3 {
                let at = state.order.at(i, m) + x;
                state.coefficients_m[at] = p[x];
            }
        }
    }
    // Away from the reference, so that priors pull.
    let nudge: Vec<f64> = (0..layout.size).map(|_| rng.random_range(-1e-3..1e-3)).collect();
    state = state.moved(&layout, &vec![0.0; state.coefficients_m.len()], &nudge);
    let times: Vec<f64> = problem.observations.iter().map(|o| o.pts_s).collect();
    let piece_of = pieces_of(&timeline, &times);
    let prior = joint_prior(&problem, &layout);
    let setting = Setting {
        problem: &problem,
        timeline: &timeline,
        layout: &layout,
        piece_of: &piece_of,
        joint_prior: &prior,
        loss: Loss::Cauchy { scale: 3.0 },
    };
    let hyper = Hyper {
        noise_scale: vec![1.3, 1.1, 0.8, 0.9],
        jerk_density_m2_s5: (0..timeline.coefficients() * 2).map(|i| 1e3 * (1.0 + (i % 5) as f64)).collect(),
        length_slack: 1.0,
        prior_weight: 1.7,
        size_m: Some(8.1),
        lasting: vec![1.0; problem.cameras.len() * problem.markers],
        share: (0..problem.observations.len()).map(|i| 1.0 / (1 + i % 3) as f64).collect(),
        rejected: vec![false; problem.observations.len()],
    };
    let n = state.coefficients_m.len();
    let mut arrow = Arrow::new(n, 23, layout.size);
    setting.cost(&state, &hyper, Some(&mut arrow));
    let mut worst: f64 = 0.0;
    for i in 0..n + layout.size {
        let cost_at = |step: f64| {
            let (mut x, mut b) = (vec![0.0; n], vec![0.0; layout.size]);
            if i < n {
                x[i] = step
            } else {
                b[i - n] = step
            }
            setting.cost(&state.moved(&layout, &x, &b), &hyper, None)
        };
        let h = 1e-6;
        let numeric = -(cost_at(h) - cost_at(-h)) / (2.0 * h);
        let analytic = if i < n { arrow.rhs[i] } else { arrow.border_rhs[i - n] };
        let size = analytic.abs().max(numeric.abs()).max(1.0);
        worst = worst.max((numeric - analytic).abs() / size);
        assert!(
            (numeric - analytic).abs() < 2e-4 * size,
            "parameter {i} of {n}: {numeric} against {analytic}"
        );
    }
    assert!(worst > 0.0);
}
