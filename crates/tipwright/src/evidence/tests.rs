//! Tests of the stage.

use std::path::Path;

use super::{Rules, RulesError, judge_stroke};
use crate::model::evidence::Word;
use crate::model::{Direction, FigureId as F, Figures, Measured};

const RULES: &str = r#"
schema = 1
[[rule]]
id = "dip"
title = "Tail"
word = "likely"
raise_at = 0.8
consistent_with = ["uneven power"]
dissent = "creep alone gives a collapsed cast"
source = "common practice"
[[rule.sign]]
figure = "dip_depth_m"
above = 0.01
say = "the tip dips"
source = "common practice"
[[rule.companion]]
figure = "creep_m"
above = 0.3
say = "the rod crept"
source = "common practice"
[[rule]]
id = "dome"
title = "Dome"
word = "seen"
raise_at = 0.8
strokes = "forward"
consistent_with = ["a wide arc"]
source = "common practice"
[[rule.sign]]
figure = "dome_height_m"
per = "chord_m"
above = 0.1
say = "the path is a dome"
source = "common practice"
[[rule.sign]]
figure = "arc_deg"
above = 80.0
say = "the arc is wide"
source = "common practice"
"#;

fn rules() -> Rules {
    Rules::parse(RULES, Path::new("rules.toml")).unwrap()
}

fn figures(all: &[(F, f64, f64)]) -> Figures {
    let mut out = Figures::default();
    all.iter().for_each(|(id, value, sd)| out.set(*id, Measured::new(*value, *sd)));
    out
}

/// The probability is that of the error: at the threshold one half, an sd above it 84 %.
#[test]
fn probability_comes_from_the_sd() {
    for (depth, sd, p) in
        [(0.010, 0.002, 0.5), (0.012, 0.002, 0.841_345), (0.012, 0.02, 0.539_828), (0.02, 0.0, 1.0)]
    {
        let f = figures(&[(F::DipDepth, depth, sd)]);
        let got = judge_stroke(1, Direction::Back, &f, &rules());
        assert_eq!(got.evidence.len(), 1);
        assert!((got.evidence[0].probability - p).abs() < 1e-5);
        assert_eq!(got.evidence[0].is_raised, p > 0.8);
        assert_eq!(got.evidence[0].word, Word::Likely);
    }
}

/// Signs of a rule multiply; a ratio carries both errors.
#[test]
fn signs_multiply_and_ratios_carry_both_errors() {
    let f = figures(&[(F::DomeHeight, 0.4, 0.04), (F::Chord, 4.0, 0.3), (F::Arc, 80.0, 2.0)]);
    let got = judge_stroke(3, Direction::Forward, &f, &rules());
    let dome = got.evidence.iter().find(|e| e.rule == "dome").unwrap();
    assert!((dome.probability - 0.25).abs() < 1e-6, "{dome:?}");
    // 0.1 +- sqrt(0.01^2 + 0.0075^2)
    assert!(dome.seen.contains("dome height over chord") && dome.seen.contains("sd 0.013"), "{}", dome.seen);
}

/// What compares a stroke with the one before is not asked of the stroke after the pick-up.
#[test]
fn a_rule_can_begin_later() {
    let late = RULES.replace("id = \"dip\"", "id = \"dip\"\nfrom_stroke = 3");
    let rules = Rules::parse(&late, Path::new("rules.toml")).unwrap();
    let f = figures(&[(F::DipDepth, 0.03, 0.002)]);
    assert_eq!(judge_stroke(3, Direction::Back, &f, &rules).evidence.len(), 1);
    let second = judge_stroke(2, Direction::Back, &f, &rules);
    assert!(second.evidence.is_empty() && second.not_judged[0].reason.contains("from stroke 3"));
}

/// A companion is told when it is there and never changes the probability; dissent is carried along.
#[test]
fn companions_are_told_and_do_not_count() {
    let without = figures(&[(F::DipDepth, 0.03, 0.002), (F::Creep, 0.1, 0.01)]);
    let with = figures(&[(F::DipDepth, 0.03, 0.002), (F::Creep, 0.5, 0.01)]);
    let (a, b) = (
        judge_stroke(1, Direction::Back, &without, &rules()),
        judge_stroke(1, Direction::Back, &with, &rules()),
    );
    assert_eq!(a.evidence[0].probability, b.evidence[0].probability);
    assert!(a.evidence[0].along_with.is_empty() && b.evidence[0].along_with[0].contains("crept"));
    assert!(b.evidence[0].dissent.as_ref().unwrap().contains("collapsed"));
}

/// A figure that is missing makes its rule unasked, with the figure's own reason; every rule is accounted for.
#[test]
fn what_cannot_be_asked_is_said() {
    let mut f = figures(&[(F::DomeHeight, 0.5, 0.01), (F::Chord, 3.0, 0.01), (F::DipDepth, 0.0, 0.003)]);
    f.set_missing(F::Arc, "needs two butt markers");
    let got = judge_stroke(1, Direction::Forward, &f, &rules());
    assert_eq!((got.evidence.len(), got.not_judged.len()), (1, 1));
    assert!(got.not_judged[0].reason.contains("needs two butt markers"));
    assert_eq!(judge_stroke(1, Direction::Back, &f, &rules()).not_judged.len(), 0);
}

#[test]
fn the_built_in_rules_are_sound() {
    let rules = Rules::default_rules();
    assert_eq!(rules.schema, 1);
    assert!(rules.rule.len() >= 6);
    for rule in &rules.rule {
        assert!(!rule.consistent_with.is_empty() && !rule.source.is_empty());
        for sign in rule.sign.iter().chain(&rule.companion) {
            assert!(!sign.source.is_empty() && !sign.say.is_empty());
        }
        // the tip's path is not the line: a tail is never 'seen' from it
        if rule.id.contains("tail") && rule.sign.iter().all(|s| s.figure != F::FlyLegDip) {
            assert_eq!(rule.word, Word::Likely, "{}", rule.id);
        }
    }
}

#[test]
fn a_wrong_file_says_what_and_where() {
    let parse = |text: &str| Rules::parse(text, Path::new("mine.toml")).unwrap_err().to_string();
    assert!(parse("schema = 1\nrule = 3").contains("mine.toml"));
    let unknown = RULES.replace("dip_depth_m", "dip_dept_m");
    assert!(parse(&unknown).contains("unknown figure dip_dept_m"));
    assert!(parse(&RULES.replace("raise_at = 0.8", "raise_at = 0.3")).contains("between 0.5 and 1"));
    assert!(parse(&RULES.replace("above = 0.3\n", "")).contains("neither above nor below"));
    assert!(parse(&RULES.replace("id = \"dome\"", "id = \"dip\"")).contains("taken"));
    assert!(matches!(Rules::read(Path::new("/nowhere.toml")), Err(RulesError::File { .. })));
}
