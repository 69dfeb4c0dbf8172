//! Pages and comparisons from made-up results: what stands on them, and what must not.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

#[path = "../examples/sample_results/clinic.rs"]
mod clinic;

use std::path::Path;

use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tipwright::model::evidence::Word;
use tipwright::model::figures::Needs;
use tipwright::model::{FigureId, SessionResults, StrokeKind};
use tipwright_report::files::write_all;
use tipwright_report::page::session_page;
use tipwright_report::{CompareBy, CompareChoice, compare, session_files};

fn session(takes: usize) -> SessionResults {
    clinic::session(&clinic::Wish { takes, feet: true, butt: true, seed: 7 })
}

/// All texts of a Parquet file, however compressed.
fn texts_of(path: &Path) -> String {
    let file = std::fs::File::open(path).unwrap();
    let batches = ParquetRecordBatchReaderBuilder::try_new(file).unwrap().build().unwrap();
    batches.map(|b| format!("{:?}", b.unwrap())).collect()
}

#[test]
fn a_tail_is_seen_only_where_the_line_was_measured() {
    let mut results = session(6);
    let rules = tipwright::evidence::Rules::default();
    let all = results.takes.iter().flat_map(|t| &t.evidence).flat_map(|e| &e.evidence);
    let tails = all.filter(|e| e.rule == "tail").collect::<Vec<_>>();
    assert!(!tails.is_empty() && tails.iter().all(|e| e.word == Word::Likely));
    assert!(tails.iter().all(|e| e.stands_on.starts_with("inferred from the tip's path")));
    assert!(!session_page(&results).contains("Tail, <i>seen</i>"));
    // a stroke that is no pick-up: of those no tail is told
    let mut with_crossings = |probabilities: &[f64], said: usize| {
        let take = &mut results.takes[0];
        take.strokes[1].figures.set_count(FigureId::LoopCrossings, said, probabilities);
        take.evidence = tipwright::evidence::judge(&take.strokes, &rules);
        session_page(&results)
    };
    let once = with_crossings(&[0.05, 0.93, 0.02], 1);
    assert!(!once.contains("Tail, <i>seen</i>"), "once crossing is no tail");
    let page = with_crossings(&[0.02, 0.02, 0.96], 2);
    assert!(page.contains("Tail, <i>seen</i>") && page.contains("The line itself was measured"));
    // What was seen stands with its number in both units, the threshold, what it is consistent with, and the dissent.
    for words in ["<i>Consistent with</i>", "<i>Sources differ.</i>", "noticed above", "Loudon 2016"] {
        assert!(page.contains(words), "{words}");
    }
    // what it was for, and that no rule of the others was asked of it
    assert!(page.contains("A pick-up") && page.contains("not asked of a pick-up"));
}

#[test]
fn few_strokes_make_no_difference_on_the_page() {
    let few = session(2);
    assert!(session_page(&few).contains("too few strokes to say"));
    let many = session(8);
    let page = session_page(&many);
    assert!(page.contains("How steady") && page.contains("none seen"));
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

#[test]
fn a_comparison_without_names_names_nobody() {
    let sessions = [session(6), clinic::renamed(session(6), "Alder Reach, a month later")];
    let names: Vec<String> = sessions
        .iter()
        .flat_map(|s| {
            let of_takes = s.takes.iter().flat_map(|t| {
                let clips = t.clips.values().cloned();
                clips.chain([t.alias.clone(), t.take.clone()])
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
            for file in ["index.html", "means.csv", "differences.csv"] {
                all.push_str(&std::fs::read_to_string(folder.path().join(file)).unwrap());
            }
            for file in ["compared_strokes.parquet", "compared_paths.parquet"] {
                all.push_str(&texts_of(&folder.path().join(file)));
            }
            let found: Vec<&String> = names.iter().filter(|n| all.contains(n.as_str())).collect();
            assert_eq!(found.is_empty(), anonymous, "{by:?}, anonymous {anonymous}: {found:?}");
            // No picture in either: paths only.
            assert!(!all.contains("<video") && !all.contains("<img"));
        }
    }
}

#[test]
fn a_session_without_names_names_nobody() {
    let results = session(6);
    let folder = tempfile::tempdir().unwrap();
    write_all(&session_files(&results, true).unwrap(), folder.path()).unwrap();
    let mut all = std::fs::read_to_string(folder.path().join("report/index.html")).unwrap();
    all.push_str(&std::fs::read_to_string(folder.path().join("strokes.csv")).unwrap());
    all.push_str(&std::fs::read_to_string(folder.path().join("evidence.csv")).unwrap());
    all.push_str(&texts_of(&folder.path().join("strokes.parquet")));
    for take in &results.takes {
        for name in [&take.alias, &take.take, &take.session].into_iter().chain(take.clips.values()) {
            assert!(!all.contains(name.as_str()), "{name}");
        }
    }
    assert!(all.contains("Caster A") && all.contains("take 1"));
}

/// Without butt markers the page has every figure of the tip, and says of every other what it needs: in the glossary, and
/// at the stroke.
#[test]
fn a_page_of_the_tip_alone_says_what_the_rest_needs() {
    let results = clinic::session(&clinic::Wish { takes: 2, feet: false, butt: false, seed: 7 });
    let page = session_page(&results);
    assert!(results.takes.iter().all(|t| t.rod.is_empty()));
    for id in FigureId::ALL {
        let info = id.info();
        let entry = page.split(&format!("<div id=\"def-{}\">", info.key)).nth(1).unwrap();
        let entry = entry.split("</div>").next().unwrap();
        assert_eq!(entry.contains("Needs butt markers."), info.needs == Needs::Butt, "{entry}");
        assert_eq!(entry.contains("Needs the line in the picture."), info.needs == Needs::Line, "{entry}");
    }
    let stroke = &results.takes[0].strokes[1];
    assert!(
        stroke.figures.get(FigureId::PeakSpeed).is_some() && stroke.figures.get(FigureId::DipDepth).is_some()
    );
    assert!(stroke.figures.missing.values().any(|why| why == "no butt markers were worn"));
    assert!(page.contains("no butt markers were worn"));
}

#[test]
fn a_failed_take_says_why() {
    let results = session(6);
    let page = session_page(&results);
    assert!(page.contains("could not be measured") && page.contains("the clip ends after 12 frames"));
}
