//! The line against mechanics: fall, pendulum, catenary, waves, loops.

use nalgebra::Vector3;

use super::chain::{Chain, Link, Node, Surroundings};
use super::line::{AFFTA_G, LineSpec};

const STILL: Surroundings = Surroundings { gravity_m_s2: 9.80665, air_density_kg_m3: 0.0, ground: None };
const WEIGHTLESS: Surroundings = Surroundings { gravity_m_s2: 0.0, air_density_kg_m3: 0.0, ground: None };

/// A limp chain through the given points.
fn limp(
    points: &[Vector3<f64>],
    rest_m: f64,
    mass_kg_m: f64,
    stiffness_n: f64,
    around: Surroundings,
) -> Chain {
    let last = points.len() - 1;
    let nodes = points
        .iter()
        .enumerate()
        .map(|(k, p)| Node {
            position_m: *p,
            velocity_m_s: Vector3::zeros(),
            mass_kg: mass_kg_m * rest_m * if k == 0 || k == last { 0.5 } else { 1.0 },
            held: k == 0,
            drag_area_m2: 0.0,
        })
        .collect();
    let link = Link {
        rest_m,
        axial_stiffness_n: stiffness_n,
        axial_damping_n_s: 0.0,
        diameter_m: 0.0,
        drag_normal: 0.0,
        drag_tangential: 0.0,
    };
    Chain::new(nodes, vec![link; last], Vec::new(), around)
}

/// Standard gravity: 1 m in 0.4516 s arriving at 4.429 m/s, 2 m in 0.6387 s at 6.263 m/s.
#[test]
fn truth_free_fall() {
    for (height_m, time_s, speed_m_s) in [(1.0, 0.4516, 4.429), (2.0, 0.6387, 6.263)] {
        let points: Vec<_> = (0..6).map(|i| Vector3::new(0.1 * f64::from(i), 0.0, height_m)).collect();
        let mut chain = limp(&points, 0.1, 1e-3, 200.0, STILL);
        chain.nodes[0].held = false;
        while chain.nodes[3].position_m.z > 0.0 {
            chain.step(1e-5, None).unwrap();
        }
        assert!((chain.t_s - time_s).abs() < 6e-5, "{} s", chain.t_s);
        assert!((chain.nodes[3].velocity_m_s.norm() - speed_m_s).abs() < 6e-4);
    }
}

/// Period of the pendulum of finite swing, `4 sqrt(L/g) K(sin(a/2))`, for four lengths and swings, within 0.1 %.
#[test]
fn truth_pendulum_periods() {
    let table = [
        (0.25, [1.0032, 1.0051, 1.0109, 1.0207]),
        (0.5, [1.4188, 1.4215, 1.4296, 1.4434]),
        (1.0, [2.0064, 2.0102, 2.0218, 2.0413]),
        (2.0, [2.8375, 2.8429, 2.8593, 2.8869]),
    ];
    for (length_m, periods) in table {
        for (swing_deg, want_s) in [0.5_f64, 10.0, 20.0, 30.0].into_iter().zip(periods) {
            let (s, c) = swing_deg.to_radians().sin_cos();
            let points = [Vector3::zeros(), length_m * Vector3::new(-s, 0.0, -c)];
            let mut chain = limp(&points, length_m, 0.02, 1e5, STILL);
            let mut crossings = Vec::new();
            let mut before = -s;
            while crossings.len() < 3 {
                chain.step(1e-3, None).unwrap();
                let x = chain.nodes[1].position_m.x;
                if before < 0.0 && x >= 0.0 {
                    crossings.push(chain.t_s - 1e-3 * x / (x - before));
                }
                before = x;
            }
            let got_s = 0.5 * (crossings[2] - crossings[0]);
            assert!((got_s / want_s - 1.0).abs() < 1e-3, "{length_m} m, {swing_deg} deg: {got_s} s");
        }
    }
}

/// A chain hung from two points is a catenary: 1.5 m over a span of 1 m, `2 a sinh(1 / (2 a)) = 1.5`.
#[test]
fn truth_hanging_chain_is_a_catenary() {
    let n = 60;
    let points: Vec<_> = (0..=n)
        .map(|i| {
            let u = f64::from(i) / f64::from(n);
            Vector3::new(u, 0.0, -1.118 * u.min(1.0 - u))
        })
        .collect();
    let mut chain = limp(&points, 1.5 / f64::from(n), 1e-3, 50.0, STILL);
    chain.nodes[n as usize].held = true;
    for _ in 0..4000 {
        chain.step(2e-3, None).unwrap();
        for node in &mut chain.nodes {
            node.velocity_m_s *= 0.98;
        }
    }
    let mut a = 0.3_f64;
    for _ in 0..100 {
        let f = 2.0 * a * (0.5 / a).sinh() - 1.5;
        let slope = 2.0 * (0.5 / a).sinh() - (0.5 / a).cosh() / a;
        a -= f / slope;
    }
    let mut worst_m = 0.0_f64;
    for node in &chain.nodes {
        let p = node.position_m;
        let want = a * ((p.x - 0.5) / a).cosh() - a * (0.5 / a).cosh();
        worst_m = worst_m.max((p.z - want).abs());
    }
    println!("catenary: a = {a:.4} m, largest difference {:.2} mm", 1e3 * worst_m);
    assert!(worst_m < 1e-3, "{worst_m} m off the catenary");
}

/// A pulse on a stretched string runs at sqrt(T / mu).
#[test]
fn truth_wave_speed() {
    let (tension_n, mass_kg_m, n, h) = (0.5, 1e-3, 300, 0.03);
    let speed_m_s = f64::sqrt(tension_n / mass_kg_m);
    let stretch = 1.0 + tension_n / 200.0;
    let pulse = |x: f64| 0.01 * (-((x - 1.5) / 0.2).powi(2)).exp();
    let points: Vec<_> =
        (0..=n).map(|i| f64::from(i) * h * stretch).map(|x| Vector3::new(x, pulse(x), 0.0)).collect();
    let mut chain = limp(&points, h, mass_kg_m * stretch, 200.0, WEIGHTLESS);
    chain.nodes[n as usize].held = true;
    for node in &mut chain.nodes {
        let x = node.position_m.x;
        node.velocity_m_s.y = speed_m_s * 2.0 * (x - 1.5) / 0.04 * pulse(x);
    }
    let actual_n = chain.tension_n(n as usize - 3);
    let speed_m_s = f64::sqrt(actual_n / mass_kg_m);
    assert!((actual_n / tension_n - 1.0).abs() < 0.01);
    let peak = |chain: &Chain| {
        let y: Vec<f64> = chain.nodes.iter().map(|n| n.position_m.y).collect();
        let i = (1..y.len() - 1).max_by(|a, b| y[*a].total_cmp(&y[*b])).unwrap();
        let shift = 0.5 * (y[i - 1] - y[i + 1]) / (y[i - 1] - 2.0 * y[i] + y[i + 1]);
        h * stretch * (i as f64 + shift)
    };
    let start_m = peak(&chain);
    for _ in 0..500 {
        chain.step(0.5e-3, None).unwrap();
    }
    let got_m_s = (peak(&chain) - start_m) / 0.25;
    println!("wave speed {got_m_s:.3} m/s, sqrt(T/mu) {speed_m_s:.3} m/s");
    assert!((got_m_s / speed_m_s - 1.0).abs() < 0.02);
}

/// A loop that unrolls from a fixed rod leg without gravity and air. Classical (e.g. Lingard; Robson, Am. J. Phys. 58
/// (1990) 234; from memory): the nose runs at half the fly leg's speed, each leg carries mu v^2 / 4 at the nose, and
/// energy stays in the fly leg, so that its speed grows as sqrt(L / l), l from the fly to the middle of the nose. The
/// laws are those of a nose small beside the legs: it is 0.4 m wide, and watched until half the fly leg is left.
#[test]
fn truth_loop_without_drag() {
    let (mu, h, width_m, v0) = (1e-3, 0.03, 0.4, 15.0);
    let radius_m = 0.5 * width_m;
    let arc_m = std::f64::consts::PI * radius_m;
    let (rod_leg_m, total_m) = (1.0, 12.0);
    let n = (total_m / h) as usize;
    // along the line from the tip: rod leg toward +X at height 0, nose, fly leg back toward -X at height `width_m`
    let place = |s: f64| {
        if s < rod_leg_m {
            (Vector3::new(s, 0.0, 0.0), Vector3::x())
        } else if s < rod_leg_m + arc_m {
            let a = (s - rod_leg_m) / radius_m;
            (
                Vector3::new(rod_leg_m + radius_m * a.sin(), 0.0, radius_m * (1.0 - a.cos())),
                Vector3::new(a.cos(), 0.0, a.sin()),
            )
        } else {
            (Vector3::new(rod_leg_m - (s - rod_leg_m - arc_m), 0.0, width_m), -Vector3::x())
        }
    };
    let fly_m0 = total_m - rod_leg_m - 0.5 * arc_m;
    let points: Vec<_> = (0..=n).map(|i| place(h * i as f64).0).collect();
    let mut chain = limp(&points, h, mu, 200.0, WEIGHTLESS);
    for (i, node) in chain.nodes.iter_mut().enumerate() {
        let (_, along) = place(h * i as f64);
        // the nose runs at v0 / 2 and the line runs through it backward at v0 / 2
        node.velocity_m_s = 0.5 * v0 * (Vector3::x() - along);
    }
    for (i, link) in chain.links.iter_mut().enumerate() {
        // the pull the loop needs is there from the start; what stretch waves are left die along the line
        let from_fly = total_m - h * (i as f64 + 0.5);
        let pull_n = 0.25 * mu * v0 * v0 * (from_fly / fly_m0).min(1.0);
        link.rest_m = h / (1.0 + pull_n / 200.0);
        link.axial_damping_n_s = 0.5;
    }
    let nose_x = |c: &Chain| {
        let i = (1..n).max_by(|a, b| c.nodes[*a].position_m.x.total_cmp(&c.nodes[*b].position_m.x)).unwrap();
        let [a, b, d] = [i - 1, i, i + 1].map(|k| c.nodes[k].position_m.x);
        let u = if (a - 2.0 * b + d).abs() < 1e-12 { 0.0 } else { 0.5 * (a - d) / (a - 2.0 * b + d) };
        (b - 0.25 * (a - d) * u, h * (i as f64 + u))
    };
    let mut rows = Vec::new();
    let dt_s = 0.25e-3;
    let mut sums = (0.0, 0.0, 0.0);
    for step in 0..4000 {
        chain.step(dt_s, None).unwrap();
        let (x, s) = nose_x(&chain);
        let left_m = total_m - s;
        // mean over 2 m of each leg next to the nose, and over 25 ms
        let mean = |from: usize, to: usize| {
            (from..to).map(|i| chain.tension_n(i)).sum::<f64>() / (to - from).max(1) as f64
        };
        let nose_end = ((s + 0.5 * arc_m + 0.15) / h) as usize;
        let nose_start = ((s - 0.5 * arc_m - 0.15) / h) as usize;
        sums.0 += mean(nose_start.saturating_sub(60).max(3), nose_start);
        // the pull falls linearly to the fly: refer it to the middle of the nose
        let fly_links = nose_end..nose_end + 60;
        sums.1 += fly_links
            .clone()
            .map(|i| chain.tension_n(i) * left_m / (total_m - h * (i as f64 + 0.5)))
            .sum::<f64>()
            / fly_links.len() as f64;
        let v =
            chain.nodes[nose_end..].iter().map(|n| n.velocity_m_s.x).sum::<f64>() / (n + 1 - nose_end) as f64;
        sums.2 += v * v;
        if step % 100 == 99 {
            rows.push((chain.t_s, x, left_m, v, 4.0 * sums.0 / (mu * sums.2), 4.0 * sums.1 / (mu * sums.2)));
            sums = (0.0, 0.0, 0.0);
        }
        if left_m < 0.5 * fly_m0 {
            break;
        }
    }
    assert!(rows.len() > 10, "the loop should unroll over at least 0.25 s");
    for w in rows.windows(3) {
        let [(t0, x0, ..), (_, _, l, v, rod_leg, fly_leg), (t2, x2, ..)] = [w[0], w[1], w[2]];
        let ratio = (x2 - x0) / (t2 - t0) / v;
        let growth = v / (v0 * (fly_m0 / l).sqrt());
        println!(
            "l {l:.2} m v {v:.2} m/s: nose/fly {ratio:.4}, growth {growth:.4}, tension rod leg {rod_leg:.4} fly leg {fly_leg:.4}"
        );
        assert!((ratio / 0.5 - 1.0).abs() < 0.03);
        assert!((growth - 1.0).abs() < 0.03);
        assert!((rod_leg - 1.0).abs() < 0.03);
        assert!((fly_leg - 1.0).abs() < 0.03);
    }
}

/// AFFTA: the first 30 ft behind the level tip weigh what the table says; 1 grain is 64.79891 mg.
#[test]
fn truth_line_weights() {
    let grains = [(3, 100.0), (4, 120.0), (5, 140.0), (6, 160.0), (7, 185.0), (8, 210.0)];
    for (class, gr) in grains {
        let g = AFFTA_G.iter().find(|(c, _)| *c == class).unwrap().1;
        assert!((g - gr * 64.79891e-3).abs() < 1e-3);
        let spec = LineSpec { carry_m: 9.144 + 0.15, ..LineSpec::of_class(class) };
        let (links, _, masses) = spec.parts();
        let line: usize = links.iter().filter(|l| l.axial_stiffness_n == spec.axial_stiffness_n).count();
        let total_g: f64 = 1e3
            * links[..line]
                .iter()
                .enumerate()
                .map(|(i, l)| l.rest_m * spec.mass_kg_m(spec.carry_m - l.rest_m * (i as f64 + 0.5)))
                .sum::<f64>();
        let tip_g = 1e3 * spec.level_tip_m * spec.mass_kg_m(0.0);
        assert!((total_g - tip_g - g).abs() < 0.002 * g, "class {class}: {total_g} g");
        assert!(masses.iter().all(|m| *m > 0.0));
    }
}
