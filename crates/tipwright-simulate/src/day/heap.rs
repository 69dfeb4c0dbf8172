//! A day as it lies in two phones' folders: casters with and without a card, tripods that were moved twice, clips that are missing on a phone
//! and some that belong to nothing, all under the names that phones give, with what phones write of themselves. One plan a set-up.

use std::collections::BTreeMap;
use std::path::PathBuf;

use nalgebra::{Point3, Translation3, UnitQuaternion, Vector3};
use rand::RngExt;
use tipwright::cards::Card;
use tipwright::model::Camera;
use tipwright_footage::encode::{Maker, civil};

use super::plan::{PhoneMode, Plan};
use super::planned::PlannedTake;
use super::shoot::Shoot;
use super::{SimulateConfig, SimulateError, casts, long, place, truth};
use crate::phone::noise::{between, stream};
use crate::phone::play::HeldCard;

/// Takes of the day.
pub const TAKES: usize = 40;
/// Places where the tripods stand, one after the other.
pub const SET_UPS: usize = 3;
/// Takes whose clip is missing on a phone.
pub const MISSING: usize = 5;
/// The second phone's calendar is ahead by this, seconds.
pub const AHEAD_S: i64 = 420;
/// 13 June 2026, 8:00 in universal time, and how far the field's clocks are ahead of that.
const BEGIN_UNIX_S: f64 = 1_781_337_600.0;
const ZONE_S: i32 = 7200;
/// A card is held up in between; the caster rests for so much longer before the first stroke.
const CARD_S: [f64; 2] = [0.6, 3.4];
const WITH_CARD_S: f64 = 3.4;
/// Length of a wand clip that somebody stopped at once, to begin again; of clips filmed by mistake.
const FALSE_START_S: f64 = 2.5;
const STRAY_S: f64 = 3.0;

/// How one thing that was filmed is filed.
#[derive(Debug, Clone, PartialEq)]
pub struct Filed {
    /// When the first phone was started by true time, seconds since 1970.
    pub began_unix_s: f64,
    /// Below the session's folder; none where that phone has no clip of it.
    pub files: Vec<Option<PathBuf>>,
    /// The card held up at the start of a take.
    pub card: Option<CrookedCard>,
}

/// A card as casters hold it: towards one of the phones, tilted away from it, turned, in the sun, in shade or half in both.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CrookedCard {
    /// Which.
    pub card: Card,
    /// Phone it is held towards.
    pub camera_idx: usize,
    /// When it is up, by the first phone's clock.
    pub up_s: [f64; 2],
    /// How far it is tilted.
    pub tilt_rad: f64,
    /// About which axis of the page, from its x.
    pub toward_rad: f64,
    /// How far the page is turned in itself.
    pub roll_rad: f64,
    /// Light on it; 1 is the sun at the nominal exposure.
    pub light: f64,
    /// Direction and place of a shadow's edge on the page (metres), and the light left beyond.
    pub shadow: Option<([f64; 2], f64, f64)>,
}

/// What one set-up of the day has beside an ordinary plan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Part {
    /// Its place in the day, from 0.
    pub set_up_idx: usize,
    /// By the name of what was filmed.
    pub filed: BTreeMap<String, Filed>,
    /// The wand is begun, stopped at once and begun again.
    pub has_false_start: bool,
}

/// Name of a wand clip that is stopped at once.
pub const FALSE_START: &str = "wand-false-start";
/// Name of what is filmed by mistake.
pub const STRAY: &str = "stray";

impl Part {
    /// What is filmed beside a plan's wand, plumb and takes: name and length.
    #[must_use]
    pub fn others(&self) -> Vec<(&'static str, f64)> {
        let false_start = self.has_false_start.then_some((FALSE_START, FALSE_START_S));
        [(STRAY, STRAY_S)].into_iter().chain(false_start).collect()
    }
}

/// The plans of the day, one a set-up.
#[must_use]
pub fn plans(config: &SimulateConfig) -> Vec<Plan> {
    let mut day = Day::new(config);
    (0..SET_UPS).map(|set_up_idx| day.set_up(config, set_up_idx)).collect()
}

/// The day as it goes on: what time it is, and how far each phone has numbered its files.
struct Day {
    rng: rand_chacha::ChaCha8Rng,
    at_s: f64,
    number: u32,
    missing: Vec<usize>,
}

impl Day {
    fn new(config: &SimulateConfig) -> Self {
        let mut rng = stream(config.seed, "heap");
        let mut missing = Vec::new();
        while missing.len() < MISSING {
            let take = rng.random_range(0..TAKES);
            if !missing.contains(&take) {
                missing.push(take);
            }
        }
        Self { at_s: 0.0, number: rng.random_range(900..9000), missing, rng }
    }

    /// Both phones film: the first names its clip by its own clock, the second counts.
    fn film(&mut self, lasts_s: f64, without: Option<usize>) -> Filed {
        let began_unix_s = BEGIN_UNIX_S + self.at_s;
        let [year, month, day, hour, minute, second] = civil(began_unix_s as i64 + i64::from(ZONE_S));
        let local = format!("{year}{month:02}{day:02}_{hour:02}{minute:02}{second:02}");
        let tail = self.rng.random_range(0..1000);
        // photographs are taken in between
        self.number += self.rng.random_range(1..4);
        let names = [
            format!("west/DCIM/Camera/VID_{local}_{tail:03}.mp4"),
            format!("east/IMG_{:04}.MOV", self.number),
        ];
        let has = |(k, name): (usize, String)| (without != Some(k)).then(|| PathBuf::from(name));
        let files = names.into_iter().enumerate().map(has).collect();
        self.at_s += lasts_s;
        Filed { began_unix_s, files, card: None }
    }

    fn pause(&mut self, from_s: f64, to_s: f64) {
        self.at_s += between(&mut self.rng, from_s, to_s);
    }

    fn set_up(&mut self, config: &SimulateConfig, set_up_idx: usize) -> Plan {
        let seed = config.seed.wrapping_mul(SET_UPS as u64).wrapping_add(set_up_idx as u64);
        let mut plan = Plan::minimal(&SimulateConfig { seed, ..*config });
        plan.title = "Alder Reach, as the phones were emptied".into();
        plan.cameras = cameras(set_up_idx, &mut stream(seed, "heap plan"));
        plan.modes = modes(&plan.modes);
        plan.casters = casts::heap_casters();
        plan.plumb_s = 2.0;
        let mut part = Part { set_up_idx, has_false_start: set_up_idx == 1, ..Part::default() };
        if part.has_false_start {
            let filed = self.film(FALSE_START_S, None);
            part.filed.insert(FALSE_START.into(), filed);
            self.pause(40.0, 80.0);
        }
        for (name, lasts_s) in [("wand", plan.wand_s), ("plumb", plan.plumb_s)] {
            let filed = self.film(lasts_s, None);
            part.filed.insert(name.into(), filed);
            self.pause(60.0, 120.0);
        }
        let of_set_up = set_up_idx * TAKES / SET_UPS..(set_up_idx + 1) * TAKES / SET_UPS;
        plan.takes = of_set_up.map(|number| self.take(config, number, &plan, &mut part)).collect();
        self.pause(1500.0, 2400.0);
        plan.heap = Some(part);
        plan
    }

    fn take(&mut self, config: &SimulateConfig, number: usize, plan: &Plan, part: &mut Part) -> PlannedTake {
        let mut take = casts::heap_take(number, config.seed);
        let has_card = number.is_multiple_of(2);
        if has_card {
            take.cast.plan.rest_s += WITH_CARD_S;
            take.duration_s += WITH_CARD_S;
        }
        // the phone that is missing it is one of the two
        let without = self.missing.contains(&number).then_some(number % 2);
        let mut filed = self.film(take.duration_s, without);
        filed.card = has_card.then(|| self.card(plan, &take)).flatten();
        part.filed.insert(take.name.clone(), filed);
        self.pause(35.0, 90.0);
        // in the middle of a set-up somebody presses the button by mistake: on the first phone, on the second, on the first
        if number % (TAKES / SET_UPS) == 5 {
            let stray = self.film(STRAY_S, Some(1 - part.set_up_idx % 2));
            part.filed.insert(STRAY.into(), stray);
        }
        self.pause(35.0, 90.0);
        take
    }

    fn card(&mut self, plan: &Plan, take: &PlannedTake) -> Option<CrookedCard> {
        let row = plan.casters.iter().position(|c| c.id == *take.caster.as_str())?;
        let phase = take.phase.as_deref()?;
        let card = Card::take(row, &take.caster, usize::from(phase == "after"), phase)?;
        let rng = &mut self.rng;
        let (light, shadow) = match rng.random_range(0..3) {
            0 => (between(rng, 1.0, 1.25), None),
            1 => (between(rng, 0.25, 0.5), None),
            _ => {
                let (sin, cos) = between(rng, 0.0, std::f64::consts::TAU).sin_cos();
                (1.0, Some(([cos, sin], between(rng, -0.06, 0.06), between(rng, 0.3, 0.6))))
            }
        };
        Some(CrookedCard {
            card,
            camera_idx: rng.random_range(0..plan.cameras.len()),
            up_s: CARD_S,
            tilt_rad: between(rng, 0.0, 45.0).to_radians(),
            toward_rad: between(rng, 0.0, std::f64::consts::TAU),
            roll_rad: between(rng, -30.0, 30.0).to_radians(),
            light,
            shadow,
        })
    }
}

/// Where the phones stand in a set-up: round the middle by some degrees, nearer and farther.
fn cameras(set_up_idx: usize, rng: &mut impl rand::Rng) -> Vec<Camera> {
    let mut cameras = place::phones(1280, 720, None, rng);
    for camera in &mut cameras {
        let (turn_rad, away) = (between(rng, -14.0, 14.0).to_radians(), between(rng, 0.92, 1.05));
        if set_up_idx == 0 {
            continue;
        }
        let middle = Point3::from(place::MIDDLE);
        let from = camera.pose.camera_from_world.inverse() * Point3::origin() - middle;
        let (sin, cos) = turn_rad.sin_cos();
        let level = Vector3::new(cos * from.x - sin * from.y, sin * from.x + cos * from.y, 0.0) * away;
        camera.pose =
            place::looking(middle + level + Vector3::z() * from.z, middle, between(rng, -0.02, 0.02));
    }
    cameras
}

/// Two phones of invented makes: the first writes when it began in universal time only, the second in local time too; it is minutes ahead, and
/// records no sound.
fn modes(usual: &[PhoneMode]) -> Vec<PhoneMode> {
    let maker =
        |make: &str, model: &str, zone_s| Some(Maker { make: make.into(), model: model.into(), zone_s });
    let mut modes = usual.to_vec();
    modes[0].maker = maker("Brookmere", "BM-41", None);
    modes[1].maker = maker("Fenwick Mobile", "Sedge 12", Some(ZONE_S));
    modes[1].calendar_error_s = Some(AHEAD_S);
    modes[1].sound_lag_s = None;
    modes
}

/// Writes session.toml as a person begins it, casters.csv, lens files, and truth/heap.csv: what each clip is.
pub(super) fn write_texts(shoots: &[Shoot<'_>], out_dir: &std::path::Path) -> Result<(), SimulateError> {
    if let Some(first) = shoots.first() {
        first.write_begun()?;
    }
    let mut list = String::from("clip,what,moment,set_up,caster,phase,card\n");
    for shoot in shoots {
        list += &shoot.heap_rows();
    }
    truth::write(&out_dir.join("truth").join("heap.csv"), &list)
}

/// A card as it is drawn.
#[must_use]
pub fn held_card(plan: &Plan, crooked: &CrookedCard) -> HeldCard {
    let towards = long::page_towards(&plan.cameras[crooked.camera_idx]);
    let (sin, cos) = crooked.toward_rad.sin_cos();
    let tilt = UnitQuaternion::from_scaled_axis(Vector3::new(cos, sin, 0.0) * crooked.tilt_rad);
    let roll = UnitQuaternion::from_scaled_axis(Vector3::z() * crooked.roll_rad);
    let page = towards * tilt * roll;
    let [up_s, down_s] = crooked.up_s;
    // a hand trembles by some millimetres, a few times a second
    let page_at = Box::new(move |t_s: f64| {
        let shake_m = 0.002 * (std::f64::consts::TAU * 3.0 * t_s).sin();
        (up_s..down_s).contains(&t_s).then(|| Translation3::new(shake_m, 0.0, -shake_m) * page)
    });
    HeldCard { card: crooked.card, page_at, light: crooked.light, shadow: crooked.shadow }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::DayKind;

    #[test]
    fn a_day_has_its_takes_and_set_ups_and_lacks_what_it_lacks() {
        for seed in 1..4 {
            let plans = plans(&SimulateConfig { kind: DayKind::Heap, seed, ..SimulateConfig::default() });
            let parts: Vec<&Part> = plans.iter().filter_map(|p| p.heap.as_ref()).collect();
            assert_eq!(parts.len(), SET_UPS);
            assert_eq!(plans.iter().map(|p| p.takes.len()).sum::<usize>(), TAKES);
            let filed = || parts.iter().flat_map(|p| &p.filed);
            // every name once, in the order of time
            let files: Vec<_> = filed().flat_map(|(_, f)| f.files.iter().flatten()).collect();
            assert_eq!(files.iter().collect::<BTreeSet<_>>().len(), files.len());
            let missing =
                |name: &str| filed().filter(|(n, f)| n.starts_with(name) && f.files.contains(&None)).count();
            assert_eq!(missing("take"), MISSING);
            assert_eq!((missing("stray"), missing("wand"), missing("plumb")), (SET_UPS, 0, 0));
            assert_eq!(filed().filter(|(n, _)| *n == FALSE_START).count(), 1);
            let cards: Vec<CrookedCard> = filed().filter_map(|(_, f)| f.card).collect();
            assert_eq!(cards.len(), TAKES / 2);
            assert!(cards.iter().all(|c| c.tilt_rad <= 45.0_f64.to_radians()));
            // whoever is up next is told by number, and the card is theirs
            for take in plans.iter().flat_map(|p| &p.takes) {
                let card = filed().find(|(n, _)| **n == take.name).and_then(|(_, f)| f.card);
                let Some(Card::Take { caster_idx, check, .. }) = card.map(|c| c.card) else { continue };
                assert_eq!(format!("{:02}", caster_idx + 1), take.caster);
                assert_eq!(
                    check,
                    tipwright::cards::check(&take.caster, take.phase.as_deref().unwrap_or_default())
                );
            }
        }
    }
}
