//! Tests of the stage.

use std::path::Path;

use super::{Asked, Rules, RulesError, judge_stroke as judge_asked};
use crate::model::evidence::{StrokeEvidence, Word};
use crate::model::figures::Needs;
use crate::model::{Direction, FigureId as F, Figures, Measured, StrokeKind};

const RULES: &str = r#"
schema = 2
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

fn judge_stroke(stroke: u32, direction: Direction, figures: &Figures, rules: &Rules) -> StrokeEvidence {
    let asked = Asked { stroke, direction, kind: (StrokeKind::False, 0.95), before: None, figures };
    judge_asked(&asked, rules)
}

fn of_kind(kind: StrokeKind, before: Option<StrokeKind>, figures: &Figures, rules: &Rules) -> StrokeEvidence {
    let asked = Asked { stroke: 1, direction: Direction::Back, kind: (kind, 0.95), before, figures };
    judge_asked(&asked, rules)
}

fn figures(all: &[(F, f64, f64)]) -> Figures {
    let mut out = Figures::default();
    all.iter().for_each(|(id, value, sd)| out.set(*id, Measured::new(*value, *sd)));
    out
}

/// The probability is that of the error: at the threshold one half, an sd above it 83 % (Student's t with 12 degrees of freedom, by
/// SciPy).
#[test]
fn probability_comes_from_the_sd() {
    for (depth, sd, p) in
        [(0.010, 0.002, 0.5), (0.012, 0.002, 0.831_475), (0.012, 0.02, 0.539_002), (0.02, 0.0, 1.0)]
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

/// A pick-up is judged by no rule made for false casts, unless the rule says so; and what compares a stroke with the one
/// before is not asked of the stroke after the pick-up.
#[test]
fn like_is_judged_with_like() {
    let f = figures(&[(F::DipDepth, 0.03, 0.002)]);
    let pick_up = of_kind(StrokeKind::PickUp, None, &f, &rules());
    assert!(pick_up.evidence.is_empty() && pick_up.not_judged[0].reason.contains("not asked of a pick-up"));
    let with = |line: &str| {
        let text = RULES.replace("id = \"dip\"", &format!("id = \"dip\"\n{line}"));
        Rules::parse(&text, Path::new("rules.toml")).unwrap()
    };
    let all = with("kinds = [\"pick-up\", \"delivery\"]");
    assert_eq!(of_kind(StrokeKind::PickUp, None, &f, &all).evidence.len(), 1);
    assert!(of_kind(StrokeKind::False, None, &f, &all).evidence.is_empty());
    let compares = with("not_after = [\"pick-up\"]");
    assert_eq!(of_kind(StrokeKind::False, Some(StrokeKind::False), &f, &compares).evidence.len(), 1);
    let second = of_kind(StrokeKind::False, Some(StrokeKind::PickUp), &f, &compares);
    assert!(second.evidence.is_empty() && second.not_judged[0].reason.contains("nothing to compare"));
}

/// A deep dip is no tail; a tail is told of a line that was seen with one, by the probability of its crossings, however straight
/// the tip went. One story per stroke; where neither line nor model tell, that is the reason.
#[test]
fn a_tail_is_told_of_the_measured_line_alone() {
    let rules = Rules::default_rules();
    let judged = |f: &Figures| judge_stroke(3, Direction::Back, f, &rules);
    let tails = |f: &Figures| -> Vec<crate::model::evidence::Evidence> {
        judged(f).evidence.into_iter().filter(|e| e.rule.contains("tail")).collect()
    };
    let mut f = figures(&[(F::DipDepth, 0.06, 0.0005), (F::Chord, 2.6, 0.01)]);
    f.set_missing(F::LoopCrossings, "the line was not measured");
    assert!(tails(&f).is_empty());
    let why = judged(&f).not_judged.into_iter().find(|n| n.rule == "tail").unwrap().reason;
    assert!(why.contains("the line was not measured"), "{why}");
    f.set_count(F::LoopCrossings, 0, &[0.97, 0.02, 0.01]);
    let clear = tails(&f);
    assert_eq!((clear.len(), clear[0].word, clear[0].is_raised), (1, Word::Seen, false));
    assert!((clear[0].probability - 0.01).abs() < 1e-12, "{}", clear[0].probability);
    f.set(F::DipDepth, Measured::new(0.0, 0.001));
    f.set_count(F::LoopCrossings, 2, &[0.05, 0.0, 0.95]);
    let seen = tails(&f);
    assert!(seen[0].is_raised && seen[0].word == Word::Seen && (seen[0].probability - 0.95).abs() < 1e-12);
    assert!(seen[0].stands_on.contains("measured"));
}

/// Where the line was not measured, what it does behind this path is told, and called inferred; a measured line overrides it.
#[test]
fn a_tail_is_inferred_only_where_the_line_was_not_measured() {
    let rules = Rules::default_rules();
    let tail = |f: &Figures| {
        let all = judge_stroke(3, Direction::Back, f, &rules).evidence;
        all.into_iter().find(|e| e.rule == "tail").unwrap()
    };
    let mut f = figures(&[]);
    f.set_count(F::LoopCrossingsPredicted, 2, &[0.1, 0.1, 0.8]);
    let inferred = tail(&f);
    assert!(inferred.word == Word::Likely && (inferred.probability - 0.8).abs() < 1e-12);
    assert!(inferred.stands_on.contains("not measured"), "{}", inferred.stands_on);
    f.set_count(F::LoopCrossings, 0, &[0.97, 0.02, 0.01]);
    let seen = tail(&f);
    assert!(seen.word == Word::Seen && !seen.is_raised && (seen.probability - 0.01).abs() < 1e-12);
}

/// The limits of the words for a width are the rule's limits too.
#[test]
fn a_wide_loop_is_wide_by_the_limits_that_were_set() {
    let mut f = figures(&[]);
    f.set(F::LoopWidth, Measured::new(1.3, 0.05));
    let raised = |rules: &Rules| {
        let all = judge_stroke(3, Direction::Forward, &f, rules).evidence;
        all.iter().find(|e| e.rule == "wide-loop").unwrap().is_raised
    };
    let rules = Rules::default_rules();
    let sizes = crate::line::SizeLimits { tight_up_to_m: 0.6, medium_up_to_m: 1.0, wide_up_to_m: 2.0 };
    assert!(!raised(&rules) && raised(&rules.at_sizes(|s| sizes.widest_m(s))));
    let usual = crate::line::SizeLimits::default();
    assert_eq!(rules.at_sizes(|s| usual.widest_m(s)), rules);
}

/// Wide is what was measured as wide, by the limit of the sizes' own settings.
#[test]
fn a_loop_measured_as_medium_is_not_called_wide() {
    let rules = Rules::default_rules();
    let wide = rules.rule.iter().find(|r| r.id == "wide-loop").unwrap();
    assert_eq!(wide.sign[0].above, Some(crate::line::LoopSettings::default().sizes.medium_up_to_m));
    let mut f =
        figures(&[(F::DomeHeight, 0.6, 0.002), (F::Chord, 3.0, 0.01), (F::LoopWidthProxy, 1.2, 0.01)]);
    f.set(F::LoopWidth, Measured::new(1.3, 0.05));
    let got = judge_stroke(3, Direction::Forward, &f, &rules);
    let found = got.evidence.iter().find(|e| e.rule == "wide-loop").unwrap();
    assert!(!found.is_raised && found.word == Word::Seen && found.probability < 0.01, "{found:?}");
    let dome = got.evidence.iter().find(|e| e.rule == "dome").unwrap();
    assert!(dome.is_raised && !dome.title.contains("loop"));
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
    assert_eq!(rules.schema, 2);
    assert!(rules.rule.len() >= 6);
    for rule in &rules.rule {
        assert!(!rule.consistent_with.is_empty() && !rule.source.is_empty());
        for sign in rule.sign.iter().chain(&rule.inferred).chain(&rule.companion) {
            assert!(!sign.source.is_empty() && !sign.say.is_empty());
        }
        // the tip's path is not the line
        if rule.id.contains("tail") || rule.id.contains("loop") {
            assert!(rule.sign.iter().all(|s| s.figure.info().needs == Needs::Line), "{}", rule.id);
        }
        assert!(rule.inferred.iter().all(|s| s.figure.info().needs == Needs::Model), "{}", rule.id);
        assert!(!rule.kinds.contains(&StrokeKind::PickUp), "{}", rule.id);
    }
}

#[test]
fn a_wrong_file_says_what_and_where() {
    let parse = |text: &str| Rules::parse(text, Path::new("mine.toml")).unwrap_err().to_string();
    assert!(parse("schema = 1\nrule = 3").contains("mine.toml"));
    let unknown = RULES.replace("dip_depth_m", "dip_dept_m");
    assert!(parse(&unknown).contains("unknown figure dip_dept_m"));
    assert!(parse(&RULES.replace("schema = 2", "schema = 7")).contains("schema 7"));
    assert!(parse(&RULES.replace("above = 80.0", "above = nan")).contains("finite"));
    assert!(
        parse(&RULES.replace("above = 80.0", "above = 80.0\nbelow = 70.0")).contains("no figure lies there")
    );
    assert!(parse(&RULES.replace("strokes = \"forward\"", "kinds = []")).contains("kinds is empty"));
    assert!(parse(&RULES.replace("strokes = \"forward\"", "kinds = [\"roll\"]")).contains("roll"));
    assert!(parse(&RULES.replace("raise_at = 0.8", "raise_at = 0.3")).contains("between 0.5 and 1"));
    assert!(parse(&RULES.replace("above = 0.3\n", "")).contains("neither above nor below"));
    assert!(parse(&RULES.replace("id = \"dome\"", "id = \"dip\"")).contains("taken"));
    assert!(matches!(Rules::read(Path::new("/nowhere.toml")), Err(RulesError::File { .. })));
}
