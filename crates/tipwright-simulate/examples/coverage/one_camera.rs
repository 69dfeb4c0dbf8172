//! Takes of which one camera alone has a clip: their plane from two other takes of the same caster that both cameras measured, or
//! (`--of-others`) from a take each of three other casters, or (`--hung`) from a wand that was hung at two places before that one camera.
//!
//! From take to take a caster stands elsewhere, casts another way and holds the rod otherwise ([`OF_A_CASTER`]); another caster differs by
//! more ([`OF_CASTERS`]). No source gives these; they are what stepping up to the same mark and aiming at the same target leave.
//!
//! Constants of `tipwright::path::one_view` were set before; none was fitted on what this prints. Seeds 0 to 59 were looked at while it was
//! written, 100 to 159 and 700 on are the check.

use nalgebra::{Point3, Rotation3, Vector3};
use tipwright::model::{Colour, Measured, Scene, TipPlane};
use tipwright::path::one_view::{PlanePrior, tip_plane};
use tipwright::path::{PathConfig, TakeCamera, TakeInput, TakePaths, solve_take};
use tipwright::scene::hung::{HungInput, solve_hung};
use tipwright::scene::wand::WandConfig;
use tipwright_physics::motion::RodMotion;
use tipwright_simulate::casters::{Habit, Manner, TakePlan, cast_take, take_outfit};
use tipwright_simulate::day::place::TwiceHung;
use tipwright_simulate::phone::noise::{between, stream};

use super::film::Marker;
use super::{BUTTS_M, Options, Shoot, World, green, heard, normal, roles, rows, tally, white};

/// How takes of a caster differ, standard deviations: place aside and along, metres; way, degrees; lean of the rod, degrees.
const OF_A_CASTER: [f64; 3] = [0.08, 3.0, 2.0];
/// The same of casters.
const OF_CASTERS: [f64; 3] = [0.20, 6.0, 4.0];
/// How plumb a hung wand hangs, metres in a metre.
const PLUMB_SD: f64 = 2e-3;

/// A take as somebody casts it somewhere.
struct Cast {
    motion: RodMotion,
    turn: Rotation3<f64>,
    shift: Vector3<f64>,
}

impl Cast {
    fn of(manner: Manner, seed: u64, (shift_m, turn_deg, lean_deg): ([f64; 2], f64, f64)) -> Option<Self> {
        let base = TakePlan::default();
        let plan = TakePlan { manner, cant_rad: base.cant_rad + lean_deg.to_radians(), ..base };
        Some(Self {
            motion: cast_take(&plan, &take_outfit(0.04), seed).ok()?,
            turn: Rotation3::from_axis_angle(&Vector3::z_axis(), turn_deg.to_radians()),
            shift: Vector3::new(shift_m[0], shift_m[1], 0.0),
        })
    }

    fn place(&self, p: Point3<f64>) -> Point3<f64> {
        self.turn * p + self.shift
    }
}

fn drawn(sd: [f64; 3], rng: &mut rand_chacha::ChaCha8Rng) -> [f64; 4] {
    [sd[0] * normal(rng), sd[0] * normal(rng), sd[1] * normal(rng), sd[2] * normal(rng)]
}

fn sum(a: [f64; 4], b: [f64; 4]) -> ([f64; 2], f64, f64) {
    ([a[0] + b[0], a[1] + b[1]], a[2] + b[2], a[3] + b[3])
}

/// A person of a habit and the take that is measured: where the caster stands, and where in this take.
fn measured(seed: u64, habit: Habit, rng: &mut rand_chacha::ChaCha8Rng) -> (Manner, [f64; 4], Option<Cast>) {
    let own = drawn(OF_CASTERS, rng);
    let manner = Manner::of_person(habit, seed);
    let cast = Cast::of(manner.clone(), seed + 100_000, sum(own, drawn(OF_A_CASTER, rng)));
    (manner, own, cast)
}

/// The same of a session with one camera, whose plane a wand tells that was hung at two places for all of its casters.
pub fn hung_rows(
    seed: u64,
    habit: Habit,
    world: &World,
    shoot: &Shoot,
    options: &Options,
) -> Vec<tally::Row> {
    let (_, _, cast) = measured(seed, habit, &mut stream(seed, "one camera"));
    let Some(cast) = cast else { return Vec::new() };
    let mut rng = stream(seed, "hung wands");
    let wand = TwiceHung::new(1.0, &mut rng);
    // not quite plumb, at each place otherwise
    let off: [[f64; 2]; 2] = std::array::from_fn(|_| [0, 1].map(|_| PLUMB_SD * normal(&mut rng)));
    let lower = |t: f64| {
        let [x, y] = off[usize::from(t > 0.5 * TwiceHung::SECONDS)];
        wand.end_at(1, t) + Vector3::new(x, y, 0.0)
    };
    let upper = |t: f64| wand.end_at(0, t);
    let clips = shoot(&mut rng, 0.0, TwiceHung::SECONDS, &[white(&upper), white(&lower)]);
    // the phone that stands square to the cast, as a phone alone is to
    let k = 0;
    let input = HungInput {
        lens: &world.lenses[k],
        clip: &clips[k],
        readout_s: None,
        length_m: Measured::new(world.wand_stated_m, 5e-4),
        diameter_m: 0.04,
        colours: vec![Colour::White],
    };
    let scene = match solve_hung(&input, &WandConfig::default()) {
        Ok(solved) => solved.scene,
        Err(e) => {
            println!("set-up {seed}: {e}");
            return Vec::new();
        }
    };
    let Some(hung) = scene.hung else { return Vec::new() };
    if options.verbose {
        println!("set-up {seed} ({}): {}", habit.key(), hung.shown());
    }
    let prior = PlanePrior::of_hung(&hung, &options.path().hung_plane);
    let found = solved(&cast, &scene, world, Some((k, &prior)), shoot, options, &mut rng);
    found.map_or_else(Vec::new, |found| rows::stroke_rows(seed, habit, &cast.motion, &found, options))
}

/// Figures of a take seen by one camera alone beside their truth.
pub fn rows(
    seed: u64,
    habit: Habit,
    scene: &Scene,
    world: &World,
    shoot: &Shoot,
    options: &Options,
) -> Vec<tally::Row> {
    let mut rng = stream(seed, "one camera");
    let (manner, own, measured) = measured(seed, habit, &mut rng);
    let mut cast = |manner: Manner, caster: [f64; 4], k: u64| {
        let off = sum(caster, drawn(OF_A_CASTER, &mut rng));
        Cast::of(manner, seed + 100_000 * (k + 1), off)
    };
    let told: Vec<Option<Cast>> = if options.of_others {
        let mut others = stream(seed, "other casters");
        (1..4)
            .map(|k| {
                let habit = Habit::ALL[((seed + 2 * k) % Habit::ALL.len() as u64) as usize];
                cast(Manner::of_person(habit, seed + 5_000 * k), drawn(OF_CASTERS, &mut others), k)
            })
            .collect()
    } else {
        (1..3).map(|k| cast(manner.clone(), own, k)).collect()
    };
    let Some(measured) = measured else { return Vec::new() };
    let mut clips_rng = stream(seed, "one camera, clips");
    let planes: Vec<TipPlane> = told
        .iter()
        .flatten()
        .filter_map(|cast| tip_plane(&solved(cast, scene, world, None, shoot, options, &mut clips_rng)?.rod))
        .collect();
    let each: Vec<&TipPlane> = planes.iter().collect();
    let prior = if options.of_others {
        PlanePrior::of_takes(&[], &each.iter().map(|p| vec![*p]).collect::<Vec<_>>())
    } else {
        PlanePrior::of_takes(&each, &[])
    };
    let Some(prior) = prior else {
        println!("set-up {seed}: no plane from other takes");
        return Vec::new();
    };
    if options.verbose {
        println!("set-up {seed} ({}): {prior:?}", habit.key());
    }
    let k = (seed % 2) as usize;
    let found = solved(&measured, scene, world, Some((k, &prior)), shoot, options, &mut clips_rng);
    let Some(found) = found else { return Vec::new() };
    rows::stroke_rows(seed, habit, &measured.motion, &found, options)
}

/// The take by both cameras, or by one in a plane; `None` and a word where it cannot be had. By the truth's clock.
fn solved(
    cast: &Cast,
    scene: &Scene,
    world: &World,
    alone: Option<(usize, &PlanePrior)>,
    shoot: &Shoot,
    options: &Options,
    rng: &mut rand_chacha::ChaCha8Rng,
) -> Option<TakePaths> {
    let offset_s = between(rng, -1.0, 1.0);
    let tip = |t: f64| cast.place(cast.motion.tip_at(t));
    let b1 = |t: f64| cast.place(cast.motion.rod_point_at(t, BUTTS_M[0]));
    let b2 = |t: f64| cast.place(cast.motion.rod_point_at(t, BUTTS_M[1]));
    let mut markers: Vec<Marker> = vec![white(&tip), green(&b1), green(&b2)];
    markers.truncate(if options.tip_only { 1 } else { 3 });
    let clips = shoot(rng, offset_s, cast.motion.end_s(), &markers);
    let coarse = heard(offset_s, rng);
    let camera = |k: usize| TakeCamera {
        lens: &world.lenses[k],
        spots: &clips[k],
        readout_s: None,
        coarse_offset: (k == 1 && alone.is_none()).then_some(coarse),
    };
    let input = TakeInput {
        take: "coverage",
        scene,
        cameras: alone.map_or_else(|| vec![camera(0), camera(1)], |(k, _)| vec![camera(k)]),
        roles: roles(options),
        plane: alone.map(|(_, prior)| prior),
    };
    // of takes that tell the plane nobody asks for draws
    let draws = if alone.is_some() { options.path().draws } else { 1 };
    let config = PathConfig { draws, ..options.path() };
    let mut found = solve_take(&input, &config).map_err(|e| println!("{e}")).ok()?;
    // a camera alone has its own clock
    let clock = world.clocks(offset_s)[alone.map_or(0, |(k, _)| k)];
    let paths = std::iter::once(&mut found.rod.tip).chain(found.rod.butts.iter_mut().map(|b| &mut b.path));
    for sample in paths.flat_map(|p| &mut p.samples) {
        sample.t_s = clock.session_s(sample.t_s, 0.0);
    }
    Some(found)
}
