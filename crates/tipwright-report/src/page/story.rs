//! What a caster's first screen says: the stroke that stands for the others, at most two habits (what was raised again and again) with how often and how
//! sure, and what changed from before to after.

use super::figures::{full, name};
use crate::tables::direction_word;
use crate::text::Html;
use crate::units::{Kind, UnitSystem, kind, show};
use tipwright::math::{median, student_975};
use tipwright::model::consistency::{CasterSteadiness, Difference};
use tipwright::model::evidence::Word;
use tipwright::model::results::{SessionResults, TakeResults};
use tipwright::model::{Direction, FigureId, Measured, Stroke};

/// Findings told at most.
const HABITS: usize = 2;
/// Changes told at most.
const CHANGES: usize = 4;
/// A habit is told from this share of strokes on: what happens less often is not what a caster works on first (own choice).
const LEAST_SHARE: f64 = 0.25;
/// The difference of dip depth that "needs about n more" is said for: what an eye notices of a dip is about two centimetres
/// (own choice).
const WORTH_TELLING_M: f64 = 0.02;

/// What was raised again and again.
#[derive(Debug, Clone, PartialEq)]
pub struct Habit {
    /// What.
    pub title: String,
    /// Forward or back.
    pub direction: Direction,
    /// Strokes it was raised in.
    pub raised: usize,
    /// Strokes it was asked of.
    pub asked: usize,
    /// The same by phase, where there are several.
    pub by_phase: Vec<(String, usize, usize)>,
    /// Mean probability over the strokes it was raised in.
    pub probability: f64,
    /// Sure, likely or perhaps.
    pub certainty: &'static str,
    /// Figures it stands on.
    pub figures: Vec<FigureId>,
    rule: String,
}

impl Habit {
    /// `5 of 8 forward casts`.
    #[must_use]
    pub fn count(&self) -> String {
        let casts = if self.asked == 1 { "cast" } else { "casts" };
        format!("{} of {} {} {casts}", self.raised, self.asked, direction_word(self.direction))
    }

    /// `of the 5 forward casts with it the one nearest the middle`.
    #[must_use]
    pub fn cast_with_it(&self) -> String {
        let way = direction_word(self.direction);
        match self.raised {
            1 => format!("the {way} cast it was found in"),
            n => format!("of the {n} {way} casts it was found in the one nearest the middle"),
        }
    }

    /// `before 5 of 5, after 0 of 3`; empty with one phase.
    #[must_use]
    pub fn phases(&self) -> String {
        let parts: Vec<String> = self.by_phase.iter().map(|(p, k, n)| format!("{p} {k} of {n}")).collect();
        if parts.len() > 1 { parts.join(", ") } else { String::new() }
    }

    /// `over 99 %`.
    #[must_use]
    pub fn percent(&self) -> String {
        super::evidence::percent(self.probability)
    }
}

/// What a probability is called. What is inferred and not measured itself is never called sure.
fn certainty(word: Word, probability: f64) -> &'static str {
    match word {
        Word::Seen if probability >= 0.95 => "sure",
        _ if probability >= 0.8 => "likely",
        _ => "perhaps",
    }
}

/// What was raised in a caster's strokes, what stands out most first.
#[must_use]
pub fn habits(takes: &[&TakeResults]) -> Vec<Habit> {
    let mut all: Vec<(Habit, f64, Word)> = Vec::new();
    for take in takes {
        let phase = take.phase.clone().unwrap_or_else(|| "no phase".to_owned());
        for found in &take.evidence {
            let Some(stroke) = take.strokes.iter().find(|s| s.stroke == found.stroke) else { continue };
            for e in &found.evidence {
                let at = all.iter().position(|(f, ..)| f.rule == e.rule && f.direction == stroke.direction);
                let at = at.unwrap_or_else(|| {
                    let title = e.title.strip_suffix(" likely").unwrap_or(&e.title).to_owned();
                    let habit = Habit {
                        title,
                        direction: stroke.direction,
                        raised: 0,
                        asked: 0,
                        by_phase: Vec::new(),
                        probability: 0.0,
                        certainty: "",
                        figures: e.figures.clone(),
                        rule: e.rule.clone(),
                    };
                    all.push((habit, 0.0, e.word));
                    all.len() - 1
                });
                let (habit, sum, _) = &mut all[at];
                habit.asked += 1;
                habit.raised += usize::from(e.is_raised);
                *sum += if e.is_raised { e.probability } else { 0.0 };
                let own = habit.by_phase.iter().position(|p| p.0 == phase).unwrap_or_else(|| {
                    habit.by_phase.push((phase.clone(), 0, 0));
                    habit.by_phase.len() - 1
                });
                habit.by_phase[own].1 += usize::from(e.is_raised);
                habit.by_phase[own].2 += 1;
            }
        }
    }
    let mut told: Vec<(Habit, f64)> = all
        .into_iter()
        .filter(|(f, ..)| {
            f.raised >= f.asked.min(2) && f.raised as f64 >= LEAST_SHARE * f.asked as f64 && f.raised > 0
        })
        .map(|(mut habit, sum, word)| {
            habit.probability = sum / habit.raised as f64;
            habit.certainty = certainty(word, habit.probability);
            let weight = sum / habit.asked as f64;
            (habit, weight)
        })
        .collect();
    told.sort_by(|a, b| b.1.total_cmp(&a.1).then_with(|| a.0.rule.cmp(&b.0.rule)));
    let mut out: Vec<Habit> = Vec::new();
    for (habit, _) in told {
        // A tail inferred says nothing beside the same tail seen.
        let is_said = out.iter().any(|f| {
            f.direction == habit.direction
                && (f.rule.starts_with(&habit.rule) || habit.rule.starts_with(&f.rule))
        });
        if !is_said && out.len() < HABITS {
            out.push(habit);
        }
    }
    out
}

/// Figures by which a stroke is near the middle of the others.
const MIDDLE: [FigureId; 8] = [
    FigureId::DipDepth,
    FigureId::DomeHeight,
    FigureId::OffPlaneMax,
    FigureId::Chord,
    FigureId::PeakSpeed,
    FigureId::LatePower,
    FigureId::MaxBend,
    FigureId::LoopWidth,
];

/// The stroke nearest the median of the strokes of its direction: the least sum of squared distances, each figure in units of
/// its median absolute deviation (and never finer than it is measured). A stroke that lacks a figure counts as one unit off.
#[must_use]
pub fn middle_stroke<'a>(
    takes: &[&'a TakeResults],
    direction: Direction,
) -> Option<(&'a TakeResults, &'a Stroke)> {
    nearest_middle(
        takes
            .iter()
            .flat_map(|t| t.strokes.iter().map(move |s| (*t, s)))
            .filter(|(_, s)| s.direction == direction),
    )
}

/// The same among the strokes in which a habit was found: before a lesson and after it a caster casts otherwise, and the drawing beside a habit
/// shall show it.
#[must_use]
pub fn middle_of_habit<'a>(
    takes: &[&'a TakeResults],
    habit: &Habit,
) -> Option<(&'a TakeResults, &'a Stroke)> {
    let is_raised = |take: &TakeResults, stroke: u32| {
        let own = take.evidence.iter().find(|e| e.stroke == stroke);
        own.is_some_and(|e| e.evidence.iter().any(|e| e.rule == habit.rule && e.is_raised))
    };
    let raised = takes.iter().flat_map(|t| t.strokes.iter().map(move |s| (*t, s)));
    nearest_middle(raised.filter(|(t, s)| s.direction == habit.direction && is_raised(t, s.stroke)))
}

fn nearest_middle<'a>(
    strokes: impl Iterator<Item = (&'a TakeResults, &'a Stroke)>,
) -> Option<(&'a TakeResults, &'a Stroke)> {
    let strokes: Vec<(&TakeResults, &Stroke)> = strokes.collect();
    // one that two cameras saw, where there is one
    let seen: Vec<(&TakeResults, &Stroke)> = strokes.iter().copied().filter(|(_, s)| s.views != 1).collect();
    let strokes = if seen.is_empty() { strokes } else { seen };
    let scales: Vec<(FigureId, f64, f64)> = MIDDLE
        .iter()
        .filter_map(|&id| {
            let of = || strokes.iter().filter_map(|(_, s)| s.figures.get(id));
            let centre = median(of().map(|m| m.value))?;
            let off = median(of().map(|m| (m.value - centre).abs()))?;
            let sd = median(of().map(|m| m.sd))?;
            Some((id, centre, off.max(sd).max(1e-9)))
        })
        .collect();
    let off = |s: &Stroke| -> f64 {
        scales.iter().map(|(id, c, d)| s.figures.get(*id).map_or(1.0, |m| ((m.value - c) / d).powi(2))).sum()
    };
    strokes.into_iter().min_by(|a, b| off(a.1).total_cmp(&off(b.1)))
}

/// A figure that changed between two phases.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The figure, as a link to its definition.
    pub name: Html,
    /// Forward or back.
    pub way: &'static str,
    /// Mean before.
    pub before: Html,
    /// Mean after.
    pub after: Html,
    /// After less before with its interval.
    pub difference: Html,
    /// The figure.
    pub figure: FigureId,
}

/// What changed from the first phase to the last.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Changes {
    /// First phase.
    pub first: String,
    /// Last phase.
    pub last: String,
    /// Changes beyond chance, the clearest first.
    pub told: Vec<Change>,
    /// What would be needed, where nothing is told.
    pub needed: Option<String>,
    /// Of what one camera alone saw.
    pub one_camera: bool,
}

/// Figures whose change is worth a line: what repeats another figure, and times of day, are not.
fn is_worth_a_line(id: FigureId) -> bool {
    !matches!(
        id,
        FigureId::Straightness
            | FigureId::SlpRms
            | FigureId::DipAt
            | FigureId::Travel
            | FigureId::RingFrequency
            | FigureId::RingDamping
            | FigureId::SignChanges
            | FigureId::Duration
    )
}

/// What changed for a caster; `None` with one phase.
#[must_use]
pub fn changes(session: &SessionResults, caster: &str) -> Option<Changes> {
    let own: Vec<_> = session.differences.iter().filter(|d| d.caster == caster).collect();
    let last = own.last()?.second.clone();
    let first = own.last()?.first.clone();
    let mut told: Vec<(f64, Change)> = Vec::new();
    for d in own.iter().filter(|d| d.second == last && is_worth_a_line(d.figure)) {
        let Difference::Told { difference, low, high, .. } = &d.difference else { continue };
        if !d.difference.is_clear() {
            continue;
        }
        let half = 0.5 * (high - low);
        let mean = |phase: &Option<String>| {
            let found = session.steadiness.iter().find(|s| {
                s.caster == caster
                    && (s.direction, s.kind, s.figure) == (d.direction, d.kind, d.figure)
                    && s.phase == *phase
            });
            found.map(|s| {
                Html(super::figures::rough(kind(d.figure), with_half(s.steadiness.mean.value, half)))
            })
        };
        let (Some(before), Some(after)) = (mean(&d.first), mean(&d.second)) else { continue };
        let change = Change {
            name: Html(name(d.figure)),
            way: direction_word(d.direction),
            before,
            after,
            difference: Html(full(kind(d.figure), with_half(*difference, half))),
            figure: d.figure,
        };
        told.push((difference.abs() / half.max(1e-12), change));
    }
    told.sort_by(|a, b| b.0.total_cmp(&a.0));
    let told: Vec<Change> = told.into_iter().map(|t| t.1).take(CHANGES).collect();
    let needed = if told.is_empty() { needed(session, caster) } else { None };
    let word = |phase: Option<String>| phase.unwrap_or_else(|| "no phase".to_owned());
    let mut steady = session.steadiness.iter().filter(|s| s.caster == caster);
    let one_camera = steady.any(|s| s.steadiness.shared_sd > 0.0);
    Some(Changes { first: word(first), last: word(last), told, needed, one_camera })
}

/// A value whose 95 % half-width is given.
#[must_use]
pub fn with_half(value: f64, half_width: f64) -> Measured {
    Measured::new(value, half_width / Measured::new(0.0, 1.0).half_width_95())
}

/// How many more casts a side would tell two centimetres of dip, from how far this caster's own strokes scatter.
fn needed(session: &SessionResults, caster: &str) -> Option<String> {
    let of = |direction| -> Vec<&CasterSteadiness> {
        let own = session.steadiness.iter();
        own.filter(|s| s.caster == caster && s.figure == FigureId::DipDepth && s.direction == direction)
            .collect()
    };
    let groups = [Direction::Forward, Direction::Back].map(of).into_iter().find(|g| g.len() > 1)?;
    let scatter: Vec<(usize, f64)> = groups
        .iter()
        .filter(|s| s.steadiness.strokes > 1)
        // The mean's error is the scatter observed over the root of their number.
        .map(|s| (s.steadiness.strokes, s.steadiness.mean.sd * (s.steadiness.strokes as f64).sqrt()))
        .collect();
    if groups.iter().any(|s| s.steadiness.shared_sd > 0.0) {
        return Some(
            "What one camera alone can tell is set by its plane: more casts don\u{2019}t make it finer."
                .into(),
        );
    }
    let fewest = groups.iter().map(|s| s.steadiness.strokes).min()?;
    let freedom: f64 = scatter.iter().map(|(n, _)| *n as f64 - 1.0).sum();
    let pooled = (scatter.iter().map(|(n, s)| (*n as f64 - 1.0) * s * s).sum::<f64>() / freedom).sqrt();
    let more = more_needed(pooled, fewest, WORTH_TELLING_M)?;
    let worth = |system| show(Kind::SmallLength, Measured::new(WORTH_TELLING_M, 0.0006), system).short();
    let what =
        super::figures::dual(&worth(UnitSystem::Metric).replace(".0", ""), &worth(UnitSystem::Imperial));
    let way = direction_word(groups[0].direction);
    Some(match more {
        0 => format!("{what} of dip would be told already; there is no such change."),
        1 => format!("About one more {way} cast of each would tell {what} of dip."),
        n => format!("About {n} more {way} casts of each would tell {what} of dip."),
    })
}

/// Strokes beyond `fewest` on each side until the 95 % interval of a difference of means is no wider than `worth`;
/// `None` where two hundred are not enough, or the scatter is not known.
#[must_use]
pub fn more_needed(scatter: f64, fewest: usize, worth: f64) -> Option<usize> {
    if !(scatter >= 0.0) {
        return None;
    }
    let half = |n: usize| student_975(2.0 * (n as f64 - 1.0)) * scatter * (2.0 / n as f64).sqrt();
    // Fewer than six a side are not spoken of at all (tipwright::evidence::consistency).
    (6_usize..=200).find(|&n| half(n) <= worth).map(|n| n.saturating_sub(fewest))
}

/// The figures that stand open at a caster's strokes: those the habits and changes name, then what is asked most; five.
#[must_use]
pub fn named(habits: &[Habit], changes: Option<&Changes>) -> Vec<FigureId> {
    let usual = [
        FigureId::DipDepth,
        FigureId::DomeHeight,
        FigureId::PeakSpeed,
        FigureId::LatePower,
        FigureId::LoopWidth,
    ];
    let of_findings = habits.iter().flat_map(|f| f.figures.iter().copied());
    let of_changes = changes.into_iter().flat_map(|c| c.told.iter().map(|t| t.figure));
    let mut out: Vec<FigureId> = Vec::new();
    for id in of_findings.chain(of_changes).chain(usual) {
        if !out.contains(&id) && out.len() < 5 {
            out.push(id);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two groups of n: half-width t(2n - 2) s sqrt(2 / n). With s = 20 mm, n = 9 gives 2.120 * 20 * 0.4714 = 19.99 mm by
    /// the NIST table of Student's t (16 degrees of freedom: 2.120), n = 8 gives 2.145 * 20 * 0.5 = 21.5 mm.
    #[test]
    fn truth_strokes_needed_by_the_nist_table() {
        assert_eq!(more_needed(0.020, 5, 0.020), Some(4));
        assert_eq!(more_needed(0.020, 12, 0.020), Some(0));
        assert_eq!(more_needed(1.0, 5, 0.020), None);
        assert_eq!(more_needed(f64::NAN, 5, 0.020), None);
    }
}
