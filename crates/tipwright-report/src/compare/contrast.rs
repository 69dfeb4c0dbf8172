//! Means of each cell and the differences between sides or casters.

use super::cells::{Keys, Row, Sorted, sort};
use super::season::{self, Season};
use super::{CompareBy, CompareChoice};
use crate::stats::{Estimate, Sample, describe, difference, paired, trend};
use tipwright::model::results::SessionResults;
use tipwright::model::{Direction, FigureId};

/// What may be said of a difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// The interval lies above zero.
    More,
    /// The interval lies below zero.
    Less,
    /// The interval holds zero.
    NotTold,
    /// Fewer strokes or casters than demanded.
    TooFew,
}

impl Verdict {
    /// In words.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::More => "more",
            Self::Less => "less",
            Self::NotTold => "no difference can be told",
            Self::TooFew => "too few to say",
        }
    }

    fn of(estimate: Option<Estimate>, enough: bool) -> Self {
        match estimate {
            Some(e) if enough && e.excludes_zero() => {
                if e.value > 0.0 {
                    Self::More
                } else {
                    Self::Less
                }
            }
            Some(_) if enough => Self::NotTold,
            _ => Self::TooFew,
        }
    }
}

/// Mean of a figure in one cell.
#[derive(Debug, Clone)]
pub struct Mean {
    /// Index of the row.
    pub row: usize,
    /// Index of the side.
    pub side: usize,
    /// The figure.
    pub figure: FigureId,
    /// Its sample.
    pub sample: Sample,
    /// Change per stroke.
    pub trend: Option<Estimate>,
}

/// One difference: second minus first.
#[derive(Debug, Clone)]
pub struct Difference {
    /// The figure.
    pub figure: FigureId,
    /// Of whom: a caster's label, or all casters paired.
    pub of: String,
    /// The first.
    pub first: String,
    /// The second.
    pub second: String,
    /// Sizes: strokes, or casters when paired.
    pub counts: (usize, usize),
    /// Whose strokes the first and the second are.
    pub keys: [Keys; 2],
    /// Second minus first.
    pub estimate: Option<Estimate>,
    /// What may be said.
    pub verdict: Verdict,
    /// The mean over casters of their own differences.
    pub is_paired: bool,
    /// Standard deviation between strokes, pooled over both sides; of the casters' differences when paired.
    pub scatter: Option<f64>,
    /// Standard deviation of what no number of strokes makes smaller: one camera's plane. 0 of two cameras, and paired, where the casters' own
    /// differences show it.
    pub shared_sd: f64,
}

/// The comparison of the strokes of one direction.
#[derive(Debug, Clone)]
pub struct Part<'a> {
    /// Direction.
    pub direction: Direction,
    /// Strokes by row and side.
    pub sorted: Sorted<'a>,
    /// Figures that anybody has.
    pub figures: Vec<FigureId>,
    /// Means.
    pub means: Vec<Mean>,
    /// Differences.
    pub differences: Vec<Difference>,
    /// What belongs to sessions and what to casters, where sessions are compared.
    pub seasons: Vec<Season>,
}

/// Name of the row over all casters.
pub const ALL_PAIRED: &str = "all casters, paired";

/// Compares the strokes of one direction.
#[must_use]
pub fn part<'a>(sessions: &'a [SessionResults], choice: &CompareChoice, direction: Direction) -> Part<'a> {
    let own = CompareChoice { direction: Some(direction), ..choice.clone() };
    let sorted = sort(sessions, &own);
    let mut means = Vec::new();
    let mut differences = Vec::new();
    let mut figures = Vec::new();
    for &figure in &choice.figures {
        let before = means.len();
        for (row_idx, row) in sorted.rows.iter().enumerate() {
            for (&side, cell) in &row.cells {
                let values = cell.values(figure);
                if let Some(sample) = describe(&values).map(|s| s.with_error(cell.shared_sd(figure))) {
                    means.push(Mean { row: row_idx, side, figure, sample, trend: trend(&values) });
                }
            }
        }
        if means.len() == before {
            continue;
        }
        figures.push(figure);
        if choice.by == CompareBy::Caster {
            differences.extend(between_casters(&sorted.rows, figure, choice));
        } else {
            for second in 1..sorted.sides.len() {
                differences.extend(between_sides(&sorted, figure, (0, second), choice));
            }
        }
    }
    let by_session = choice.by == CompareBy::Session;
    let seasons =
        figures.iter().filter(|_| by_session).filter_map(|&figure| season::of(figure, &means)).collect();
    Part { direction, sorted, figures, means, differences, seasons }
}

fn values(row: &Row<'_>, side: usize, figure: FigureId) -> Vec<f64> {
    row.cells.get(&side).map(|c| c.values(figure)).unwrap_or_default()
}

/// What the errors of a row's strokes have in common, one standard deviation.
fn shared_sd(row: &Row<'_>, side: usize, figure: FigureId) -> f64 {
    row.cells.get(&side).map_or(0.0, |c| c.shared_sd(figure))
}

/// Casters up to which each is set against each other; beyond, the pairs are more than anybody reads, and the means hold all.
const PAIRED_CASTERS: usize = 40;

/// Standard deviation within two samples.
fn pooled(x: &[f64], y: &[f64]) -> Option<f64> {
    let sum =
        |v: &[f64]| describe(v).and_then(|s| Some(s.spread?.powi(2) * (v.len() as f64 - 1.0))).unwrap_or(0.0);
    let freedom = (x.len() + y.len()).checked_sub(2).filter(|n| *n > 0)?;
    Some(((sum(x) + sum(y)) / freedom as f64).sqrt())
}

fn between_casters(rows: &[Row<'_>], figure: FigureId, choice: &CompareChoice) -> Vec<Difference> {
    let mut out = Vec::new();
    let rows = if rows.len() > PAIRED_CASTERS { &[] } else { rows };
    for (k, a) in rows.iter().enumerate() {
        for b in &rows[k + 1..] {
            let (x, y) = (values(a, 0, figure), values(b, 0, figure));
            let shared_sd = shared_sd(a, 0, figure).hypot(shared_sd(b, 0, figure));
            let estimate = difference(&x, &y).map(|d| d.with_error(shared_sd));
            out.push(Difference {
                figure,
                of: String::new(),
                first: a.label.clone(),
                second: b.label.clone(),
                counts: (x.len(), y.len()),
                keys: [a.keys.clone(), b.keys.clone()],
                estimate,
                verdict: Verdict::of(estimate, x.len().min(y.len()) >= choice.min_strokes),
                is_paired: false,
                scatter: pooled(&x, &y),
                shared_sd,
            });
        }
    }
    out
}

fn between_sides(
    sorted: &Sorted<'_>,
    figure: FigureId,
    (first, second): (usize, usize),
    choice: &CompareChoice,
) -> Vec<Difference> {
    let mut out = Vec::new();
    let mut pairs = Vec::new();
    for row in &sorted.rows {
        let (x, y) = (values(row, first, figure), values(row, second, figure));
        if x.is_empty() || y.is_empty() {
            continue;
        }
        let shared_sd = shared_sd(row, first, figure).hypot(shared_sd(row, second, figure));
        let estimate = difference(&x, &y).map(|d| d.with_error(shared_sd));
        if let (Some(a), Some(b)) = (describe(&x), describe(&y)) {
            pairs.push(b.mean - a.mean);
        }
        out.push(Difference {
            figure,
            of: row.label.clone(),
            first: sorted.sides[first].name.clone(),
            second: sorted.sides[second].name.clone(),
            counts: (x.len(), y.len()),
            keys: [first, second].map(|side| sorted.keys(Some(row), side)),
            estimate,
            verdict: Verdict::of(estimate, x.len().min(y.len()) >= choice.min_strokes),
            is_paired: false,
            scatter: pooled(&x, &y),
            shared_sd,
        });
    }
    if pairs.len() > 1 {
        let estimate = paired(&pairs);
        out.push(Difference {
            figure,
            of: ALL_PAIRED.into(),
            first: sorted.sides[first].name.clone(),
            second: sorted.sides[second].name.clone(),
            counts: (pairs.len(), pairs.len()),
            keys: [first, second].map(|side| sorted.keys(None, side)),
            estimate,
            verdict: Verdict::of(estimate, pairs.len() >= choice.min_pairs),
            is_paired: true,
            scatter: describe(&pairs).and_then(|s| s.spread),
            shared_sd: 0.0,
        });
    }
    out
}
