//! Pages from made-up results: what stands on them, and what must not.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod made;

use made::{all_pages, clinic, page_of, session, texts_of};
use tipwright::model::figures::Needs;
use tipwright::model::{FigureId, Measured, SlapWord};
use tipwright_report::files::write_all;
use tipwright_report::page::session_pages;
use tipwright_report::session_files;

#[test]
fn a_tail_is_seen_only_where_the_line_was_measured() {
    let mut results = session(6);
    let rules = tipwright::evidence::Rules::default();
    let mut all = results.takes.iter().flat_map(|t| &t.evidence).flat_map(|e| &e.evidence);
    assert!(all.all(|e| e.rule != "tail"), "the made-up casters dip, and no line was measured");
    assert!(!all_pages(&results).contains("Tail, <i>seen</i>"));
    // a stroke that is no pick-up: of those no tail is told
    let mut with_crossings = |probabilities: &[f64], said: usize| {
        let take = &mut results.takes[0];
        take.strokes[1].figures.set_count(FigureId::LoopCrossings, said, probabilities);
        take.evidence = tipwright::evidence::judge(&take.strokes, &rules);
        all_pages(&results)
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

/// Heard with its time, not heard, or why it could not be heard; and no word where nobody listened.
#[test]
fn a_stroke_says_whether_its_slap_was_heard() {
    let mut results = session(1);
    let said = |results: &tipwright::model::SessionResults| {
        let page = page_of(&session_pages(results), "report/caster-01.html");
        let article = page.split("class=\"said\">").nth(1).unwrap();
        article.split("</span> <").next().unwrap().split("</summary>").next().unwrap().to_owned()
    };
    let heard = said(&results);
    assert!(
        heard.contains("heard to slap the rod 41<span class=\"pm\">\u{a0}\u{b1}\u{a0}28</span>"),
        "{heard}"
    );
    let stroke = |results: &mut tipwright::model::SessionResults, slap| {
        let stroke = &mut results.takes[0].strokes[0];
        stroke.slap = slap;
        stroke.figures.set_missing(FigureId::SlapTime, "wind is loud");
    };
    stroke(&mut results, Some(SlapWord::NotHeard));
    assert!(said(&results).contains("No slap of the line on the rod was heard"));
    stroke(&mut results, Some(SlapWord::CouldNotBeHeard));
    assert!(said(&results).contains("could not be heard (wind is loud)"));
    stroke(&mut results, None);
    assert!(!said(&results).contains("slap"));
}

/// The first screen: finding, how often, how sure, a drawing, and no table before them.
#[test]
fn a_caster_s_page_begins_with_the_story() {
    let results = session(6);
    let page = page_of(&session_pages(&results), "report/caster-01.html");
    let story = page.split("id=\"story\"").nth(1).unwrap().split("</section>").next().unwrap();
    for part in
        ["class=\"often\"", "class=\"sure\"", "<svg class=\"plot\"", "casts it was found in the one nearest"]
    {
        assert!(story.contains(part), "{part}");
    }
    // the stroke drawn shows the first finding, not the middle of strokes with it and without
    let link =
        story.split("<figcaption><a href=\"caster-01.html#").nth(1).unwrap().split('"').next().unwrap();
    let article = page.split(&format!("id=\"{link}\"")).nth(1).unwrap().split("</article>").next().unwrap();
    let takes: Vec<_> = results.takes.iter().filter(|t| t.caster == "01").collect();
    let first = &tipwright_report::page::story::habits(&takes)[0];
    assert!(article.contains(&first.title), "{link} is drawn for {}", first.title);
    assert!(!story.contains("<table") && story.matches("class=\"sure\"").count() <= 2);
    let before = page.split("id=\"story\"").next().unwrap();
    assert!(!before.contains("<table") && !before.contains("<svg"));
}

/// Findings are counted where they were asked, by phase, and what is inferred is never called sure.
#[test]
fn a_finding_says_how_often_in_each_phase() {
    let results = session(2);
    let takes: Vec<_> = results.takes.iter().collect();
    let found = tipwright_report::page::story::habits(&takes);
    assert!(!found.is_empty() && found.len() <= 2, "{found:?}");
    for f in &found {
        let count = |is_raised: bool| {
            let of_take = |t: &&tipwright::model::TakeResults| {
                let way = |n: u32| t.strokes.iter().find(|s| s.stroke == n).unwrap().direction;
                let own =
                    t.evidence.iter().filter(|e| way(e.stroke) == f.direction).flat_map(|e| &e.evidence);
                own.filter(|e| e.title.starts_with(&f.title) && (e.is_raised || !is_raised)).count()
            };
            takes.iter().map(of_take).sum::<usize>()
        };
        assert_eq!((f.raised, f.asked), (count(true), count(false)), "{f:?}");
        assert_eq!(f.by_phase.iter().map(|p| p.1).sum::<usize>(), f.raised);
        assert!(f.title != "Tail" || f.certainty != "sure", "{f:?}");
    }
}

/// A handout names nobody else, shows no picture, asks for nothing, and is small enough to send.
#[test]
fn a_handout_is_one_student_s_own() {
    let results = session(8);
    let pages = session_pages(&results);
    let page = page_of(&pages, "report/handout/heron.html");
    assert!(page.contains("Heron") && page.len() < 1_500_000, "{}", page.len());
    for take in results.takes.iter().filter(|t| t.alias != "Heron") {
        assert!(!page.contains(&take.alias) && !page.contains(&take.take), "{}", take.alias);
    }
    assert!(!page.contains("<video") && !page.contains("<img") && !page.contains("href=\"index.html\""));
    assert!(page.contains("of twenty such intervals about one misses"));
}

/// The handout on paper: two sheets, by the same rule, its figures those of the page in the session's units.
#[test]
fn a_handout_on_paper_is_two_sheets_of_one_student() {
    let printed = |pdf: &[u8]| {
        let text = String::from_utf8(pdf.to_vec()).unwrap();
        assert!(text.starts_with("%PDF-") && text.contains("/Count 2"));
        text.split(") Tj")
            .filter_map(|part| Some(part.rsplit_once(" Td (")?.1.to_owned()))
            .collect::<Vec<_>>()
            .join("\n")
    };
    for feet in [false, true] {
        let results = clinic::session(&clinic::Wish { takes: 8, feet, butt: true, seed: 7 });
        let pages = session_pages(&results);
        let of = |place: &str| &pages.iter().find(|p| p.place == place).unwrap().bytes;
        let text = printed(of("report/handout/heron.pdf"));
        for take in results.takes.iter().filter(|t| t.alias != "Heron") {
            assert!(!text.contains(&take.alias) && !text.contains(&take.take), "{}", take.alias);
        }
        let unit = if feet { "ft/s" } else { "m/s" };
        for words in [
            "Heron",
            "From the side, true to scale",
            "interval",
            "dip depth",
            "All strokes over each other",
            unit,
        ] {
            assert!(text.contains(words), "{words}: {text}");
        }
        assert!(!text.contains('?'), "a letter that the fonts lack: {text}");
        let other = if feet { " mm" } else { "ft/s" };
        assert!(!text.contains(other), "{other}");
    }
}

/// The instructor's words stand beside whom they are about, on pages and handouts, as texts; nobody's without names.
#[test]
fn notes_stand_beside_whom_they_are_about() {
    let results = session(4);
    let pages = session_pages(&results);
    for (place, has) in [
        ("report/index.html", true),
        ("report/caster-01.html", true),
        ("report/handout/heron.html", true),
        ("report/caster-02.html", false),
        ("report/handout/wagtail.html", false),
    ] {
        // beside what is written there, not the file that a caster's page offers
        let page = page_of(&pages, place);
        let shown = page.split("id=\"notes\"").next().unwrap();
        assert_eq!(shown.contains("Slower to begin with, then squeeze."), has, "{place}");
        assert!(!page.contains("<look at the bend>"), "{place}");
        assert_eq!(page.contains("<textarea"), place.contains("caster-"), "{place}");
    }
    let own = page_of(&pages, "report/caster-01.html");
    let article = own.split("<article").nth(2).unwrap();
    assert!(article.contains("look at the bend") && article.contains("early"), "not beside its stroke");
    let paper = pages.iter().find(|p| p.place == "report/handout/heron.pdf").unwrap();
    let paper = String::from_utf8(paper.bytes.clone()).unwrap();
    assert!(paper.contains("Slower to begin with, then squeeze.") && paper.contains("stroke 2:"));
    for file in session_files(&results, true).unwrap().iter().filter(|f| f.place.starts_with("report/")) {
        let text = String::from_utf8(file.bytes.clone()).unwrap();
        assert!(!text.contains("squeeze") && !text.contains("<textarea"), "{}", file.place);
    }
}

/// A day of two hundred takes was one page of 98 MB.
#[test]
fn a_day_of_two_hundred_takes_has_no_page_over_twelve_megabytes() {
    let pages = session_pages(&session(200));
    let largest = pages.iter().map(|p| (p.bytes.len(), p.place.as_str())).max().unwrap();
    println!(
        "largest of {} pages: {:?}; all {} bytes",
        pages.len(),
        largest,
        pages.iter().map(|p| p.bytes.len()).sum::<usize>()
    );
    assert!(largest.0 < 12_000_000, "{largest:?}");
    // Every take stands on exactly one of them.
    for k in [0, 117, 199] {
        let id = format!("id=\"take-{k}-");
        let holding = pages.iter().filter(|p| String::from_utf8_lossy(&p.bytes).contains(&id)).count();
        assert_eq!(holding, 1, "{id}");
    }
}

/// Names, titles and clips of strangers: no mark-up, no formula, no terminal escape in any file.
#[test]
fn a_hostile_name_stays_a_text_in_every_file() {
    let mut results = session(2);
    let evil = "=cmd|' /C calc'!A0<script>alert(1)</script>\u{1b}[2J\u{202e}";
    results.title = evil.into();
    for take in &mut results.takes {
        take.session = evil.into();
        take.alias = evil.into();
        take.phase = Some(evil.into());
        take.clips.insert("west".into(), evil.into());
    }
    let mut files = session_files(&results, false).unwrap();
    files.extend(
        tipwright_report::take_files(&results.takes[0], &tipwright_report::ReportConfig::default()).unwrap(),
    );
    for file in files.iter().filter(|f| !f.place.ends_with(".parquet")) {
        let text = String::from_utf8(file.bytes.clone()).unwrap();
        assert!(!text.contains('\u{1b}'), "{}", file.place);
        if file.place.ends_with(".html") || file.place.ends_with(".svg") {
            assert!(!text.contains("<script>alert") && !text.contains('\u{202e}'), "{}", file.place);
        }
        if file.place.ends_with(".csv") {
            let mut reader = csv::Reader::from_reader(text.as_bytes());
            let header = reader.headers().unwrap().clone();
            // Tables of a take alone, as the contract has them, hold no name.
            let Some(session) = header.iter().position(|h| h == "session") else { continue };
            for row in reader.records().map(Result::unwrap) {
                assert!(row.iter().all(|c| !c.starts_with(['=', '+', '@'])), "{}", file.place);
                let back = tipwright_report::text::from_cell(&row[session]);
                assert_eq!(back, tipwright_report::text::visible(evil), "{}", file.place);
            }
        }
    }
}

#[test]
fn a_session_without_names_names_nobody() {
    let results = session(6);
    let folder = tempfile::tempdir().unwrap();
    write_all(&session_files(&results, true).unwrap(), folder.path()).unwrap();
    let mut all = String::new();
    for file in session_files(&results, true).unwrap() {
        all.push_str(&file.place);
        match file.place.ends_with(".parquet") {
            true => all.push_str(&texts_of(&folder.path().join(&file.place))),
            false => all.push_str(&String::from_utf8(file.bytes).unwrap()),
        }
    }
    for take in &results.takes {
        let keys = take.keys.session_id.iter();
        for name in
            [&take.alias, &take.take, &take.session].into_iter().chain(take.clips.values()).chain(keys)
        {
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
    let page = page_of(&session_pages(&results), "report/caster-01.html");
    assert!(results.takes.iter().all(|t| t.rod.is_empty()));
    for id in FigureId::ALL {
        let info = id.info();
        let entry = page.split(&format!("<div id=\"def-{}\">", info.key)).nth(1).unwrap();
        let entry = entry.split("</div>").next().unwrap();
        assert_eq!(entry.contains("Needs butt markers."), info.needs == Needs::Butt, "{entry}");
        assert_eq!(entry.contains("Needs the line in the picture."), info.needs == Needs::Line, "{entry}");
        assert_eq!(entry.contains("Needs sound in the clips."), info.needs == Needs::Sound, "{entry}");
        assert!(!entry.contains("window W") && !entry.contains("contract"), "{entry}");
    }
    let stroke = &results.takes[0].strokes[1];
    assert!(
        stroke.figures.get(FigureId::PeakSpeed).is_some() && stroke.figures.get(FigureId::DipDepth).is_some()
    );
    assert!(stroke.figures.missing.values().any(|why| why == "no butt markers were worn"));
    assert!(page.contains("No butt markers were worn"));
}

#[test]
fn a_failed_take_says_why() {
    let results = session(6);
    let page = all_pages(&results);
    assert!(page.contains("could not be measured") && page.contains("the clip ends after 12 frames"));
    // Of what was not measured there are no empty tables.
    let failed = page.split("This take could not be measured.").nth(1).unwrap();
    assert!(!failed.split("</section>").next().unwrap().contains("How it was measured"));
}

/// Drawings in one unit system at a time: no unit stands before a title, and no stretch under one.
#[test]
fn titles_of_drawings_read_as_they_should() {
    let page = all_pages(&session(2));
    for wrong in ["stretched 0.", "stretched 1.0"] {
        assert!(!page.contains(wrong), "{wrong}");
    }
}

/// What other paths would have made is drawn where it differs, called a model, with every width; a take with a goal shows its
/// attempts. Without either there is no such drawing.
#[test]
fn what_if_and_the_goal_are_drawn() {
    use tipwright::model::line::{Change, PredictedLoop, WhatIf};
    use tipwright::model::results::TakeGoal;
    let wish = clinic::Wish { takes: 2, feet: false, butt: true, seed: 7 };
    let mut results = clinic::session(&wish);
    let plain = page_of(&session_pages(&results), "report/caster-01.html");
    assert!(!plain.contains("What if") && !plain.contains("Attempts"));
    let line = |width: f64| -> Vec<[f64; 2]> {
        let rod = (0..20).map(|i| [0.1 * f64::from(i), 2.0]);
        rod.chain((0..40).map(|i| [2.0 - 0.1 * f64::from(i), 2.0 + width])).collect()
    };
    let width = |w: f64| Measured::new(w, 0.05);
    let what_if =
        |change, w| WhatIf { change, width_m: width(w), crossings: [1.0, 0.0, 0.0], line_in_cast_m: line(w) };
    let take = &mut results.takes[0];
    take.predicted = vec![PredictedLoop {
        stroke: take.strokes[1].stroke,
        width_m: width(0.9),
        fly_leg_dip_m: width(0.1),
        crossings: [0.8, 0.1, 0.1],
        line_in_cast_m: line(0.9),
        what_if: vec![what_if(Change::WithoutDip, 0.45), what_if(Change::SteadyRamp, 0.91)],
    }];
    take.goal = Some(TakeGoal { figure: FigureId::LatePower, above: Some(0.3), below: None });
    let page = page_of(&session_pages(&results), "report/caster-01.html");
    assert!(page.contains("What if: a model, not measured"));
    let drawing = page.split("data-panel=\"what-if\"").nth(1).unwrap();
    assert!(
        drawing.contains("without the dip")
            && !drawing.split("</svg>").next().unwrap().contains("steady ramp")
    );
    assert!(page.contains("Attempts: late power asked for, above 0.3"), "no attempts");
}
