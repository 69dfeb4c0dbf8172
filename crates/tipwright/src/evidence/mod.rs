//! Stage `evidence`: what the figures of a stroke speak for.
//!
//! Not a verdict: each rule of [`Rules`] says what it is evidence of, how probable that is, and what casting teachers'
//! published texts say it is consistent with. Rules, thresholds and sources stand in one settings file,
//! `pipelines/evidence.toml`, built in as the default; another file can be used instead.
//!
//! The probability is that of what the title says, the share of times it comes true: that the figures lie where the rule
//! says, from their standard deviations (by the law of errors that simulated casts showed: `fitted`) or, for counts, their
//! probabilities. The signs of one rule count as independent. A
//! tail and a wide loop are things of the line, so they are asked of the measured line; a tail also, where it was not measured,
//! of the loop that this path of the tip makes by the line model, and then it is called inferred (a wide loop is not: the
//! model's probabilities of it did not come true). The size of a dip is a figure, not the probability of a tail.
//!
//! Like goes with like: a rule is asked of the kinds of stroke it was made for. A rule may have companions: signs that
//! sources name as contributors, not as causes. They are told along with the evidence and do not change its probability.
//! Where sources disagree the rule says so.

use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::fitted::{ERROR_FREEDOM, MEASURED_LARGE_SDS};
use crate::math::normal_below;
use crate::model::evidence::{Evidence, HeldSign, NotJudged, StrokeEvidence, Word};
use crate::model::figures::Needs;
use crate::model::{Direction, FigureId, Figures, Measured, Stroke, StrokeKind};

pub mod consistency;
mod rules;
#[cfg(test)]
mod tests;

pub use rules::{Aims, Rule, Rules, RulesError, Sign};

/// What is asked: a stroke without its drawing.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// Number in the take.
    pub stroke: u32,
    /// Direction.
    pub direction: Direction,
    /// Kind with its probability.
    pub kind: (StrokeKind, f64),
    /// Kind of the stroke before.
    pub before: Option<StrokeKind>,
    /// Figures.
    pub figures: &'a Figures,
}

/// Asks every rule of every stroke; one entry per stroke, in order. Loops are entered in the figures before.
#[must_use]
pub fn judge(strokes: &[Stroke], rules: &Rules) -> Vec<StrokeEvidence> {
    let before = |i: usize| i.checked_sub(1).map(|k| strokes[k].kind);
    strokes
        .iter()
        .enumerate()
        .map(|(i, s)| Asked {
            stroke: s.stroke,
            direction: s.direction,
            kind: (s.kind, s.kind_p),
            before: before(i),
            figures: &s.figures,
        })
        .map(|asked| judge_stroke(&asked, rules))
        .collect()
}

/// Asks every rule of one stroke.
#[must_use]
pub fn judge_stroke(asked: &Asked<'_>, rules: &Rules) -> StrokeEvidence {
    let mut out = StrokeEvidence { stroke: asked.stroke, evidence: Vec::new(), not_judged: Vec::new() };
    for rule in rules.rule.iter().filter(|r| r.strokes.includes(asked.direction)) {
        match unlike(rule, asked).map_or_else(|| ask(rule, asked.figures), Err) {
            Ok(evidence) => out.evidence.push(evidence),
            Err(reason) => out.not_judged.push(NotJudged { rule: rule.id.clone(), reason }),
        }
    }
    out.evidence.sort_by(|a, b| b.probability.total_cmp(&a.probability).then(a.rule.cmp(&b.rule)));
    out
}

/// Why a stroke is not like those a rule was made for.
fn unlike(rule: &Rule, asked: &Asked<'_>) -> Option<String> {
    let (kind, p) = asked.kind;
    if !rule.kinds.contains(&kind) {
        return Some(format!("not asked of a {} (which this is with {:.0} %)", kind.words(), 100.0 * p));
    }
    let before = asked.before.filter(|before| rule.not_after.contains(before))?;
    Some(format!("the stroke before is a {}: nothing to compare with", before.words()))
}

fn ask(rule: &Rule, figures: &Figures) -> Result<Evidence, String> {
    let held = |signs: &[Sign]| signs.iter().map(|s| hold(s, figures)).collect::<Result<Vec<_>, _>>();
    let (signs, word) = match held(&rule.sign) {
        Ok(signs) => (signs, rule.word),
        // a measured line overrides what its path makes likely, so that is asked only where there is none
        Err(_) if !rule.inferred.is_empty() && held(&rule.inferred).is_ok() => {
            (held(&rule.inferred)?, Word::Likely)
        }
        Err(reason) => return Err(reason),
    };
    let probability: f64 = signs.iter().map(|s| s.probability).product();
    let all_need = |what: Needs| signs.iter().all(|s| s.figure.info().needs == what);
    let stands_on = if all_need(Needs::Line) {
        "the line itself was measured"
    } else if all_need(Needs::Model) {
        "inferred by a model of the line from the path of the tip: the line itself was not measured"
    } else {
        ""
    };
    let companions: Vec<HeldSign> = rule
        .companion
        .iter()
        .filter_map(|sign| hold(sign, figures).ok())
        .filter(|held| held.probability >= rule.raise_at)
        .collect();
    let seen: Vec<String> = signs.iter().map(told).collect();
    Ok(Evidence {
        rule: rule.id.clone(),
        title: rule.title.clone(),
        seen: seen.join("; "),
        probability,
        stands_on: stands_on.into(),
        word,
        is_raised: probability >= rule.raise_at,
        consistent_with: rule.consistent_with.clone(),
        along_with: companions.iter().map(told).collect(),
        dissent: rule.dissent.clone(),
        figures: signs.iter().map(|s| s.figure).collect(),
        signs,
        companions,
    })
}

/// Probability that a figure (or its ratio to another) lies where the sign says.
fn hold(sign: &Sign, figures: &Figures) -> Result<HeldSign, String> {
    let get = |id: FigureId| {
        figures.get(id).ok_or_else(|| {
            let why = figures.missing.get(&id).map_or("not measured", String::as_str);
            format!("{}: {why}", id.info().name)
        })
    };
    let m = get(sign.figure)?;
    let measured = match sign.per {
        None => m,
        Some(per) => {
            let per = get(per)?;
            let ratio = m.value / per.value;
            Measured::new(ratio, (m.sd / per.value).hypot(ratio * per.sd / per.value))
        }
    };
    if !measured.value.is_finite() {
        return Err(format!("{}: not a finite number", sign.figure.info().name));
    }
    let below = |x: f64| match figures.counts.get(&sign.figure) {
        Some(p) if sign.per.is_none() => {
            p.iter().enumerate().filter(|(n, _)| (*n as f64) < x).map(|(_, p)| p).sum()
        }
        _ => {
            let large = MEASURED_LARGE_SDS.iter().find(|(id, _)| *id == sign.figure && sign.per.is_none());
            error_below((x - measured.value) / measured.sd.max(1e-12) + large.map_or(0.0, |l| l.1))
        }
    };
    let probability = match (sign.above, sign.below) {
        (Some(low), None) => 1.0 - below(low),
        (None, Some(high)) => below(high),
        (Some(low), Some(high)) => (below(high) - below(low)).max(0.0),
        (None, None) => 1.0,
    };
    Ok(HeldSign {
        say: sign.say.clone(),
        figure: sign.figure,
        per: sign.per,
        measured,
        above: sign.above,
        below: sign.below,
        probability,
    })
}

/// Probability that a figure's error, over its sd, is less than `z`.
fn error_below(z: f64) -> f64 {
    StudentsT::new(0.0, 1.0, ERROR_FREEDOM).map_or_else(|_| normal_below(z), |law| law.cdf(z))
}

fn told(sign: &HeldSign) -> String {
    let info = sign.figure.info();
    let Measured { value, sd } = sign.measured;
    let name =
        sign.per.map_or_else(|| info.name.to_string(), |p| format!("{} over {}", info.name, p.info().name));
    let unit =
        if sign.per.is_some() || info.unit.is_empty() { String::new() } else { format!(" {}", info.unit) };
    let digits = if sd > 0.0 { (1.0 - sd.log10().floor()).clamp(0.0, 4.0) as usize } else { 3 };
    format!("{}: {name} {value:.digits$}{unit} (sd {sd:.digits$})", sign.say)
}
