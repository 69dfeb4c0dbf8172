//! A rod's markers with their draws, checked and ready to be measured.

use std::borrow::Cow;
use std::ops::Range;

use crate::model::{MarkerPath, PathDraw, PathDraws, PathSample, RodPaths};

use super::StrokesError;
use super::butt::ButtPair;
use super::config::StrokesConfig;
use super::curve::{Columns, Curve};
use super::draws::synthetic;
use super::raw::RodView;

/// Fewest samples a path can be cut into movements by: two to each side of a start, a peak and a stop.
const FEWEST_SAMPLES: usize = 8;

/// One marker.
pub(super) struct Marker<'a> {
    pub columns: Columns,
    pub samples: &'a [PathSample],
    pub draws: Cow<'a, PathDraws>,
    pub smoothed_again: Option<&'a PathDraw>,
}

/// The rod; butt markers in order from the cap.
pub(super) struct Rod<'a> {
    pub tip: Marker<'a>,
    pub butts: Vec<Marker<'a>>,
    /// Draws that every marker has.
    pub draw_count: usize,
    /// The draws were made from the samples' standard deviations.
    pub is_synthetic: bool,
}

impl<'a> Rod<'a> {
    pub fn of(paths: &'a RodPaths, config: &StrokesConfig) -> Result<Self, StrokesError> {
        check(&paths.tip, "tip")?;
        let mut butts: Vec<_> =
            paths.butts.iter().filter(|b| b.path.samples.len() >= FEWEST_SAMPLES).collect();
        butts.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
        // two markers at one place fix no axis
        butts.dedup_by(|a, b| (a.at_m - b.at_m).abs() < 1e-6);
        for b in &butts {
            check(&b.path, "butt marker")?;
        }
        let all: Vec<&MarkerPath> =
            std::iter::once(&paths.tip).chain(butts.iter().map(|b| &b.path)).collect();
        let given = all.iter().map(|p| p.draws.len()).filter(|&n| n > 0).min();
        let draw_count = given.unwrap_or(config.synthetic_draws);
        let made = StrokesConfig { synthetic_draws: draw_count, ..config.clone() };
        let mut markers = all.iter().enumerate().map(|(i, path)| {
            let columns = Columns::of(path);
            let draws = if path.draws.is_empty() {
                Cow::Owned(synthetic(path, columns.step_s, i as u64, &made))
            } else {
                Cow::Borrowed(&path.draws)
            };
            Marker { columns, samples: &path.samples, draws, smoothed_again: path.smoothed_again.as_ref() }
        });
        let tip =
            markers.next().ok_or(StrokesError::TooShort { marker: "tip", needed: FEWEST_SAMPLES, got: 0 })?;
        let butts = markers.collect();
        Ok(Self { tip, butts, draw_count, is_synthetic: paths.tip.draws.is_empty() })
    }

    /// Lower and upper marker, when there are two.
    pub fn pair(&self) -> Option<(&Marker<'a>, &Marker<'a>)> {
        match self.butts.as_slice() {
            [lower, .., upper] => Some((lower, upper)),
            _ => None,
        }
    }

    /// The path itself.
    pub fn nominal(&self) -> RodView<'_> {
        self.view(|m| m.columns.curve())
    }

    /// One draw of it.
    pub fn draw(&self, draw_idx: usize) -> DrawnRod<'_> {
        self.draw_within(draw_idx, (f64::NEG_INFINITY, f64::INFINITY))
    }

    /// One draw of it between two instants.
    pub fn draw_within(&self, draw_idx: usize, (from_s, to_s): (f64, f64)) -> DrawnRod<'_> {
        let of = |m: &Marker<'_>| {
            let range = m.columns.about(from_s, to_s);
            (m.draws.within(draw_idx, m.samples, range.clone()), range)
        };
        DrawnRod { rod: self, tip: of(&self.tip), butts: self.butts.iter().map(of).collect() }
    }

    /// The path smoothed once more, when every marker's is known.
    pub fn smoothed_again(&self) -> Option<RodView<'_>> {
        let known = std::iter::once(&self.tip).chain(&self.butts).all(|m| m.smoothed_again.is_some());
        known
            .then(|| self.view(|m| m.smoothed_again.map_or_else(|| m.columns.curve(), |d| m.columns.draw(d))))
    }

    fn view<'s>(&'s self, curve: impl Fn(&'s Marker<'a>) -> Curve<'s>) -> RodView<'s> {
        view(curve(&self.tip), self.butts.iter().map(curve))
    }

    /// How long from a moment on both butt markers are seen without a gap.
    pub fn pair_until(&self, from_s: f64) -> Option<f64> {
        let (a, b) = self.pair()?;
        Some(a.columns.covered_until(from_s)?.min(b.columns.covered_until(from_s)?))
    }

    /// Both are from one moment to another.
    pub fn pair_covers(&self, from_s: f64, to_s: f64) -> bool {
        self.pair_until(from_s).is_some_and(|until_s| to_s <= until_s)
    }

    /// The upper butt marker is.
    pub fn upper_covers(&self, from_s: f64, to_s: f64) -> bool {
        self.butts.last().is_some_and(|m| m.columns.covers(from_s, to_s))
    }
}

fn view<'s>(tip: Curve<'s>, mut butts: impl DoubleEndedIterator<Item = Curve<'s>>) -> RodView<'s> {
    let upper = butts.next_back();
    let pair = butts.next().zip(upper).map(|(lower, upper)| ButtPair { lower, upper });
    RodView { tip, pair, upper }
}

/// One draw of a rod, of the whole path or of a part of it.
pub(super) struct DrawnRod<'a> {
    rod: &'a Rod<'a>,
    tip: (PathDraw, Range<usize>),
    butts: Vec<(PathDraw, Range<usize>)>,
}

impl DrawnRod<'_> {
    pub fn view(&self) -> RodView<'_> {
        let tip = self.rod.tip.columns.draw_within(&self.tip.0, self.tip.1.clone());
        let butts = self.rod.butts.iter().zip(&self.butts);
        view(tip, butts.map(|(m, (draw, range))| m.columns.draw_within(draw, range.clone())))
    }
}

fn check(path: &MarkerPath, marker: &'static str) -> Result<(), StrokesError> {
    let n = path.samples.len();
    if n < FEWEST_SAMPLES {
        return Err(StrokesError::TooShort { marker, needed: FEWEST_SAMPLES, got: n });
    }
    for (sample_idx, s) in path.samples.iter().enumerate() {
        let mut all = s.position_in_world.iter().chain(&s.velocity_in_world_m_s).chain(&s.position_sd_m);
        if !s.t_s.is_finite() || !all.all(|x| x.is_finite()) {
            return Err(StrokesError::NotFinite { marker, sample_idx });
        }
        if sample_idx > 0 && s.t_s <= path.samples[sample_idx - 1].t_s {
            return Err(StrokesError::NotIncreasing { marker, sample_idx });
        }
    }
    for draw_idx in 0..path.draws.len() {
        let got = path.draws.samples(draw_idx);
        if got != n {
            return Err(StrokesError::DrawLength { marker, draw_idx, needed: n, got });
        }
        if let Some(sample_idx) = path.draws.not_finite(draw_idx) {
            return Err(StrokesError::NotFinite { marker, sample_idx });
        }
    }
    if let Some(again) = &path.smoothed_again {
        let got = again.positions_in_world.len().min(again.velocities_in_world_m_s.len());
        if got != n {
            return Err(StrokesError::DrawLength { marker, draw_idx: path.draws.len(), needed: n, got });
        }
        let finite = |i: usize| {
            let (p, v) = (&again.positions_in_world[i], &again.velocities_in_world_m_s[i]);
            p.iter().chain(v).all(|x| x.is_finite())
        };
        if let Some(sample_idx) = (0..n).find(|&i| !finite(i)) {
            return Err(StrokesError::NotFinite { marker, sample_idx });
        }
    }
    Ok(())
}
