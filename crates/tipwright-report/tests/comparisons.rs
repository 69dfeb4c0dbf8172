//! Comparisons of made-up results: what stands on them, and what must not.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod made;

use made::{all_pages, clinic, page_of, session, texts_of};
use tipwright::model::{FigureId, Measured, RspSource, SessionResults, StrokeKind};
use tipwright_report::compare::pair;
use tipwright_report::page::session_pages;
use tipwright_report::{CompareBy, CompareChoice, compare};

#[test]
fn few_strokes_make_no_difference_on_the_page() {
    let few = session(2);
    let page = all_pages(&few);
    assert!(page.contains("too few strokes to say") && page.contains("of each would tell"));
    let page = all_pages(&session(8));
    assert!(page.contains("how steady") && page.contains("none seen"));
}

/// Like is compared with like: pick-ups are in no mean and no difference, and that is said; steadiness keeps the kinds apart.
#[test]
fn pick_ups_are_compared_with_no_other_stroke() {
    let session = session(6);
    let folder = tempfile::tempdir().unwrap();
    compare(std::slice::from_ref(&session), &CompareChoice::default(), folder.path()).unwrap();
    let page = std::fs::read_to_string(folder.path().join("index.html")).unwrap();
    assert!(page.contains("pick-ups, which are like no other stroke"));
    assert!(session.steadiness.iter().any(|s| s.kind == StrokeKind::PickUp));
    let strokes = |kind| {
        let takes = session.takes.iter().flat_map(|t| &t.strokes);
        takes.filter(|s| s.kind == kind && s.figures.get(FigureId::PeakSpeed).is_some()).count()
    };
    let counted = |kind| -> usize {
        let all = session.steadiness.iter().filter(|s| s.figure == FigureId::PeakSpeed && s.kind == kind);
        all.map(|s| s.steadiness.strokes).sum()
    };
    for kind in [StrokeKind::PickUp, StrokeKind::False] {
        assert_eq!(counted(kind), strokes(kind), "{kind:?}");
    }
}

/// The phases of a session compared: the table of differences, and the page.
fn by_phase(session: &SessionResults) -> (String, String) {
    let folder = tempfile::tempdir().unwrap();
    let choice = CompareChoice { by: CompareBy::Phase, ..CompareChoice::default() };
    compare(std::slice::from_ref(session), &choice, folder.path()).unwrap();
    let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).unwrap();
    (read("comparison_differences.csv"), read("index.html"))
}

/// What one camera alone saw is left out beside strokes of two; where there is nothing else it is compared, and no difference is told that is
/// smaller than what the strokes of a side may all be wrong by.
#[test]
fn one_camera_s_strokes_are_compared_among_themselves_and_own_their_plane() {
    let of = |session: &SessionResults| {
        let (table, page) = by_phase(session);
        let column = |name: &str| table.lines().next().unwrap().split(',').position(|c| c == name).unwrap();
        let [figure, half] = ["figure", "half_width_95"].map(column);
        let dips =
            table.lines().map(|l| l.split(',').collect::<Vec<_>>()).filter(|l| l[figure] == "dip_depth_m");
        let halves: Vec<f64> = dips.filter_map(|l| l[half].parse().ok()).collect();
        (halves, page)
    };
    let mut session = session(12);
    // of several casters only what they have in common is said to be untold
    session.takes.retain(|t| t.caster == "01");
    let (two_cameras, page) = of(&session);
    assert!(
        !page.contains("One camera alone") && two_cameras.iter().any(|half| *half < 0.02),
        "{two_cameras:?}"
    );
    let strokes = |session: &mut SessionResults, takes: usize| {
        for stroke in session.takes.iter_mut().take(takes).flat_map(|t| &mut t.strokes) {
            stroke.views = 1;
            let dip = stroke.figures.get(FigureId::DipDepth).unwrap();
            stroke.figures.set(FigureId::DipDepth, Measured::new(dip.value, 0.015));
        }
    };
    strokes(&mut session, 1);
    let (_, page) = of(&session);
    assert!(page.contains("strokes seen by one camera alone") && !page.contains("One camera alone saw"));
    strokes(&mut session, usize::MAX);
    let (one_camera, page) = of(&session);
    assert!(
        page.contains("One camera alone saw these strokes")
            && !page.contains("strokes seen by one camera alone, which")
    );
    assert!(page.contains("one camera alone can\u{2019}t tell"));
    // 1.96 * sqrt(2) * 15 mm, whatever the number of strokes
    let least = 1.959 * 2.0_f64.sqrt() * 0.015;
    assert!(!one_camera.is_empty() && one_camera.iter().all(|half| *half >= least), "{one_camera:?}");
}

/// Rod straight position by the bend before and by the speed after: what ends there is in no difference, and that is said.
#[test]
fn figures_that_end_at_two_kinds_of_moment_are_not_compared() {
    let differences = |session: &SessionResults| {
        let (table, page) = by_phase(session);
        let figures: Vec<String> =
            table.lines().filter_map(|l| l.split(',').nth(1)).map(str::to_owned).collect();
        (figures, page.contains("whose rod straight position is from the speed"))
    };
    let mut session = session(8);
    let (figures, is_said) = differences(&session);
    let has = |figures: &[String], key: &str| figures.iter().any(|f| f == key);
    assert!(has(&figures, "peak_speed_m_s") && has(&figures, "dip_depth_m") && !is_said, "{figures:?}");
    let after = session.takes.iter_mut().filter(|t| t.phase.as_deref() == Some("after"));
    after.flat_map(|t| &mut t.strokes).for_each(|s| s.rsp_source = RspSource::Speed);
    let (figures, is_said) = differences(&session);
    assert!(has(&figures, "peak_speed_m_s") && !has(&figures, "dip_depth_m") && is_said, "{figures:?}");
}

#[test]
fn a_comparison_without_names_names_nobody() {
    let sessions = [session(6), clinic::several::renamed(session(6), "Alder Reach, a month later")];
    let names: Vec<String> = sessions
        .iter()
        .flat_map(|s| {
            let of_takes = s.takes.iter().flat_map(|t| {
                let clips = t.clips.values().cloned();
                clips.chain([t.alias.clone(), t.take.clone(), t.keys.session_id.clone().unwrap()])
            });
            of_takes.chain([s.title.clone()]).collect::<Vec<_>>()
        })
        .collect();
    for by in [CompareBy::Caster, CompareBy::Phase, CompareBy::Session] {
        for anonymous in [false, true] {
            let folder = tempfile::tempdir().unwrap();
            let choice = CompareChoice { by, anonymous, ..CompareChoice::default() };
            compare(&sessions, &choice, folder.path()).unwrap();
            let mut all = String::new();
            for file in std::fs::read_dir(folder.path()).unwrap().map(|f| f.unwrap().path()) {
                // No glob for strokes, evidence or paths of sessions catches a table of a comparison.
                let name = file.file_name().unwrap().to_str().unwrap();
                assert!(!["strokes", "evidence", "path"].iter().any(|w| name.contains(w)), "{name}");
                match file.extension().unwrap().to_str().unwrap() {
                    "parquet" => all.push_str(&texts_of(&file)),
                    _ => all.push_str(&std::fs::read_to_string(&file).unwrap()),
                }
            }
            let found: Vec<&String> = names.iter().filter(|n| all.contains(n.as_str())).collect();
            assert_eq!(found.is_empty(), anonymous, "{by:?}, anonymous {anonymous}: {found:?}");
            // No picture in either: paths only.
            assert!(!all.contains("<video") && !all.contains("<img"));
        }
    }
}

#[test]
fn what_cannot_be_compared_is_said_in_words() {
    let mut one = session(2);
    for take in &mut one.takes {
        take.phase = Some("before".into());
    }
    let page = |sessions: &[SessionResults], choice: &CompareChoice| {
        let folder = tempfile::tempdir().unwrap();
        compare(sessions, choice, folder.path()).unwrap();
        std::fs::read_to_string(folder.path().join("index.html")).unwrap()
    };
    assert!(
        page(std::slice::from_ref(&one), &CompareChoice::default())
            .contains("There is only one side, before")
    );
    // Two sessions of one title, on one day: told apart by their place in the call.
    let choice = CompareChoice { by: CompareBy::Session, ..CompareChoice::default() };
    let both = page(&[one.clone(), one.clone()], &choice);
    assert!(both.contains("Saturday clinic (1)") && both.contains("Saturday clinic (2)"));
    one.takes.iter_mut().for_each(|t| t.keys.date = Some("2026-06-13".into()));
    let both = page(&[session(2), one], &choice);
    assert!(both.contains("Saturday clinic, 2026-05-09") && both.contains("Saturday clinic, 2026-06-13"));
}

/// A season: a caster whose dip gets less from evening to evening is told so, and drawn with what each evening did to everybody; classes
/// of casters stand apart.
#[test]
fn a_season_shows_progress_classes_and_what_was_the_evenings() {
    let folder = tempfile::tempdir().unwrap();
    let choice = CompareChoice { by: CompareBy::Session, ..CompareChoice::default() };
    compare(&clinic::several::season(12, 10), &choice, folder.path()).unwrap();
    let page = std::fs::read_to_string(folder.path().join("index.html")).unwrap();
    let told = page.split("Progress in 30 days").nth(1).unwrap().split("</table>").next().unwrap();
    let of_heron: Vec<&str> =
        told.split("<tr").filter(|r| r.contains("dip depth") && r.contains("Heron")).collect();
    assert_eq!(of_heron.len(), 1, "{told}");
    assert!(of_heron[0].contains('\u{2212}') || of_heron[0].contains(">-"), "{}", of_heron[0]);
    for words in [
        "the session</text>",
        "for everybody</text>",
        "2025-01-01</text>",
        "Classes of casters",
        ">beginners<",
        ">club<",
    ] {
        assert!(page.contains(words), "{words}");
    }
    // letters instead of names, and no days
    let anonymous = CompareChoice { anonymous: true, ..choice };
    compare(&clinic::several::season(12, 10), &anonymous, folder.path()).unwrap();
    let page = std::fs::read_to_string(folder.path().join("index.html")).unwrap();
    for name in ["Heron", "2025-01", "beginners", "Alder"] {
        assert!(!page.contains(name), "{name}");
    }
    assert!(page.contains("Progress per session"));
}

/// Fifty folders were one page of 73 MB that took 45 s.
#[test]
fn fifty_folders_are_compared_on_a_page_that_opens() {
    let two = [session(6), clinic::session(&clinic::Wish { takes: 6, feet: true, butt: true, seed: 90 })];
    let sessions: Vec<SessionResults> = (0..50)
        .map(|k| clinic::several::renamed(two[k % 2].clone(), &format!("Alder Reach, evening {k}")))
        .collect();
    for by in [CompareBy::Session, CompareBy::Phase, CompareBy::Caster] {
        let folder = tempfile::tempdir().unwrap();
        let began = std::time::Instant::now();
        compare(&sessions, &CompareChoice { by, ..CompareChoice::default() }, folder.path()).unwrap();
        let (took_s, bytes) = (
            began.elapsed().as_secs_f64(),
            std::fs::metadata(folder.path().join("index.html")).unwrap().len(),
        );
        println!("{by:?}: {bytes} bytes in {took_s:.1} s");
        // 73 MB once. A browser takes about a second for 2 MB of drawings.
        assert!(
            bytes < if matches!(by, CompareBy::Session) { 6_000_000 } else { 14_000_000 },
            "{by:?}: {bytes}"
        );
        // On one core of this machine; the old program took 45 s.
        assert!(took_s < 20.0, "{by:?}: {took_s}");
    }
}

/// Two strokes are found by take and number, told apart by session, and put together without a name where none may stand.
#[test]
fn two_casts_are_found_and_put_together() {
    let sessions = [session(2), clinic::several::renamed(session(2), "Alder Reach, a month later")];
    let found = pair::find(&sessions[..1], "01-before/2").unwrap();
    assert_eq!(found, pair::CastPlace { session: 0, take: 0, stroke: 1 });
    let later = pair::find(&sessions, "alder-reach--a-month-later/01-after/3").unwrap();
    assert_eq!((later.session, later.take, later.stroke), (1, 1, 2));
    for (asked, said) in [
        ("01-before", "is not a stroke"),
        ("01-before/x", "is not a stroke"),
        ("nobody/1", "there is no take `nobody`; the takes are 01-before, 01-after"),
        ("alder-reach--a-month-later/01-before/99", "has no stroke 99; it has 10"),
        ("01-before/2", "several sessions have a take `01-before`"),
    ] {
        let why = pair::find(&sessions, asked).unwrap_err();
        assert!(why.contains(said), "{asked}: {why}");
    }
    for anonymous in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let choice = pair::PairChoice { folders: &[], casts: [found, later], anonymous };
        pair::compare_pair(&sessions, &choice, folder.path()).unwrap();
        let page = std::fs::read_to_string(folder.path().join("index.html")).unwrap();
        let table = std::fs::read_to_string(folder.path().join("comparison_pair.csv")).unwrap();
        for text in [page.as_str(), table.as_str(), &texts_of(&folder.path().join("comparison_pair.parquet"))]
        {
            assert_eq!(text.contains("a month later"), !anonymous);
            assert_eq!(text.contains("01-before"), !anonymous);
        }
        // both are there, and the difference is theirs with the errors of both
        assert_eq!(page.matches("class=\"cast\"").count(), 2);
        let row: Vec<f64> = table
            .lines()
            .find(|l| l.starts_with("chord_m,"))
            .map(|l| l.rsplit(',').take(6).filter_map(|v| v.parse().ok()).collect())
            .unwrap();
        let [difference_sd, difference, second_sd, second, first_sd, first] = row[..] else {
            panic!("{table}")
        };
        assert!((second - first - difference).abs() < 1e-12 && first_sd > 0.0);
        assert!((difference_sd - first_sd.hypot(second_sd)).abs() < 1e-12);
    }
    // of a day all may be picked; what is one cast cannot be compared
    let page = page_of(&session_pages(&clinic::several::shifted()), "report/two-casts.html");
    assert_eq!(page.matches("class=\"cast\"").count(), 3);
    let mut alone = session(1);
    alone.takes[0].strokes.truncate(1);
    assert!(session_pages(&alone).iter().all(|p| p.place != "report/two-casts.html"));
}
