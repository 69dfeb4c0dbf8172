//! Stage `evidence`: what the figures of a stroke speak for.
//!
//! Not a verdict: each rule of [`Rules`] says which figures lie where, how probable that is given their standard
//! deviations (normal errors; the signs of one rule count as independent, so their probabilities are multiplied), and
//! what casting teachers' published texts say it is consistent with. Rules, thresholds and sources stand in one
//! settings file, `pipelines/evidence.toml`, built in as the default; another file can be used instead.
//!
//! A rule may have companions: signs that sources name as contributors, not as causes. They are told along with the
//! evidence and do not change its probability. Where sources disagree the rule says so.

use crate::math::normal_below;
use crate::model::evidence::{Evidence, HeldSign, NotJudged, StrokeEvidence};
use crate::model::{Direction, FigureId, Figures, Measured, Stroke};

pub mod consistency;
mod rules;
#[cfg(test)]
mod tests;

pub use rules::{Aims, Rule, Rules, RulesError, Sign};

/// Asks every rule of every stroke; one entry per stroke, in order.
#[must_use]
pub fn judge(strokes: &[Stroke], rules: &Rules) -> Vec<StrokeEvidence> {
    strokes.iter().map(|s| judge_stroke(s.stroke, s.direction, &s.figures, rules)).collect()
}

/// Asks every rule of one stroke.
#[must_use]
pub fn judge_stroke(stroke: u32, direction: Direction, figures: &Figures, rules: &Rules) -> StrokeEvidence {
    let mut out = StrokeEvidence { stroke, evidence: Vec::new(), not_judged: Vec::new() };
    for rule in rules.rule.iter().filter(|r| r.strokes.includes(direction)) {
        let asked = if stroke < rule.from_stroke {
            Err(format!("asked from stroke {} on", rule.from_stroke))
        } else {
            ask(rule, figures)
        };
        match asked {
            Ok(evidence) => out.evidence.push(evidence),
            Err(reason) => out.not_judged.push(NotJudged { rule: rule.id.clone(), reason }),
        }
    }
    out.evidence.sort_by(|a, b| b.probability.total_cmp(&a.probability).then(a.rule.cmp(&b.rule)));
    out
}

fn ask(rule: &Rule, figures: &Figures) -> Result<Evidence, String> {
    let signs = rule.sign.iter().map(|sign| hold(sign, figures)).collect::<Result<Vec<_>, _>>()?;
    let probability: f64 = signs.iter().map(|s| s.probability).product();
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
        word: rule.word,
        is_raised: probability >= rule.raise_at,
        consistent_with: rule.consistent_with.clone(),
        along_with: companions.iter().map(told).collect(),
        dissent: rule.dissent.clone(),
        figures: rule.sign.iter().map(|s| s.figure).collect(),
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
    let below = |x: f64| normal_below((x - measured.value) / measured.sd.max(1e-12));
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
