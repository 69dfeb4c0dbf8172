//! Who casts what at Alder Reach: invented persons with habits, before and after a lesson, and the simulation of
//! their casts.

use std::sync::Arc;

use nalgebra::{Point3, Vector3};
use rayon::prelude::*;
use tipwright::model::FigureId;
use tipwright_day::session::{Caster, CasterId, Goal, Hand};

use super::SimulateError;
use super::planned::{Cast, Fault, Knock, PlannedTake};
use crate::casters::{GripStroke, Habit, Manner, TakePlan, cast_part, grip_of, take_outfit};
use crate::phone::noise::{between, stream};
use tipwright_physics::OutfitConfig;
use tipwright_physics::motion::RodMotion;

/// Clips may start before the first camera's and end after it by so much: the motion goes on for them.
const BEYOND_S: f64 = 0.6;

/// Rod, line and marker of all takes. Steps of 0.5 ms: half the time of the default's, and a tip within 0.3 mm rms of it.
#[must_use]
pub fn outfit(tip_marker_mm: f64) -> OutfitConfig {
    OutfitConfig { step_s: 0.5e-3, steps_per_frame: 1, ..take_outfit(tip_marker_mm / 1000.0) }
}

/// Simulates every take once, in parallel: pictures and truth both read the result.
///
/// # Errors
/// A take's mechanics diverge.
pub fn simulate(takes: &[PlannedTake], outfit: &OutfitConfig) -> Result<Vec<Arc<RodMotion>>, SimulateError> {
    takes
        .par_iter()
        .with_max_len(1)
        .map(|take| {
            cast_part(&take.cast.plan, outfit, take.cast.seed, take.duration_s + BEYOND_S)
                .map(Arc::new)
                .map_err(|reason| SimulateError::Cast { take: take.name.clone(), reason })
        })
        .collect()
}

/// The three of the clinic.
#[must_use]
pub fn clinic_casters() -> Vec<Caster> {
    let caster = |id: &str, alias: &str, hand: Hand, note: &str| Caster {
        id: CasterId::new(id).expect("digits are a name"),
        alias: alias.into(),
        hand: Some(hand),
        rod_length_m: None,
        note: note.into(),
        key: None,
        class: None,
    };
    vec![
        caster("01", "Heron", Hand::Right, "casts a slow, wide line"),
        caster("02", "Otter", Hand::Right, "hurries the start"),
        caster("03", "Wagtail", Hand::Left, "new to it"),
    ]
}

/// A person of the day: a habit, what a lesson makes of it and how far.
struct Person {
    caster: &'static str,
    left_handed: bool,
    habit: Habit,
    taught: Habit,
    share: f64,
}

/// Habits of the clinic's three. A lesson goes most of the way, not all of it.
const CLINIC: [Person; 3] = [
    Person {
        caster: "01",
        left_handed: false,
        habit: Habit::WideArc,
        taught: Habit::SmoothLatePower,
        share: 0.75,
    },
    Person {
        caster: "02",
        left_handed: false,
        habit: Habit::EarlyPunch,
        taught: Habit::SmoothLatePower,
        share: 0.7,
    },
    Person { caster: "03", left_handed: true, habit: Habit::Creep, taught: Habit::SlowTight, share: 0.65 },
];

/// On the hard day the same two have other troubles.
const HARD: [Person; 2] = [
    Person {
        caster: "01",
        left_handed: false,
        habit: Habit::LateStop,
        taught: Habit::TrackingError,
        share: 0.6,
    },
    Person {
        caster: "02",
        left_handed: false,
        habit: Habit::NarrowArc,
        taught: Habit::BrokenOpposite,
        share: 0.6,
    },
];

/// A clinic's takes: pick-up, five back casts, five false casts forward and the delivery, so that six strokes a direction are measured and five
/// are left where pick-ups are set aside.
const CLINIC_STROKES: u32 = 12;
/// The last loop unrolls within this of the stop.
const LAID_DOWN_S: f64 = 0.75;
/// What the drill asks for.
const DRILL: Goal = Goal { figure: FigureId::LatePower, above: Some(0.6), below: None };

/// Four strokes fit into a clip of 6.8 s with a rest before and the line laid down after.
const STROKES: u32 = 4;
const CLIP_S: f64 = 6.8;

fn take(person: &Person, phase: &str, seed: u64) -> PlannedTake {
    let name = format!("{}-{phase}", person.caster);
    let person_seed = seed.wrapping_mul(100) + person.caster.parse::<u64>().unwrap_or(0);
    let own = Manner::of_person(person.habit, person_seed);
    let manner = match phase {
        "before" => own,
        _ => own.toward(&Manner::of_person(person.taught, person_seed), person.share),
    };
    let mut rng = stream(seed, &format!("{name} cast"));
    let side = if person.left_handed { -1.0 } else { 1.0 };
    let plan = TakePlan {
        manner,
        strokes: STROKES,
        rest_s: between(&mut rng, 0.55, 0.7),
        hand_in_world: Point3::new(
            between(&mut rng, -0.05, 0.1),
            between(&mut rng, -0.1, 0.1),
            between(&mut rng, 1.30, 1.40),
        ),
        cant_rad: side * between(&mut rng, 4.0, 9.0).to_radians(),
    };
    PlannedTake {
        cast: Cast { plan, seed: person_seed ^ name.len() as u64 },
        name,
        caster: person.caster.into(),
        phase: Some(phase.into()),
        duration_s: CLIP_S,
        goal: None,
        passer_by: false,
        fault: None,
        knock: None,
    }
}

fn takes_of(persons: &[Person], seed: u64) -> Vec<PlannedTake> {
    persons.iter().flat_map(|p| ["before", "after"].map(|phase| take(p, phase, seed))).collect()
}

/// Takes of the clinic: three persons before and after, six strokes a direction. The second caster's after the lesson is a drill: power as late
/// as can be.
#[must_use]
pub fn clinic_takes(seed: u64) -> Vec<PlannedTake> {
    let mut takes = takes_of(&CLINIC, seed);
    for take in &mut takes {
        take.cast.plan.strokes = CLINIC_STROKES;
        let grip = grip_of(&take.cast.plan, take.cast.seed);
        take.duration_s = grip.strokes.last().map_or(CLIP_S, GripStroke::end_s) + LAID_DOWN_S;
        take.goal = (take.name == "02-after").then_some(DRILL);
    }
    takes
}

/// As many takes as on the clinic, short: for days of other conditions.
#[must_use]
pub fn short_takes(seed: u64) -> Vec<PlannedTake> {
    takes_of(&CLINIC, seed)
}

/// Takes of the hard day: someone walks by in every one.
#[must_use]
pub fn hard_takes(seed: u64) -> Vec<PlannedTake> {
    takes_of(&HARD, seed).into_iter().map(|t| PlannedTake { passer_by: true, ..t }).collect()
}

/// One short take: pick-up, a false cast, the delivery.
#[must_use]
pub fn minimal_take(seed: u64) -> PlannedTake {
    let mut out = take(&CLINIC[1], "before", seed);
    out.caster = "01".into();
    out.name = "01-before".into();
    out.cast.plan.rest_s = 0.5;
    out.duration_s = 6.2;
    out
}

/// Two casters with a take each.
#[must_use]
pub fn single_takes(seed: u64) -> Vec<PlannedTake> {
    CLINIC[..2].iter().map(|person| take(person, "before", seed)).collect()
}

/// The five of the day that is a heap.
#[must_use]
pub fn heap_casters() -> Vec<Caster> {
    let mut all = clinic_casters();
    for (id, alias) in [("04", "Dipper"), ("05", "Teal")] {
        let id = CasterId::new(id).expect("digits are a name");
        all.push(Caster {
            id,
            alias: alias.into(),
            hand: Some(Hand::Right),
            note: String::new(),
            ..all[0].clone()
        });
    }
    all
}

/// A take of the day that is a heap: one after the other they cast, twenty before and twenty after.
#[must_use]
pub fn heap_take(number: usize, seed: u64) -> PlannedTake {
    let [late, narrow] = HARD;
    let persons: [Person; 5] = {
        let [a, b, c] = CLINIC;
        [a, b, c, Person { caster: "04", ..late }, Person { caster: "05", ..narrow }]
    };
    let phase = if number < super::heap::TAKES / 2 { "before" } else { "after" };
    let mut out = take(&persons[number % persons.len()], phase, seed);
    out.name = format!("take-{:02}", number + 1);
    out.cast.seed ^= (number as u64) << 16;
    out.cast.plan.rest_s = 0.5;
    out.duration_s = 6.2;
    out
}

/// Six takes before and six after, of the right-handed of the day that is a heap; no card is held up before the fourth and the tenth.
#[must_use]
pub fn hour_takes(seed: u64) -> Vec<PlannedTake> {
    let numbers = [0, 1, 3, 4, 5, 6, 20, 21, 23, 24, 25, 26];
    let mut takes: Vec<PlannedTake> = numbers.map(|number| heap_take(number, seed)).into();
    for without in [3, 9] {
        takes[without].phase = None;
    }
    takes
}

/// Two casters before, then both after, with the minimal day's rests.
#[must_use]
pub fn long_takes(seed: u64) -> Vec<PlannedTake> {
    let persons = || CLINIC[..2].iter();
    let pairs = ["before", "after"].into_iter().flat_map(|phase| persons().map(move |p| (p, phase)));
    pairs
        .map(|(person, phase)| {
            let mut out = take(person, phase, seed);
            out.cast.plan.rest_s = 0.5;
            out.duration_s = 6.2;
            out
        })
        .collect()
}

/// Two good takes with faults between them, one more after a tripod was knocked, and one whose clip was cropped.
#[must_use]
pub fn faulty_takes(seed: u64) -> Vec<PlannedTake> {
    let good = |number: usize, person: &Person| {
        let mut out = take(person, "before", seed);
        out.name = format!("{number:02}-good");
        out.phase = None;
        out.cast.plan.rest_s = 0.5;
        out.duration_s = 6.2;
        out
    };
    let faulty = |number: usize, fault: Fault| {
        let mut bad = good(number, &CLINIC[0]);
        bad.name = format!("{number:02}-{}", fault.key());
        bad.fault = Some(fault);
        // long enough for a stroke
        bad.duration_s = 2.4;
        bad
    };
    let mut out = vec![good(1, &CLINIC[1])];
    for fault in Fault::ALL.into_iter().filter(|fault| *fault != Fault::Cropped) {
        out.push(faulty(out.len() + 1, fault));
    }
    out.push(good(out.len() + 1, &CLINIC[2]));
    // somebody stumbled over a leg of the second tripod
    let mut knocked = good(out.len() + 1, &CLINIC[1]);
    knocked.name = format!("{:02}-knocked", out.len() + 1);
    knocked.knock = Some(Knock {
        camera_idx: 1,
        turn_deg: Vector3::new(0.45, -0.6, 0.3),
        shift_m: Vector3::new(0.008, -0.004, -0.003),
    });
    out.push(knocked);
    out.push(faulty(out.len() + 1, Fault::Cropped));
    out
}
