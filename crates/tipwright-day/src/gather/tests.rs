//! Pairing on made-up days whose pairs are known, and kinds on made-up ways.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::cards::{Held, held};
use super::kind::{Kind, kind_of};
use super::pair::{Doubt, Filmed, Paired, pair};
use super::shown::{Shown, Way};
use tipwright::cards::{self, Card};
use tipwright::model::RawPixel;
use tipwright::model::footage::Sound;
use tipwright::scene::sound::{Onsets, SoundConfig};

/// session.toml of a day with two phones before anything was gathered.
pub(super) const TWO_PHONES: &str = r#"schema = 2
title = "a day"
[wand]
length_m = 1.0
[rod]
length_m = 2.7
[marker.tip]
colour = "white"
diameter_mm = 40
[[camera]]
name = "west"
lens = "w.toml"
[[camera]]
name = "east"
lens = "e.toml"
"#;

/// The second phone's calendar is ahead by this, seconds.
const AHEAD_S: f64 = 431.0;

struct Day {
    /// When takes began, and how long they last.
    takes: Vec<(f64, f64)>,
    has_sound: bool,
    /// Stamps are written when a clip ends.
    stamps_ends: bool,
}

impl Day {
    /// Clips of both phones, the first phone's first, in the order of time. The second starts up to 2 s before or after.
    fn films(&self) -> Vec<Filmed> {
        let mut out = Vec::new();
        for camera_idx in 0..2 {
            for (i, (began_s, lasts_s)) in self.takes.iter().enumerate() {
                let mut rng = ChaCha8Rng::seed_from_u64(100 * i as u64 + camera_idx as u64);
                let late_s = if camera_idx == 0 { 0.0 } else { rng.random_range(-2.0..2.0) };
                let stamp_s = began_s + late_s + if self.stamps_ends { *lasts_s } else { 0.0 };
                out.push(Filmed {
                    camera_idx,
                    recorded_s: Some((1e9 + stamp_s + AHEAD_S * camera_idx as f64).floor()),
                    length_s: *lasts_s,
                    onsets: self.has_sound.then(|| heard(i as u64, late_s, *lasts_s, &mut rng)),
                    kind: None,
                });
            }
        }
        out
    }
}

/// A clap at 3 s, then swishes of this take, as a phone hears them that begins `late_s` late.
fn heard(take: u64, late_s: f64, lasts_s: f64, rng: &mut ChaCha8Rng) -> Onsets {
    let mut own = ChaCha8Rng::seed_from_u64(9000 + take);
    let mut events = vec![(3.0, 1.0)];
    for _ in 0..6 {
        events.push((own.random_range(3.5..lasts_s.max(5.0)), own.random_range(0.05..0.3)));
    }
    let rate_hz = 4000.0;
    let samples = (0..(lasts_s * rate_hz) as usize)
        .map(|i| {
            let t = i as f64 / rate_hz + late_s;
            let mut s = 0.01 * (rng.random::<f64>() - 0.5);
            for (at, level) in &events {
                let dt = t - at;
                if (0.0..0.3).contains(&dt) {
                    s += level * (-dt * 40.0).exp() * (2.0 * rng.random::<f64>() - 1.0);
                }
            }
            s as f32
        })
        .collect();
    Onsets::of(&Sound { samples, rate_hz, start_s: 0.0 }, &SoundConfig::default())
}

/// All moments pair clips of one take, but those of `alone`.
fn assert_right(paired: &Paired, takes: usize, alone: &[usize], places: &[(usize, usize)]) {
    let take_of = |clip: usize| places[clip].1;
    for moment in &paired.moments {
        let of: Vec<usize> = moment.clips.iter().map(|c| take_of(*c)).collect();
        assert!(of.windows(2).all(|w| w[0] == w[1]), "{of:?} {moment:?}");
        assert_eq!(of.len(), if alone.contains(&of[0]) { 1 } else { 2 }, "take {}: {moment:?}", of[0]);
    }
    assert_eq!(paired.moments.len(), takes);
    let ahead_s = paired.calendars[1].expect("known").ahead_s;
    assert!((ahead_s - AHEAD_S).abs() < 3.0, "{ahead_s}");
}

fn places(takes: usize) -> Vec<(usize, usize)> {
    (0..2).flat_map(|camera| (0..takes).map(move |take| (camera, take))).collect()
}

/// Takes every two minutes, to the second: shifted by one the days fit but for one clip. What was heard tells.
#[test]
fn a_regular_day_is_paired_by_what_was_heard() {
    let takes: Vec<(f64, f64)> = (0..7).map(|i| (120.0 * f64::from(i), 7.0)).collect();
    let day = Day { takes, has_sound: true, stamps_ends: false };
    let paired = pair(&day.films(), 2, &[]);
    assert_right(&paired, 7, &[], &places(7));
    assert!(paired.moments.iter().all(|m| m.by_sound), "{paired:?}");
}

/// A clip missing on each phone, both sides.
#[test]
fn a_missing_clip_leaves_its_partner_alone() {
    for has_sound in [true, false] {
        let takes = [(0.0, 8.0), (95.0, 12.0), (203.0, 9.0), (341.0, 14.0), (420.0, 8.5), (700.0, 10.0)];
        let day = Day { takes: takes.to_vec(), has_sound, stamps_ends: false };
        let (films, all) = (day.films(), places(6));
        let kept: Vec<usize> = (0..12).filter(|i| ![2, 6 + 4].contains(i)).collect();
        let films: Vec<Filmed> = kept.iter().map(|i| films[*i].clone()).collect();
        let all: Vec<(usize, usize)> = kept.iter().map(|i| all[*i]).collect();
        let paired = pair(&films, 2, &[]);
        assert_right(&paired, 6, &[2, 4], &all);
    }
}

#[test]
fn stamps_of_ends_are_told_from_stamps_of_beginnings() {
    let takes = [(0.0, 8.0), (95.0, 32.0), (203.0, 9.0), (341.0, 54.0), (480.0, 8.5), (700.0, 21.0)];
    let mut films = Day { takes: takes.to_vec(), has_sound: true, stamps_ends: false }.films();
    // the second phone writes the end
    for film in films.iter_mut().filter(|f| f.camera_idx == 1) {
        film.recorded_s = film.recorded_s.map(|s| s + film.length_s);
    }
    let paired = pair(&films, 2, &[]);
    assert_right(&paired, 6, &[], &places(6));
    assert!(paired.calendars[1].expect("known").stamps_ends);
}

/// Nothing heard, takes alike and every two minutes, one missing at an end of each phone: two ways fit as well, and it is said.
#[test]
fn a_day_that_fits_two_ways_is_doubtful() {
    let takes: Vec<(f64, f64)> = (0..6).map(|i| (120.0 * f64::from(i), 7.0)).collect();
    let films = Day { takes, has_sound: false, stamps_ends: false }.films();
    let films: Vec<Filmed> =
        films.into_iter().enumerate().filter(|(i, _)| ![0, 11].contains(i)).map(|(_, f)| f).collect();
    let paired = pair(&films, 2, &[]);
    let pairs: Vec<_> = paired.moments.iter().filter(|m| m.clips.len() == 2).collect();
    assert!(pairs.iter().all(|m| matches!(m.doubt, Some(Doubt::Clocks { .. }))), "{pairs:?}");
}

/// Two clips that are left over, one of each phone, are no pair when earlier pairs say how the calendars lie.
#[test]
fn clips_that_are_alone_do_not_make_a_pair_of_each_other() {
    let takes = [(0.0, 8.0), (95.0, 9.0)];
    let films = Day { takes: takes.to_vec(), has_sound: true, stamps_ends: false }.films();
    let left = [films[0].clone(), films[3].clone()];
    let paired = pair(&left, 2, &[(1, AHEAD_S + 1.0), (1, AHEAD_S - 2.0)]);
    assert!(paired.moments.iter().all(|m| m.clips.len() == 1), "{paired:?}");
    let both = pair(&films[..3], 2, &[(1, AHEAD_S + 1.0), (1, AHEAD_S - 2.0)]);
    assert_eq!(both.moments.iter().filter(|m| m.clips == [0, 2]).count(), 1, "{both:?}");
}

fn way(x: f64, y: f64, speed: [f64; 2], falls_g: [f64; 2]) -> Way {
    Way { at: RawPixel::new(x, y), speed_px_s: speed, falls_g }
}

fn clip(places: impl Fn(f64) -> Vec<Way>) -> Shown {
    Shown { side_px: 1920.0, ways: (0..6).map(|i| places(f64::from(i))).collect(), ..Shown::default() }
}

#[test]
fn kinds_are_told_by_how_marks_move() {
    let rest = [0.0, 0.0];
    let wand = clip(|i| {
        vec![
            way(600.0 + 90.0 * i, 400.0, [150.0, -80.0], [0.1, 0.3]),
            way(700.0, 500.0 + 40.0 * i, [20.0, 200.0], [0.2, 1.0]),
        ]
    });
    let plumb = clip(|i| vec![way(995.0 + 2.0 * i, 612.0, [6.0, 0.0], rest), way(997.0, 433.0, rest, rest)]);
    // hung, carried, and hung again ahead along the cast
    let hung_twice = clip(|i| {
        let (x, speed) = match i as u32 {
            0..=2 => (700.0, rest),
            3 => (980.0, [400.0, -30.0]),
            _ => (1300.0, rest),
        };
        vec![way(x, 700.0, speed, rest), way(x + 3.0, 480.0, speed, rest)]
    });
    let toss = clip(|i| {
        if i < 2.0 { Vec::new() } else { vec![way(1000.0, 500.0 - 60.0 * i, [8.0, -600.0], [0.0, 1.0])] }
    });
    let take = clip(|i| match i as u32 {
        0 | 1 => vec![way(1480.0, 720.0, rest, rest)],
        2 => vec![way(1440.0, 560.0, [-300.0, -650.0], [-0.3, 0.8])],
        _ => vec![way(600.0 + 200.0 * i, 330.0, [900.0, -300.0], [-3.0, 4.0])],
    });
    let nothing = clip(|i| vec![way(300.0 * i, 870.0, rest, rest)]);
    for (what, kind) in [
        (&wand, Some(Kind::Wand)),
        (&plumb, Some(Kind::Plumb)),
        (&hung_twice, Some(Kind::Plumb)),
        (&toss, Some(Kind::Toss)),
        (&take, Some(Kind::Take)),
        (&nothing, None),
    ] {
        assert_eq!(kind_of(&[what]), kind, "{what:?}");
        assert_eq!(kind_of(&[what, what]), kind);
    }
    let board = Shown { boards: 3, board_pictures: 4, ..Shown::default() };
    assert_eq!(kind_of(&[&board]), Some(Kind::Board));
}

#[test]
fn a_card_goes_before_what_a_clip_looks_like_and_two_different_ones_say_nothing() {
    let with =
        |card: Option<Card>| Shown { card, ..clip(|i| vec![way(300.0 * i, 870.0, [0.0; 2], [0.0; 2])]) };
    let take = Card::take(1, "02", 0, "before");
    for (cards, kind) in [
        ([None, None], None),
        ([take, None], Some(Kind::Take)),
        ([Some(Card::Wand), Some(Card::Wand)], Some(Kind::Wand)),
        ([Some(Card::Wand), take], None),
        ([Some(Card::End), None], None),
    ] {
        assert_eq!(kind_of(&[&with(cards[0]), &with(cards[1])]), kind, "{cards:?}");
    }
}

#[test]
fn a_card_is_whose_list_it_was_printed_for() {
    let text = "schema = 2\ntitle = \"a day\"\n[wand]\nlength_m = 1.0\n[rod]\nlength_m = 2.7\n[marker.tip]\ncolour = \"white\"\ndiameter_mm = 40\n[[camera]]\nname = \"west\"\nlens = \"w.toml\"\n[[camera]]\nname = \"east\"\nlens = \"e.toml\"\n[scene]\nwand = { west = \"w.mp4\", east = \"e.mp4\" }\n";
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("casters.csv"), "id,alias\n01,Heron\n02,Otter\n").unwrap();
    let (session, problems) = crate::session::parse_unfinished(text, &folder.path().join("session.toml"));
    let session = session.unwrap_or_else(|| panic!("{problems:?}"));
    let phases = ["before", "after"].map(|p| crate::session::Phase::new(p).unwrap());
    let card = |row: usize, id: &str, phase: usize, name: &str| Card::take(row, id, phase, name).unwrap();
    let right = card(1, "02", 1, "after");
    let of = Held::Of { caster: "02".into(), phase: "after".into() };
    assert_eq!(held(&session, &phases, &[right]), of);
    assert_eq!(held(&session, &phases, &[right, Card::End, right]), of);
    assert_eq!(held(&session, &phases, &[Card::Wand]), Held::Nothing);
    // whose check differs, as seven in eight do
    let other =
        (0..99).map(|i| i.to_string()).find(|id| cards::check(id, "after") != cards::check("02", "after"));
    for wrong in [
        vec![right, card(0, "01", 1, "after")],
        vec![card(2, "03", 0, "before")],
        vec![card(1, "02", 2, "last")],
        vec![card(1, &other.unwrap(), 1, "after")],
    ] {
        assert!(matches!(held(&session, &phases, &wrong), Held::Unclear(_)), "{wrong:?}");
    }
}
