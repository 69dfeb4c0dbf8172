//! The line in a plane against mechanics and against the chain.

use nalgebra::Vector3;

use super::chain::{Chain, Clamp, Node, Surroundings};
use super::line::LineSpec;
use super::planar::{Flat, PlanarAir, PlanarLine};

const STILL: PlanarAir = PlanarAir { gravity_m_s2: 9.80665, air_density_kg_m3: 0.0 };
const NOTHING: PlanarAir = PlanarAir { gravity_m_s2: 0.0, air_density_kg_m3: 0.0 };

/// 1 g/m all along, no leader, no fly, bends undamped.
fn even(carry_m: f64, link_m: f64) -> LineSpec {
    LineSpec {
        carry_m,
        weight_g: 9.144,
        taper_ratio: 1.0,
        leader_m: 0.0,
        fly_kg: 0.0,
        link_m,
        joint_damping_n_m_s: 0.0,
        ..LineSpec::default()
    }
}

fn energy_j(line: &PlanarLine, mass_kg: f64, g: f64) -> f64 {
    let last = line.nodes().len() - 1;
    let share = |k: usize| if k == last { 0.5 } else { 1.0 };
    (1..=last)
        .map(|k| {
            let (p, v) = (line.nodes()[k], line.velocities()[k]);
            share(k) * mass_kg * (0.5 * (v[0] * v[0] + v[1] * v[1]) + g * p[1])
        })
        .sum()
}

/// A line let go from the level swings without losing energy: less than 1 % of what it falls through.
#[test]
fn truth_a_swinging_line_keeps_its_energy() {
    let spec = LineSpec { joint_damping_n_m_s: 2e-7, ..even(2.0, 0.1) };
    let mut line = PlanarLine::new(&spec, STILL, [0.0, 0.0], [1.0, 0.0]);
    let fallen_j = 0.1e-3 * 9.80665 * 20.0;
    for _ in 0..8000 {
        assert!(line.step(1e-4, [0.0, 0.0]));
    }
    let off = energy_j(&line, 0.1e-3, 9.80665) / fallen_j;
    println!("energy after 0.8 s off by {:.3} % of what it fell", 100.0 * off);
    assert!(off.abs() < 0.01, "{off}");
}

/// A pulse climbs a hanging line at sqrt(T / rho) = sqrt(g y): from y1 to y2 above its end in 2 (sqrt y2 - sqrt y1) / sqrt g.
#[test]
fn truth_a_pulse_climbs_at_the_wave_speed() {
    let spec = even(8.0, 0.04);
    let mut line = PlanarLine::new(&spec, STILL, [0.0, 0.0], [0.0, -1.0]);
    // a short pluck of the hand runs down; from the arrivals at two places the speed between them
    let push = |t: f64| if t < 0.06 { 0.01 * (std::f64::consts::PI * t / 0.06).sin().powi(2) } else { 0.0 };
    let at = |y: f64| ((8.0 - y) / 0.04).round() as usize;
    let (upper, lower) = (at(6.0), at(3.0));
    let mut largest = [(0.0_f64, 0.0); 2];
    let dt_s = 1e-4;
    for i in 1..8000 {
        let t_s = dt_s * f64::from(i);
        assert!(line.step(dt_s, [push(t_s), 0.0]));
        for (top, node) in largest.iter_mut().zip([upper, lower]) {
            let x = line.nodes()[node][0];
            if x > top.0 {
                *top = (x, t_s);
            }
        }
    }
    let got_s = largest[1].1 - largest[0].1;
    let want_s = 2.0 * (6.0_f64.sqrt() - 3.0_f64.sqrt()) / 9.80665_f64.sqrt();
    println!("from 6 m to 3 m above the end in {got_s:.4} s, sqrt(T/rho) says {want_s:.4} s");
    assert!((got_s / want_s - 1.0).abs() < 0.02);
}

/// A loop 0.4 m wide on a fixed rod leg of `rod_leg_m`, the fly leg at `v0`; `slope`: rise of the fly leg, toward the fly, at so
/// far behind the nose's end, as a wave that runs toward the fly at `v0 / 2` and nowhere else.
fn looped(total_m: f64, rod_leg_m: f64, v0: f64, slope: impl Fn(f64) -> f64) -> PlanarLine {
    let (h, radius) = (0.03, 0.2);
    let mut line = PlanarLine::new(&even(total_m, h), NOTHING, [0.0, 0.0], [1.0, 0.0]);
    let (mut at, mut places): (Flat, Vec<(Flat, Flat)>) = ([0.0, 0.0], Vec::new());
    for k in 0..line.nodes().len() {
        let behind = h * (k as f64 + 0.5) - rod_leg_m - std::f64::consts::PI * radius;
        let turned = (h * (k as f64 + 0.5) - rod_leg_m) / radius;
        let rise = if behind > 0.0 { slope(behind).atan() } else { 0.0 };
        let angle = turned.clamp(0.0, std::f64::consts::PI) - rise;
        let along = [angle.cos(), angle.sin()];
        // the line runs through the nose at v0 / 2 while the nose runs at v0 / 2; a wave that stands in the nose's frame too
        places.push((at, [0.5 * v0 * (1.0 - along[0]), -0.5 * v0 * along[1]]));
        at = [at[0] + h * along[0], at[1] + h * along[1]];
    }
    line.lay(|k| places[k]);
    line
}

fn front(line: &PlanarLine) -> (f64, usize) {
    let x = |k: usize| line.nodes()[k][0];
    let i = (1..line.nodes().len() - 1).max_by(|a, b| x(*a).total_cmp(&x(*b))).unwrap();
    (x(i), i)
}

/// The nose runs at half the fly leg's speed, and energy stays in the fly leg: its speed grows as sqrt(L / l). Classical (e.g.
/// Lingard; Robson, Am. J. Phys. 58 (1990) 234; from memory).
#[test]
fn truth_a_loop_without_drag() {
    let v0 = 15.0;
    let mut line = looped(12.0, 1.0, v0, |_| 0.0);
    let left_m = |line: &PlanarLine| 12.0 - 0.03 * front(line).1 as f64;
    let (start_m, dt_s) = (left_m(&line), 2e-4);
    let mut before: Option<(f64, f64)> = None;
    let mut rows = 0;
    for step in 1..4000 {
        assert!(line.step(dt_s, [0.0, 0.0]));
        if step % 250 != 0 {
            continue;
        }
        let (x, i) = front(&line);
        let fly = &line.velocities()[i + 20..];
        let v = fly.iter().map(|v| v[0]).sum::<f64>() / fly.len() as f64;
        if let Some((x0, v_before)) = before {
            let ratio = (x - x0) / (250.0 * dt_s) / (0.5 * (v + v_before));
            let growth = v / (v0 * (start_m / left_m(&line)).sqrt());
            println!("left {:.2} m: nose over fly leg {ratio:.4}, growth {growth:.4}", left_m(&line));
            assert!((ratio / 0.5 - 1.0).abs() < 0.03 && (growth - 1.0).abs() < 0.03);
            rows += 1;
        }
        before = Some((x, v));
        if left_m(&line) < 0.5 * start_m {
            break;
        }
    }
    assert!(rows > 5);
}

/// Why a dip is seen behind the nose of a loop and stays there. The fly leg carries a tension of rho v^2 / 4 by the nose, so
/// waves run toward the fly in it at v / 2, and the nose runs at v / 2: they stand still in its frame (derived). Toward the fly
/// the tension falls and the leg gets faster as it gets shorter, so they do not stand quite still: over 1 m of the nose's way
/// the crest keeps its distance from it within 0.3 m, where a wave that lay still in the fly leg would come 1 m nearer, and
/// one that ran toward the nose 2 m.
#[test]
fn truth_a_wave_in_the_fly_leg_rides_with_the_nose() {
    let bump = |behind: f64| 0.04 * (-((behind - 1.5) / 0.3).powi(2)).exp();
    let slope = |behind: f64| -(bump(behind + 1e-3) - bump(behind - 1e-3)) / 2e-3;
    let (mut plain, mut waved) = (looped(12.0, 1.0, 15.0, |_| 0.0), looped(12.0, 1.0, 15.0, slope));
    let crest = |a: &PlanarLine, b: &PlanarLine| {
        let (x, i) = front(a);
        let off = |k: usize| b.nodes()[k][1] - a.nodes()[k][1];
        let k = (i + 15..a.nodes().len()).min_by(|p, q| off(*p).total_cmp(&off(*q))).unwrap();
        (x - a.nodes()[k][0], off(k))
    };
    let mut seen = vec![crest(&plain, &waved)];
    let start = front(&plain).0;
    while front(&plain).0 < start + 1.0 {
        for line in [&mut plain, &mut waved] {
            assert!(line.step(2e-4, [0.0, 0.0]));
        }
        seen.push(crest(&plain, &waved));
    }
    let (first, last) = (seen[0], seen[seen.len() - 1]);
    println!(
        "crest {:.2} m behind the nose and {:.3} m deep, then {:.2} m and {:.3} m",
        first.0, first.1, last.0, last.1
    );
    assert!((last.0 - first.0).abs() < 0.3);
}

/// Separation of the legs so far behind the front; places from the tip on.
fn separation_m(nodes: &[Flat], behind_m: f64) -> f64 {
    let i = (0..nodes.len()).max_by(|a, b| nodes[*a][0].total_cmp(&nodes[*b][0])).unwrap();
    let level = nodes[i][0] - behind_m;
    let height = |a: Flat, b: Flat| a[1] + (level - a[0]) / (b[0] - a[0]) * (b[1] - a[1]);
    let rod = (1..=i).rev().find(|k| nodes[k - 1][0] < level).unwrap();
    let fly = (i + 1..nodes.len()).find(|k| nodes[*k][0] < level).unwrap();
    height(nodes[fly - 1], nodes[fly]) - height(nodes[rod - 1], nodes[rod])
}

/// A tip that goes 3 m at constant acceleration, stops in 0.1 s and sinks by 0.8 m; `height`: over the way.
fn stroke(t_s: f64, fast: f64, height: impl Fn(f64) -> f64) -> Flat {
    let (chord, stop_s) = (3.0, 0.1);
    let ramp_s = 2.0 * chord / fast;
    let u = ((t_s - ramp_s) / stop_s).clamp(0.0, 1.0);
    let x =
        if t_s < ramp_s { chord * (t_s / ramp_s).powi(2) } else { chord + fast * stop_s * (u - 0.5 * u * u) };
    [x, height(x.min(chord)) - 0.8 * u * u * u * (10.0 + u * (6.0 * u - 15.0))]
}

/// The same line in the chain, whose links stretch and whose integrator is another, led by `tip` until the loop is 1.5 m ahead
/// of it: places of all nodes at most so far apart, and both lines then.
fn beside_the_chain(axial_stiffness_n: f64, tip: impl Fn(f64) -> Flat) -> (f64, [Vec<Flat>; 2]) {
    let spec = LineSpec { carry_m: 7.5, leader_m: 2.3, axial_stiffness_n, ..LineSpec::default() };
    let mut line = PlanarLine::new(&spec, PlanarAir::default(), [0.0, 0.0], [-1.0, 0.0]);
    let (links, joints, masses) = spec.parts();
    let nodes = line
        .nodes()
        .iter()
        .zip(&masses)
        .enumerate()
        .map(|(k, (p, mass_kg))| Node {
            position_m: Vector3::new(p[0], 0.0, p[1]),
            velocity_m_s: Vector3::zeros(),
            mass_kg: *mass_kg,
            held: k == 0,
            drag_area_m2: 0.0,
        })
        .collect();
    let mut chain = Chain::new(nodes, links, joints, Surroundings::default());
    let dt_s = 2.5e-4;
    let (mut worst_m, mut t_s) = (0.0_f64, 0.0);
    loop {
        t_s += dt_s;
        let [x, z] = tip(t_s);
        assert!(line.step(dt_s, [x, z]));
        chain.step(dt_s, Some(Clamp { position_m: Vector3::new(x, 0.0, z), axis: -Vector3::x() })).unwrap();
        let flat: Vec<Flat> = chain.nodes.iter().map(|n| [n.position_m.x, n.position_m.z]).collect();
        let off = |(a, b): (&Flat, &Flat)| (a[0] - b[0]).hypot(a[1] - b[1]);
        worst_m = worst_m.max(line.nodes().iter().zip(&flat).map(off).fold(0.0, f64::max));
        if front(&line).0 > x + 1.5 {
            return (worst_m, [line.nodes().to_vec(), flat]);
        }
    }
}

/// The chain goes toward the line in a plane as it gets stiffer: nodes within 6 cm at 20 kN. A real line's 200 N stores what it
/// gives back after the stop: its nodes are elsewhere along the legs, and they come 6 cm nearer to each other in a loop of 0.5 m,
/// which is what a line that does not stretch misses.
#[test]
fn truth_the_chain_says_the_same() {
    let all = [200.0, 2000.0, 20_000.0]
        .map(|n| beside_the_chain(n, |t| stroke(t, 18.0, |x| 0.03 * (4.0 * x).sin())));
    let [soft, firm, stiff] = all.each_ref().map(|a| a.0);
    let legs = [&all[0], &all[2]].map(|(_, both)| both.each_ref().map(|nodes| separation_m(nodes, 0.4)));
    println!("nodes apart {:.0}, {:.0}, {:.0} mm; legs {legs:?}", 1e3 * soft, 1e3 * firm, 1e3 * stiff);
    assert!(firm < soft && stiff < firm && stiff < 0.06, "{soft} {firm} {stiff}");
    let [of_soft, of_stiff] = legs.map(|[line, chain]| (line - chain).abs());
    assert!(of_soft < 0.08 && of_stiff < 0.03, "{legs:?}");
}

/// What a dip of the tip does to a line with nothing laid into it, in the chain: the nearest that the fly leg comes to the rod
/// leg while the loop is 1.5 m ahead, and how often they cross. A dip of 2 cm in the middle of the way makes a tendency: the
/// fly leg comes nearer by more than the tip dipped (natural tails are said to come of 1 to 2 cm: Coteron; Fauvet 2014); one of
/// 20 cm tails by itself, the fly leg crossing the rod leg and coming back (twice: Arden; Dore).
#[test]
fn truth_a_line_tails_by_itself() {
    let legs = |depth_m: f64| {
        let dip = |x: f64| {
            let u = ((x / 3.0 - 0.6) / 0.2).abs();
            if u < 1.0 { -depth_m * (0.5 * std::f64::consts::PI * u).cos().powi(2) } else { 0.0 }
        };
        let (_, [_, chain]) = beside_the_chain(200.0, |t| stroke(t, 22.0, dip));
        let apart: Vec<f64> = (0..115).map(|k| separation_m(&chain, 0.3 + 0.01 * f64::from(k))).collect();
        let (mut side, mut crossings) = (1.0, 0);
        for w in &apart {
            if w * side < -0.03 {
                (side, crossings) = (-side, crossings + 1);
            }
        }
        (apart.iter().copied().fold(f64::INFINITY, f64::min), crossings)
    };
    let [plain, slight, deep] = [0.0, 0.02, 0.2].map(legs);
    println!("dip 0: {plain:?}; 2 cm: {slight:?}; 20 cm: {deep:?}");
    assert!(plain.1 == 0 && slight.1 == 0 && plain.0 - slight.0 > 0.02, "{plain:?} {slight:?}");
    assert_eq!(deep.1, 2, "{deep:?}");
}

/// A step's length does not show: 0.25 ms against 1 ms moves the loop by less than 2 cm.
#[test]
fn regress_a_millisecond_is_a_short_enough_step() {
    let spec = LineSpec { carry_m: 7.5, leader_m: 2.3, ..LineSpec::default() };
    let run = |dt_s: f64| {
        let mut line = PlanarLine::new(&spec, PlanarAir::default(), [0.0, 0.0], [-1.0, 0.0]);
        let steps = (0.55 / dt_s).round() as u32;
        for i in 1..=steps {
            let t = dt_s * f64::from(i);
            let u = ((t - 0.3) / 0.1).clamp(0.0, 1.0);
            let x = 30.0 * t.min(0.3).powi(2) + 1.8 * (u - 0.5 * u * u);
            assert!(line.step(dt_s, [x, -0.8 * u * u * (3.0 - 2.0 * u)]));
        }
        line.nodes().to_vec()
    };
    let (fine, coarse) = (run(0.25e-3), run(1e-3));
    let worst = fine.iter().zip(&coarse).map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1])).fold(0.0, f64::max);
    println!("1 ms against 0.25 ms: {:.1} mm", 1e3 * worst);
    assert!(worst < 0.02, "{worst}");
}
