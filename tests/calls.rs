//! Calls that cannot be meant are refused with status 2, in words, at once.

#[path = "support/mod.rs"]
mod support;

use std::fs;
use std::path::Path;

use support::{Spoiled, copy, day, json, status, text, tipwright};

#[test]
fn a_plan_of_what_cannot_be_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let dir = folder.path().join("pond");
    assert_eq!(status(&tipwright(&["-q", "new", dir.to_str().unwrap()])), 0);
    let out = folder.path().join("plan");
    for wrong in [
        "--fps=-240",
        "--fps=1e9",
        "--fps=nan",
        "--sigma-px=-1",
        "--sigma-px=0",
        "--field-deg=0",
        "--field-deg=180",
        "--tip-height-m=-3",
        "--tip-height-m=inf",
    ] {
        let began = std::time::Instant::now();
        let run = tipwright(&[
            "plan",
            dir.to_str().unwrap(),
            "--camera",
            "west=-0.7,-8.3,1.3",
            "--camera",
            "east=-6,-5,1.3",
            wrong,
            "-o",
            out.to_str().unwrap(),
        ]);
        assert_eq!(status(&run), 2, "{wrong}: {}", text(&run.stderr));
        assert!(began.elapsed().as_secs() < 5, "{wrong}");
        assert!(!out.exists(), "{wrong}");
    }
}

#[test]
fn unix_time_in_a_path_ends_and_is_right() {
    let folder = tempfile::tempdir().unwrap();
    let call = |start_s: f64, step: f64, more: &str| {
        let mut rows = String::from("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s\n");
        for i in 0..720 {
            let t_s = f64::from(i) / 240.0;
            let omega = std::f64::consts::PI / 0.5;
            let phase = omega * (t_s - 0.5).clamp(0.0, 0.5);
            let speed = if (0.5..1.0).contains(&t_s) { 1.5 * omega * phase.sin() } else { 0.0 };
            rows += &format!("{:.7},{:.6},0,3,{:.6},0,0\n", start_s + step * t_s, -1.5 * phase.cos(), speed);
        }
        let file = folder.path().join("path.csv");
        fs::write(&file, rows + more).unwrap();
        let out = folder.path().join(format!("out{start_s}{step}"));
        tipwright(&["--json", "strokes", file.to_str().unwrap(), "-o", out.to_str().unwrap()])
    };
    let path = |start_s: f64| {
        let run = call(start_s, 1.0, "");
        assert_eq!(status(&run), 0, "{}", text(&run.stderr));
        json(&run)
    };
    let plain = path(0.0);
    let figure = |document: &serde_json::Value, key: &str| document["strokes"][0][key].as_f64().unwrap();
    // seconds: the same stroke, later; a double has a quarter of a microsecond left
    for start_s in [1e9, 1.78e9, -1e9] {
        let unix = path(start_s);
        assert_eq!(unix["strokes"].as_array().unwrap().len(), 1, "{start_s}");
        assert!(
            (figure(&unix, "peak_speed_m_s") - figure(&plain, "peak_speed_m_s")).abs() < 1e-3,
            "{start_s}"
        );
        assert!((figure(&unix, "duration_s") - figure(&plain, "duration_s")).abs() < 1e-4, "{start_s}");
        assert!(
            (figure(&unix, "t_start_s") - start_s - figure(&plain, "t_start_s")).abs() < 1e-4,
            "{start_s}"
        );
    }
    // milliseconds and nanoseconds are no seconds
    for (start_s, step) in [(1.78e12, 1e3), (1.78e18, 1e9)] {
        let run = call(start_s, step, "");
        assert_eq!(status(&run), 2, "{step}");
        assert!(text(&run.stderr).contains("is t_s in seconds?"), "{}", text(&run.stderr));
    }
    // one stamp that jumps
    let run = call(0.0, 1.0, "9e8,0,0,3,0,0,0\n");
    assert_eq!(json(&run)["strokes"].as_array().unwrap().len(), 1, "{}", text(&run.stderr));
}

#[test]
fn results_are_compared_with_what_is_there() {
    let good = Spoiled::new();
    assert_eq!(status(&good.call("day", &["--quiet"])), 0);
    let results = good.results();
    let (results, out) = (results.to_str().unwrap(), good.folder.path().join("comparison"));
    let twice = format!("{results}/../results");
    let cases: [&[&str]; 9] = [
        &[results, "--strokes", "01-before/1"],
        &[results, "--strokes", "01-before/1", "nobody/1"],
        &[results, "--strokes", "01-before/1", "01-before/99"],
        &[results, "--strokes", "01-before/1", "01-before"],
        &[results, "--strokes", "01-before/1", "01-before/2", "--by", "caster"],
        &[results, results],
        &[results, &twice],
        &[results, "--phases", "before", "never"],
        &[results, "--by", "phase"],
    ];
    for case in cases {
        let mut arguments = vec!["compare", "-o", out.to_str().unwrap()];
        arguments.extend(case);
        let run = tipwright(&arguments);
        assert_eq!(status(&run), 2, "{case:?}: {}", text(&run.stderr));
        assert!(!out.exists(), "{case:?}");
    }
    // other results of the same session: its strokes would count twice
    let again = good.folder.path().join("again");
    copy(Path::new(results), &again);
    let compare = || {
        let run = tipwright(&["compare", results, again.to_str().unwrap(), "-o", out.to_str().unwrap()]);
        (status(&run), text(&run.stderr))
    };
    let (code, said) = compare();
    assert!(code == 2 && said.contains("count twice") && !out.exists(), "{said}");
    // with an id of its own it is another session, and the tables say which
    let id_of =
        |words: &str| words.split("id = \"").nth(1).and_then(|w| w.split('"').next()).unwrap().to_owned();
    let first_id = id_of(&fs::read_to_string(good.session().join("session.toml")).unwrap());
    good.edit(|words| {
        let others: Vec<&str> = words.lines().filter(|l| !l.starts_with("id = ")).collect();
        format!("id = \"alder-2026-06-13-aaaa\"\n{}\n", others.join("\n"))
    });
    let made = tipwright(&["-q", "day", good.session().to_str().unwrap(), "-o", again.to_str().unwrap()]);
    assert_eq!(status(&made), 0, "{}", text(&made.stderr));
    let (code, said) = compare();
    assert_eq!(code, 0, "{said}");
    let means = fs::read_to_string(out.join("comparison_means.csv")).unwrap();
    assert!(means.lines().next().unwrap().ends_with("session_id,caster_key"), "{means}");
    assert!(means.contains(",alder-2026-06-13-aaaa,alder-2026-06-13-aaaa/01"), "{means}");
    assert!(means.contains(&format!(",{first_id},{first_id}/01")), "{means}");
    fs::remove_dir_all(&out).unwrap();
    // the truth of another day
    let truth = day().join("session/truth");
    let scored = tipwright(&["score", results, truth.to_str().unwrap()]);
    assert_eq!(status(&scored), 0, "{}", text(&scored.stderr));
    let other = good.folder.path().join("other");
    let made =
        tipwright(&["-q", "simulate", "--days", "minimal", "--seed", "2", "-o", other.to_str().unwrap()]);
    assert_eq!(status(&made), 0);
    let scored = tipwright(&["score", results, other.join("truth").to_str().unwrap()]);
    assert_eq!(status(&scored), 2, "{}", text(&scored.stderr));
    assert!(text(&scored.stderr).contains("same day"), "{}", text(&scored.stderr));
}

/// Results of earlier programs are read, or refused with what to do; together with those of today too.
#[test]
fn results_of_every_schema_are_read_or_refused_in_words() {
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fixtures");
    let folder = tempfile::tempdir().unwrap();
    let compare = |schema: &str, by: &str| {
        let (results, out) = (fixtures.join(format!("results-schema-{schema}")), folder.path().join(schema));
        tipwright(&["compare", results.to_str().unwrap(), "--by", by, "-o", out.to_str().unwrap()])
    };
    let first = compare("1", "caster");
    assert_eq!(status(&first), 2);
    let said = text(&first.stderr);
    assert!(said.contains("results-schema-1") && said.contains("tipwright day SESSION"), "{said}");
    let second = compare("2", "caster");
    assert_eq!(status(&second), 0, "{}", text(&second.stderr));
    let means = fs::read_to_string(folder.path().join("2/comparison_means.csv")).unwrap();
    // as that program's own strokes.csv had it: the peak speed of the forward stroke
    assert!(means.contains("forward,peak_speed_m_s"), "{means}");
}

#[test]
fn settings_are_written_read_and_recorded() {
    let good = Spoiled::new();
    let file = good.folder.path().join("settings.toml");
    assert_eq!(status(&tipwright(&["settings", "-o", file.to_str().unwrap()])), 0);
    let text_of_file = fs::read_to_string(&file).unwrap();
    fs::write(&file, text_of_file.replace("[strokes]\n", "[strokes]\nforward_in_world = [-1.0, 0.0]\n"))
        .unwrap();
    let run = good.call("day", &["--settings", file.to_str().unwrap()]);
    assert_eq!(status(&run), 0, "{}", text(&run.stderr));
    let run_json: serde_json::Value =
        serde_json::from_slice(&fs::read(good.results().join("run.json")).unwrap()).unwrap();
    assert_eq!(run_json["settings"]["strokes"]["forward_in_world"][0], -1.0);
    fs::write(&file, "[strokes]\nforwards = [1.0, 0.0]\n").unwrap();
    let run = good.call("day", &["--settings", file.to_str().unwrap()]);
    assert_eq!(status(&run), 2);
    assert!(text(&run.stderr).contains("forwards"), "{}", text(&run.stderr));
    fs::write(&file, "schema = 1\nrule = []\nrul = 1\n").unwrap();
    assert_eq!(status(&good.call("day", &["--evidence", file.to_str().unwrap()])), 2);
}

#[test]
fn completions_and_the_man_page_are_written() {
    for shell in ["bash", "zsh", "fish"] {
        let made = tipwright(&["completions", shell]);
        assert!(text(&made.stdout).contains("files-only"), "{shell}");
    }
    assert!(text(&tipwright(&["man"]).stdout).contains(".TH"));
}
