//! Hung wands as phones see them, against the truth.

use nalgebra::{Isometry3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::*;
use crate::model::{Camera, CameraPose, Clock, Picture, Rotation, Scene};
use crate::testing::{Motion, Shot, Thing, film};

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A wand that hangs at a place, is carried, and hangs at another: upper and lower end.
#[derive(Clone)]
struct Carried {
    /// Middle of each place's rest.
    places: [Point3<f64>; 2],
    /// What is wrong about its hanging, slopes.
    tilts: [[f64; 2]; 2],
    length_m: f64,
    swing_rad: f64,
    phase: f64,
    /// Leaves the first place, reaches the second.
    moves_s: [f64; 2],
}

impl Carried {
    fn end(&self, end: usize, t_s: f64) -> Point3<f64> {
        let [from_s, to_s] = self.moves_s;
        let u = ((t_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
        let gone = u * u * (3.0 - 2.0 * u);
        let which = usize::from(u > 0.5);
        let [tx, ty] = self.tilts[which];
        let upright = Vector3::new(tx, ty, 1.0).normalize() * (0.5 * self.length_m);
        let middle = self.places[0] + (self.places[1] - self.places[0]) * gone;
        // it swings about its upper end, less and less since it was brought
        let since_s = if which == 0 { t_s } else { t_s - to_s };
        let swing = self.swing_rad * (-since_s / 10.0).exp() * (3.84 * t_s + self.phase).sin();
        let [cos, sin] = [0.8, 0.6];
        let swung = Vector3::new(cos * swing, sin * swing, 0.0) * self.length_m;
        if end == 0 { middle + upright } else { middle - upright + swung }
    }
}

/// A phone and a wand somewhere: six to twelve metres away, any lens, the plane seen at 35 degrees and more.
struct Drawn {
    camera: Camera,
    /// As its file says.
    lens: Lens,
    wand: Carried,
    stated_m: f64,
}

fn drawn(seed: u64, rng: &mut ChaCha8Rng) -> Drawn {
    // who films looks at the picture: both ends are in it at both places
    let is_in = |drawn: &Drawn| {
        [0.0, 10.0].iter().flat_map(|t_s| [0, 1].map(|end| drawn.wand.end(end, *t_s))).all(|p| {
            drawn
                .camera
                .project(&p)
                .is_some_and(|p| (20.0..1900.0).contains(&p.x_px) && (20.0..1060.0).contains(&p.y_px))
        })
    };
    loop {
        let drawn = drawn_anyhow(seed, rng);
        if is_in(&drawn) {
            return drawn;
        }
    }
}

fn drawn_anyhow(seed: u64, rng: &mut ChaCha8Rng) -> Drawn {
    let config = HungConfig::default();
    let focal_px = rng.random_range(1250.0..1750.0);
    let lens =
        Lens::new([1920, 1080], focal_px, focal_px * 1.001, 962.0, 537.0, [0.1, -0.2, 5e-4, -3e-4, 0.1]);
    let mut said = lens.clone();
    let focal_sd = 0.6;
    let scale = 1.0 + focal_sd * normal(rng) / focal_px;
    (said.fx_px, said.fy_px) = (lens.fx_px * scale, lens.fy_px * scale);
    said.cx_px += 0.8 * normal(rng);
    said.cy_px += 0.8 * normal(rng);
    (said.fx_sd_px, said.fy_sd_px, said.cx_sd_px, said.cy_sd_px) =
        (Some(focal_sd), Some(focal_sd), Some(0.8), Some(0.8));
    let (away_m, apart_m) = (rng.random_range(6.0..12.0), rng.random_range(2.0..4.0));
    // the world's axes are not the plane's
    let yaw = rng.random_range(0.0..std::f64::consts::TAU);
    let along = Vector3::new(f64::cos(yaw), f64::sin(yaw), 0.0);
    let middle =
        Point3::new(rng.random_range(-5.0..5.0), rng.random_range(-5.0..5.0), rng.random_range(1.3..2.0));
    let rise = Vector3::z() * rng.random_range(-0.2..0.2);
    let places = [middle - along * (0.5 * apart_m) - rise, middle + along * (0.5 * apart_m) + rise];
    let bearing = yaw - std::f64::consts::FRAC_PI_2 + rng.random_range(-55_f64..55.0).to_radians();
    let eye = Point3::new(
        middle.x + away_m * bearing.cos(),
        middle.y + away_m * bearing.sin(),
        rng.random_range(1.0..2.0),
    );
    let look_at = Point3::new(middle.x, middle.y, 2.5 + 0.2 * normal(rng));
    let level = CameraPose::looking(eye, look_at).unwrap().camera_from_world;
    let roll = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), 0.03 * normal(rng));
    let pose =
        CameraPose { camera_from_world: Isometry3::from_parts(Translation3::identity(), roll) * level };
    let mut tilt = || [0, 1].map(|_| config.plumb_sd_rad * normal(rng));
    let tilts = [tilt(), tilt()];
    let picture = Picture { stored_px: [1920, 1080], rotation: Rotation::R0 };
    let wand = Carried {
        places,
        tilts,
        length_m: 1.0,
        swing_rad: rng.random_range(0.0..0.015),
        phase: rng.random_range(0.0..6.0),
        moves_s: [4.0, 6.5],
    };
    let stated_m = 1.0 + 5e-4 * normal(rng);
    Drawn {
        camera: Camera { name: format!("phone {seed}"), lens, pose, picture },
        lens: said,
        wand,
        stated_m,
    }
}

/// The clip: upper and lower end, and whatever else is white.
fn clip(drawn: &Drawn, others: &[Motion<'_>], seed: u64) -> ClipSpots {
    let (upper, lower) = (|t: f64| drawn.wand.end(0, t), |t: f64| drawn.wand.end(1, t));
    let mut things = vec![Thing::new(&upper, Colour::White, 0.04), Thing::new(&lower, Colour::White, 0.04)];
    things.extend(others.iter().map(|m| Thing::new(*m, Colour::White, 0.04)));
    let clock = Clock { offset_s: 0.0, drift: 0.0, readout_s: 0.005 };
    let mut out = film(&drawn.camera, 0, &things, &Shot::new(60.0, 11.0, clock, seed));
    // what is wrong about a centroid everywhere alike
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0xce);
    let off: Vec<[f64; 2]> = (0..64).map(|_| [0, 1].map(|_| 0.04 * normal(&mut rng))).collect();
    for frame in &mut out.frames {
        for c in &mut frame.candidates {
            let cell = ((c.centre.x_px / 40.0) as usize * 7 + (c.centre.y_px / 40.0) as usize) % off.len();
            c.centre.x_px += off[cell][0];
            c.centre.y_px += off[cell][1];
        }
    }
    out
}

fn solved(drawn: &Drawn, clip: &ClipSpots) -> Result<HungSolution, HungError> {
    let input = HungInput {
        lens: &drawn.lens,
        clip,
        readout_s: None,
        length_m: Measured::new(drawn.stated_m, 5e-4),
        diameter_m: 0.04,
        colours: vec![Colour::White],
    };
    solve_hung(&input, &WandConfig::default())
}

/// The true pose in the world that the true places make.
fn true_pose(drawn: &Drawn) -> Isometry3<f64> {
    let [a, b] = drawn.wand.places;
    let x = Vector3::new(b.x - a.x, b.y - a.y, 0.0).normalize();
    let axes = nalgebra::Matrix3::from_columns(&[x, Vector3::z().cross(&x), Vector3::z()]);
    let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(axes));
    let middle = nalgebra::center(&a, &b);
    drawn.camera.pose.camera_from_world * Isometry3::from_parts(Translation3::from(middle.coords), turn)
}

/// Errors of the pose as the covariance counts them: turn, translation.
fn errors(scene: &Scene, truth: &Isometry3<f64>) -> [f64; 6] {
    let is = scene.cameras[0].pose().camera_from_world;
    let turn = (truth.rotation * is.rotation.inverse()).scaled_axis();
    let shift = truth.translation.vector - is.translation.vector;
    std::array::from_fn(|i| if i < 3 { turn[i] } else { shift[i - 3] })
}

#[test]
fn the_pose_is_as_unsure_as_it_errs_at_any_distance_and_with_any_lens() {
    let mut rng = ChaCha8Rng::seed_from_u64(71);
    let (mut sums, mut squares, mut n) = ([0.0; 8], [0.0; 8], 0.0);
    let mut mahalanobis = 0.0;
    let (mut off_m, mut off_deg) = (Vec::new(), Vec::new());
    for seed in 0..240 {
        let drawn = drawn(seed, &mut rng);
        let clip = clip(&drawn, &[], seed);
        let scene = solved(&drawn, &clip).unwrap_or_else(|e| panic!("{seed}: {e}")).scene;
        let truth = true_pose(&drawn);
        let error = errors(&scene, &truth);
        let size = Scene::PARAMETERS;
        let all = nalgebra::DMatrix::from_row_slice(size, size, &scene.set_up_covariance);
        let pose = all.view((0, 0), (6, 6)).clone_owned();
        let hung = scene.hung.unwrap();
        let [a, b] = drawn.wand.places;
        let centre = truth.inverse_transform_point(&Point3::origin());
        let z = |is: Measured, truth: f64| (is.value - truth) / is.sd;
        let figures = [z(hung.apart_m, (b - a).xy().norm()), z(hung.camera_off_m, centre.y.abs())];
        let zs = (0..6).map(|i| error[i] / pose[(i, i)].sqrt()).chain(figures);
        for (i, z) in zs.enumerate() {
            sums[i] += z;
            squares[i] += z * z;
        }
        let error = nalgebra::DVector::from_row_slice(&error);
        mahalanobis += error.dot(&pose.cholesky().unwrap().solve(&error));
        off_m.push(hung.camera_off_m.sd);
        off_deg.push(hung.vertical_sd_deg);
        n += 1.0;
    }
    let rms = squares.map(|s| f64::sqrt(s / n));
    let bias = sums.map(|s| s / n);
    let sd = |all: Vec<f64>| crate::math::median(all).unwrap();
    println!(
        "z rms {rms:.2?}, bias {bias:.2?}, pose together {:.2} of 6; median sd: camera to plane {:.1} cm, vertical {:.2} degrees",
        mahalanobis / n,
        100.0 * sd(off_m),
        sd(off_deg)
    );
    // a z rms of 240 is known to 5 %: the limits asked for are four of that and more; a mean to 0.065, at four of that
    assert!(rms.iter().all(|z| (0.8..1.25).contains(z)), "{rms:?}");
    assert!(bias.iter().all(|b| b.abs() < 0.26), "{bias:?}");
    // a chi-square of 6 from 240 is known to 0.22
    assert!((4.0..8.0).contains(&(mahalanobis / n)), "{}", mahalanobis / n);
}

#[test]
fn marks_that_stand_there_all_the_while_are_no_wand() {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let drawn = drawn(0, &mut rng);
    let truth = true_pose(&drawn);
    // flowers a wand's length above each other beside both places, and one under the first place
    let [a, b] = drawn.wand.places;
    let at = |p: Point3<f64>, x: f64, z: f64| move |_: f64| p + Vector3::new(x, 0.0, z);
    let still = [at(a, 0.7, 0.5), at(a, 0.7, -0.5), at(b, -0.6, 0.5), at(b, -0.6, -0.5), at(a, 0.02, -1.5)];
    let others: Vec<Motion<'_>> = still.iter().map(|f| f as Motion<'_>).collect();
    let scene = solved(&drawn, &clip(&drawn, &others, 3)).unwrap().scene;
    let error = errors(&scene, &truth);
    // a hundredth of a radian is a wand aslant by the width of its markers
    assert!(
        error[..3].iter().all(|e| e.abs() < 0.03) && error[3..].iter().all(|e| e.abs() < 0.25),
        "{error:?}"
    );
}

#[test]
fn sightings_of_something_else_now_and_then_do_no_harm() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    for seed in 0..40 {
        let drawn = drawn(seed, &mut rng);
        let mut clip = clip(&drawn, &[], seed);
        // one in a hundred is a dozen pixels off, as far as a glint beside it
        let mut wild = ChaCha8Rng::seed_from_u64(seed);
        for c in clip.frames.iter_mut().flat_map(|f| &mut f.candidates) {
            if wild.random::<f64>() < 0.01 {
                c.centre.x_px += 12.0 * normal(&mut wild);
                c.centre.y_px += 12.0 * normal(&mut wild);
            }
        }
        let scene = solved(&drawn, &clip).unwrap_or_else(|e| panic!("{seed}: {e}")).scene;
        let error = errors(&scene, &true_pose(&drawn));
        let sd = scene.cameras[0].translation_sd_m;
        assert!((0..3).all(|i| error[3 + i].abs() < 5.0 * sd[i]), "{seed}: {error:?} {sd:?}");
    }
}

#[test]
fn what_is_missing_is_said() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let good = drawn(0, &mut rng);
    let with = |change: &dyn Fn(&mut Drawn)| {
        let mut out =
            Drawn { camera: good.camera.clone(), lens: good.lens.clone(), wand: good.wand.clone(), ..good };
        change(&mut out);
        solved(&out, &clip(&out, &[], 4))
    };
    assert!(with(&|_| {}).is_ok());
    let one = with(&|d| d.wand.moves_s = [90.0, 95.0]);
    assert!(
        matches!(one, Err(HungError::OnePlace { from_s, to_s, .. }) if from_s < 1.0 && to_s > 9.0),
        "{one:?}"
    );
    let near = with(&|d| d.wand.places[1] = d.wand.places[0] + (d.wand.places[1] - d.wand.places[0]) * 0.25);
    assert!(matches!(near, Err(HungError::Apart { apart_m, .. }) if apart_m < 1.0), "{near:?}");
    // never still
    let waved = with(&|d| d.wand.swing_rad = 1.5);
    assert!(matches!(waved, Err(HungError::NoWand { .. })), "{waved:?}");
    // leant on something at one place: across the line of sight by 20 degrees
    let aslant = with(&|d| {
        let across = d.camera.pose.camera_from_world.rotation.inverse() * Vector3::x();
        d.wand.tilts[1] = [0.36 * across.x, 0.36 * across.y];
    });
    assert!(matches!(aslant, Err(HungError::Aslant { .. })), "{aslant:?}");
    let twice = {
        let (upper, lower) = (|t: f64| good.wand.end(0, t), |t: f64| good.wand.end(1, t));
        let beside = Vector3::new(0.3, 0.3, 0.1);
        let (second, third) = (|t: f64| upper(t) + beside, |t: f64| lower(t) + beside);
        solved(&good, &clip(&good, &[&second, &third], 4))
    };
    assert!(matches!(twice, Err(HungError::Ambiguous { .. })), "{twice:?}");
    let small = HungError::OnePlace { camera: "west".into(), from_s: 1.0, to_s: 4.0 }.to_string();
    assert!(
        small.contains("one place only (1.0 to 4.0 s)") && small.contains("two to four metres"),
        "{small}"
    );
}
