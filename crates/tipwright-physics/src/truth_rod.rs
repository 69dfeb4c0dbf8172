//! The rod against textbooks and published figures.

use nalgebra::{Point3, Vector3};

use super::chain::{Chain, Clamp, Node, Surroundings};
use super::line::LineSpec;
use super::outfit::{GripMotion, Outfit, OutfitConfig};
use super::rod::RodSpec;
use crate::motion::GripPose;

/// A rod along +X, clamped at the origin, without air.
fn rod_along_x(spec: &RodSpec, gravity_m_s2: f64) -> Chain {
    let (links, joints, masses) = spec.parts();
    let nodes = masses
        .iter()
        .enumerate()
        .map(|(k, m)| Node {
            position_m: Vector3::new(spec.handle_m + spec.link_m() * k as f64, 0.0, 0.0),
            velocity_m_s: Vector3::zeros(),
            mass_kg: *m,
            held: k == 0,
            drag_area_m2: 0.0,
        })
        .collect();
    let around = Surroundings { gravity_m_s2, air_density_kg_m3: 0.0, ground: None };
    Chain::new(nodes, links, joints, around)
}

/// Frequency of a signal that swings about zero, from its first to its last upward crossing.
fn frequency_hz(dt_s: f64, signal: &[f64]) -> f64 {
    let up: Vec<f64> = (1..signal.len())
        .filter(|i| signal[i - 1] < 0.0 && signal[*i] >= 0.0)
        .map(|i| (i as f64 - signal[i] / (signal[i] - signal[i - 1])) * dt_s)
        .collect();
    assert!(up.len() > 2, "no oscillation");
    (up.len() - 1) as f64 / (up[up.len() - 1] - up[0])
}

fn tip_z(chain: &mut Chain, dt_s: f64, steps: usize) -> Vec<f64> {
    let tip = chain.nodes.len() - 1;
    (0..steps)
        .map(|_| {
            chain.step(dt_s, None).unwrap();
            chain.nodes[tip].position_m.z
        })
        .collect()
}

/// Ratios and first frequency of a uniform cantilever (any textbook of vibrations, e.g. Rao, Mechanical Vibrations):
/// roots beta L = 1.87510, 4.69409, 7.85476.
#[test]
fn truth_frequencies_of_a_uniform_cantilever() {
    let (length_m, stiffness, mass_kg_m) = (2.0_f64, 3.0_f64, 0.02);
    let f1_hz = 3.51602 / std::f64::consts::TAU * (stiffness / (mass_kg_m * length_m.powi(4))).sqrt();
    for (root, ratio, tolerance) in
        [(1.875_104_f64, 1.0, 0.01), (4.694_091, 6.267, 0.03), (7.854_757, 17.55, 0.03)]
    {
        let mut chain = rod_along_x(&RodSpec::uniform(length_m, stiffness, mass_kg_m, 40), 0.0);
        // start in the mode's own shape, 1 mm
        let sigma: f64 = (root.sinh() - root.sin()) / (root.cosh() + root.cos());
        for node in &mut chain.nodes {
            let x: f64 = root * node.position_m.x / length_m;
            node.position_m.z = 5e-4 * (x.cosh() - x.cos() - sigma * (x.sinh() - x.sin()));
        }
        let dt_s = 1.0 / (f1_hz * ratio * 200.0);
        let got_hz = frequency_hz(dt_s, &tip_z(&mut chain, dt_s, 1500));
        let off = got_hz / (f1_hz * ratio) - 1.0;
        println!("mode {ratio}: {got_hz:.4} Hz, {:+.3} %", 100.0 * off);
        assert!(off.abs() < tolerance, "mode with ratio {ratio}: {got_hz} Hz");
    }
}

/// Bisshopp & Drucker, Quart. Appl. Math. 3 (1945) 272-275: uniform cantilever, end load of fixed direction,
/// `alpha = P L^2 / EI`; values by elliptic integrals: alpha, tip slope, deflection / L, x / L, chord / L.
const LARGE_DEFLECTION: [(f64, f64, f64, f64, f64); 9] = [
    (0.10, 2.862, 0.03330, 0.99933, 0.99989),
    (0.25, 7.121, 0.08275, 0.99588, 0.99931),
    (0.50, 14.011, 0.16214, 0.98408, 0.99735),
    (1.0, 26.434, 0.30172, 0.94357, 0.99063),
    (1.5, 36.643, 0.41098, 0.89206, 0.98218),
    (2.0, 44.791, 0.49346, 0.83936, 0.97366),
    (3.0, 56.495, 0.60325, 0.74558, 0.95906),
    (5.0, 69.635, 0.71379, 0.61237, 0.94048),
    (10.0, 81.949, 0.81061, 0.44500, 0.92472),
];

/// A uniform rod of 1 m along +X, clamped at the origin, at rest under the weight that makes `alpha`.
fn bent_at_rest(alpha: f64) -> Chain {
    let mut chain = rod_along_x(&RodSpec::uniform(1.0, 1.0, 1e-5, 50), 9.80665);
    let tip = chain.nodes.len() - 1;
    chain.nodes[tip].mass_kg += alpha / 9.80665;
    // axial stretch is not part of the table: a rod stiff enough that P stretches it by 1e-4 at most
    for link in &mut chain.links {
        link.axial_stiffness_n = 1e5;
    }
    let dt_s = 0.002;
    let keep = 1.0 - 2.0 * (3.0 / (alpha / 9.80665)).sqrt() * dt_s;
    for _ in 0..8000 {
        chain.step(dt_s, None).unwrap();
        for node in &mut chain.nodes {
            node.velocity_m_s *= keep.max(0.3);
        }
    }
    assert!(chain.nodes[tip].velocity_m_s.norm() < 1e-6, "not at rest");
    chain
}

/// The rod's shape, and its bend as the measuring library has it from markers: two on the stiff handle below the clamp,
/// one at the tip.
#[test]
fn truth_large_deflection_of_a_cantilever() {
    let mut worst = 0.0_f64;
    for (alpha, slope_deg, deflection, x, chord) in LARGE_DEFLECTION {
        let chain = bent_at_rest(alpha);
        let tip = chain.nodes.len() - 1;
        let end = chain.nodes[tip].position_m;
        let last = end - chain.nodes[tip - 1].position_m;
        let got = [(-last.z).atan2(last.x).to_degrees(), -end.z, end.x, end.norm()];
        for (got, want) in got.into_iter().zip([slope_deg, deflection, x, chord]) {
            worst = worst.max((got / want - 1.0).abs());
            assert!((got / want - 1.0).abs() < 0.005, "alpha {alpha}: {got} instead of {want}");
        }
        let measured = bend_from_markers_m(&end);
        println!("alpha {alpha}: bend {deflection:.5} in the table, {measured:.5} from markers");
        assert!((measured / deflection - 1.0).abs() < 0.005, "alpha {alpha}: bend {measured} from markers");
    }
    println!("largest difference from the table {:.3} %", 100.0 * worst);
}

/// Largest bend in rod.csv of a bent rod that is moved as it is: 2 m against the way it is bent, so that a stroke is
/// there to be found. The clamp lies 0.1 m above the upper marker.
fn bend_from_markers_m(end: &Vector3<f64>) -> f64 {
    use tipwright::model::path::ButtPath;
    use tipwright::model::{MarkerPath, PathSample, RodPaths, Role};
    // the rod stands upright, its tip leans back
    let forward_m = |t: f64| {
        let u = ((t - 0.5) / 0.5).clamp(0.0, 1.0);
        2.0 * u * u * u * (10.0 + u * (6.0 * u - 15.0))
    };
    let path = |x: f64, z: f64| {
        let samples = (0..=360)
            .map(|i| f64::from(i) / 240.0)
            .map(|t_s| PathSample {
                t_s,
                position_in_world: Point3::new(x + forward_m(t_s), 0.3, z),
                velocity_in_world_m_s: Vector3::x() * (forward_m(t_s + 1e-5) - forward_m(t_s - 1e-5)) / 2e-5,
                position_sd_m: Vector3::repeat(1e-4),
                views: 2,
            })
            .collect();
        MarkerPath { samples, ..MarkerPath::default() }
    };
    let butt = |role, at_m: f64| ButtPath { role, at_m, path: path(0.0, 1.2 + at_m) };
    let paths = RodPaths {
        tip: path(end.z, 1.2 + 0.70 + end.x),
        butts: vec![butt(Role::Butt1, 0.35), butt(Role::Butt2, 0.60)],
    };
    let found = tipwright::strokes::measure(&paths, &tipwright::strokes::StrokesConfig::default()).unwrap();
    let rows = found.rod.unwrap();
    assert!(found.strokes.len() == 1 && rows.len() == 361);
    let bends = rows.iter().map(|r| r.bend_m);
    let (least, most) = bends.fold((f64::INFINITY, 0.0_f64), |(a, b), m| (a.min(m.abs()), b.max(m.abs())));
    assert!(most - least < 1e-9, "a bend that stays must be measured as one");
    most
}

/// le Breton, fly-fish-guide.net: bare 9 ft rods ring from below 2.5 to above 3 Hz; with the weight of 30 ft of matching
/// line at the tip most do 78 to 87 cycles per minute.
#[test]
fn truth_frequency_of_the_rod_bare_and_loaded() {
    let ring = |extra_kg: f64| {
        let spec = RodSpec { damping_ratio: 0.0, tip_marker_kg: 0.0, ..RodSpec::default() };
        let mut chain = rod_along_x(&spec, 0.0);
        let tip = chain.nodes.len() - 1;
        chain.nodes[tip].mass_kg += extra_kg;
        for node in &mut chain.nodes {
            node.position_m.z = 0.01 * (node.position_m.x / spec.length_m).powi(3);
        }
        frequency_hz(0.5e-3, &tip_z(&mut chain, 0.5e-3, 8000))
    };
    let bare_hz = ring(0.0);
    let loaded_cpm = 60.0 * ring(9.072e-3);
    println!("bare {bare_hz:.3} Hz, loaded {loaded_cpm:.2} cycles per minute");
    assert!((2.3..3.2).contains(&bare_hz), "bare {bare_hz} Hz");
    assert!((78.0..87.0).contains(&loaded_cpm), "loaded {loaded_cpm} cycles per minute");
}

struct Wave;

impl GripMotion for Wave {
    /// Two strokes: the butt turns by 70 degrees and back, the hand travels 0.5 m.
    fn grip_at(&self, t_s: f64) -> GripPose {
        let phase = (std::f64::consts::PI * (t_s - 0.1).clamp(0.0, 1.6) / 0.8).cos();
        let angle = 0.6 * phase;
        GripPose {
            butt_in_world: Point3::new(0.25 * phase, 0.0, 1.3),
            butt_axis_in_world: Vector3::new(angle.sin(), 0.05 * angle.cos(), angle.cos()).normalize(),
        }
    }
}

/// Without drag and damping what the hand puts in is what the rod and line have.
#[test]
fn energy_is_kept_over_a_cast_without_losses() {
    let mut config = OutfitConfig::default();
    config.surroundings.air_density_kg_m3 = 0.0;
    config.surroundings.ground = None;
    config.settle_s = 0.0;
    config.line_lies_toward = Vector3::new(0.8, 0.0, -0.6);
    config.rod.damping_ratio = 0.0;
    config.line = Some(LineSpec { joint_damping_n_m_s: 0.0, ..LineSpec::default() });
    let mut outfit = Outfit::new(&config, &Wave.grip_at(0.0));
    for link in &mut outfit.chain.links {
        link.axial_damping_n_s = 0.0;
    }
    let start_j = outfit.chain.energy_j();
    let (mut worst_j, mut largest_j) = (0.0_f64, 0.0_f64);
    outfit
        .follow(&Wave, 2.5, |c| {
            let gained_j = c.energy_j() - start_j;
            worst_j = worst_j.max((gained_j - c.work_j).abs());
            largest_j = largest_j.max(gained_j.abs());
        })
        .unwrap();
    println!("energy put in {largest_j:.3} J, unaccounted {worst_j:.2e} J");
    assert!(largest_j > 0.5, "the cast should put energy in, got {largest_j} J");
    assert!(worst_j < 0.01 * largest_j, "{worst_j} J of {largest_j} J unaccounted");
}

/// Turning a bent rod as a whole costs nothing: bending damping acts on the bend's own rate.
#[test]
fn damping_leaves_turning_alone() {
    let spec = RodSpec { damping_ratio: 0.3, ..RodSpec::default() };
    let mut chain = rod_along_x(&spec, 0.0);
    let turn = |t: f64| Vector3::new((2.0 * t).cos(), (2.0 * t).sin(), 0.0);
    for node in &mut chain.nodes {
        node.velocity_m_s = Vector3::new(0.0, 2.0 * node.position_m.x, 0.0);
    }
    let dt_s = 1e-3;
    for i in 1..=1500 {
        let axis = turn(f64::from(i) * dt_s);
        chain.step(dt_s, Some(Clamp { position_m: spec.handle_m * axis, axis })).unwrap();
    }
    // a steady turn bends the rod not at all: the pull of its own mass points along it
    let tip = chain.nodes[chain.nodes.len() - 1].position_m;
    let off = (tip - tip.dot(&chain.clamp_axis) * chain.clamp_axis).norm();
    assert!(off < 5e-3, "tip {off} m off the axis");
}
