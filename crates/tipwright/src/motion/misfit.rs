//! Errors that last, found from what the fit leaves.
//!
//! A path follows errors that last: most of them are not in the residuals, and the correlation of those says too little. So
//! sums of residuals over blocks of 1, 4, 16 ... sightings are compared with the same sums after errors of known kind (white, or
//! fading over some sightings) were pushed through the same solution ([`super::replicate`]): variance components by the method of
//! moments (Searle, Casella, McCulloch, Variance Components, 1992, ch. 5; blocks: Carlstein, Annals of Statistics 14 (1986)
//! 1171-1179). A component is taken in only where the sums ask for it clearly.

use nalgebra::{DMatrix, Vector2};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::band::ArrowFactor;
use super::replicate::{Mix, Replicator};
use super::sweep::ABREAST;

/// Sightings over which an error may fade.
const FADES: [f64; 5] = [2.0, 6.0, 20.0, 60.0, 200.0];
/// Lengths of blocks, sightings.
const BLOCKS: [usize; 5] = [1, 4, 16, 64, 256];
/// Fewest blocks of a length, all series of a marker and both axes together, for it to be looked at: a variance from 24 is
/// known to 29 %.
const FEWEST_BLOCKS: usize = 24;
/// Solutions with made-up errors per kind. The sums of eight are known three times better than those of the one real series.
const TRIES: usize = 2 * ABREAST;
/// Fall of chi-square for a component to be taken in: 4, two standard deviations of one.
const WORTH: f64 = 4.0;
/// Solutions with errors of the kind found, from which the widening is taken: a standard deviation to 7 %.
const REPLICATES: usize = 25 * ABREAST;
const SEED: u64 = 0x7469_7077;

/// What sightings' errors are like, and how much wider than white ones they make the solution.
#[derive(Debug, Clone)]
pub struct Misfit {
    /// Kinds of errors, marker by marker.
    pub mixes: Vec<Mix>,
    /// Factor on the sd of each marker's path with the set-up known.
    pub marker_factors: Vec<f64>,
    /// The same of its velocity (and acceleration): they hold more of what smoothing takes.
    pub rate_factors: Vec<f64>,
    /// Factor on the sd of every parameter of the border.
    pub border_factors: Vec<f64>,
    /// Covariance of the border under such errors, as the replicates have it: what lasts has directions of its own.
    pub border_spread: Option<DMatrix<f64>>,
}

impl Misfit {
    /// White errors of the size assumed.
    pub fn none(markers: usize, border: usize) -> Self {
        Self {
            mixes: vec![Mix::white(); markers],
            marker_factors: vec![1.0; markers],
            rate_factors: vec![1.0; markers],
            border_factors: vec![1.0; border],
            border_spread: None,
        }
    }

    /// Positions in the border's covariance with the factor on each.
    pub fn border_pairs(&self) -> impl Iterator<Item = ((usize, usize), f64)> + '_ {
        let f = &self.border_factors;
        (0..f.len()).flat_map(move |i| (0..f.len()).map(move |j| ((i, j), f[i] * f[j])))
    }
}

/// Mean square of block sums over sightings, and number of blocks, for every length.
type Sums = Vec<(f64, usize)>;

/// Finds errors that last and how far they widen the solution. `band_inverse` is the inverse within the band.
pub fn find(
    replicator: &mut Replicator,
    factor: &ArrowFactor,
    band_inverse: &[f64],
    jerk_pull: &[f64],
) -> Misfit {
    let markers = replicator.markers;
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(SEED);
    let mut sample = || -> f64 { StandardNormal.sample(&mut rng) };
    let left: Vec<Vector2<f64>> =
        replicator.rows.iter().map(|r| r.linear.residual * (r.share * r.root)).collect();
    let observed = sums(replicator, &left);
    // What errors of one kind leave: prior's first, then white ones, then those that last.
    let mut leaves = |mix: Option<Mix>| -> Vec<Sums> {
        let mut mean: Vec<Sums> = vec![vec![(0.0, 0); BLOCKS.len()]; markers];
        for _ in 0..TRIES / ABREAST {
            let (mut pulls, mut all_errors) = (Vec::new(), Vec::new());
            for _ in 0..ABREAST {
                let mut pull = replicator.nothing();
                let mut errors = vec![Vector2::zeros(); replicator.rows.len()];
                match &mix {
                    None => replicator.add_priors(&mut sample, &mut pull),
                    Some(mix) => {
                        errors = replicator.errors(&vec![mix.clone(); markers], &mut sample);
                        replicator.add_errors(&errors, &mut pull);
                    }
                }
                pulls.push(pull);
                all_errors.push(errors);
            }
            for ((x, b), mut errors) in factor.solve_all(&pulls).into_iter().zip(all_errors) {
                for (row, error) in replicator.rows.iter().zip(&mut errors) {
                    *error = (*error - replicator.moved(row, &x, &b) * row.root) * row.share;
                }
                for (mean, new) in mean.iter_mut().zip(sums(replicator, &errors)) {
                    for (mean, new) in mean.iter_mut().zip(new) {
                        *mean = (mean.0 + new.0 / TRIES as f64, new.1);
                    }
                }
            }
        }
        mean
    };
    let longest = BLOCKS
        .iter()
        .enumerate()
        .filter(|(i, _)| observed.iter().any(|s| s[*i].1 >= FEWEST_BLOCKS))
        .map(|(_, length)| *length as f64)
        .fold(1.0, f64::max);
    let of_prior = leaves(None);
    let of_white = leaves(Some(Mix::white()));
    let fades: Vec<f64> = FADES.into_iter().filter(|f| 2.5 * f <= longest).collect();
    let of_lasting: Vec<Vec<Sums>> =
        fades.iter().map(|fades| leaves(Some(Mix { white: 0.0, lasting: vec![(*fades, 1.0)] }))).collect();
    let mixes: Vec<Mix> = (0..markers)
        .map(|m| {
            let kinds: Vec<&Sums> =
                std::iter::once(&of_white[m]).chain(of_lasting.iter().map(|k| &k[m])).collect();
            let found = components(&observed[m], &of_prior[m], &kinds);
            let lasting: Vec<(f64, f64)> =
                fades.iter().copied().zip(found[1..].iter().copied()).filter(|(_, v)| *v > 0.0).collect();
            // noise has a floor: what is not seen to last is white
            let lasts: f64 = lasting.iter().map(|(_, v)| v).sum();
            Mix { white: found[0].max(1.0 - lasts).max(0.0), lasting }
        })
        .collect();
    let taken = super::taken::by_span(replicator, factor, &mixes, jerk_pull, &mut sample);
    replicator.set_taken(taken);
    widening(replicator, factor, band_inverse, mixes)
}

/// Squares of block sums, marker by marker.
fn sums(replicator: &Replicator, left: &[Vector2<f64>]) -> Vec<Sums> {
    let markers = replicator.markers;
    let mut out = vec![vec![(0.0, 0); BLOCKS.len()]; markers];
    for (k, series) in replicator.stands.iter().enumerate() {
        // A stand's share is one sighting's: its residuals together are one.
        let each: Vec<Vector2<f64>> =
            series.iter().map(|s| s.rows.iter().map(|i| left[*i]).sum::<Vector2<f64>>()).collect();
        for (i, length) in BLOCKS.iter().enumerate() {
            for block in each.chunks_exact(*length) {
                let (square, n) = &mut out[k % markers][i];
                *square += block.iter().sum::<Vector2<f64>>().norm_squared() / *length as f64;
                *n += 2;
            }
        }
    }
    for marker in &mut out {
        for (square, n) in marker {
            *square /= (*n).max(1) as f64;
        }
    }
    out
}

/// Variance of each kind of error (the first is white) whose block sums explain the observed ones; never negative.
fn components(observed: &Sums, of_prior: &Sums, kinds: &[&Sums]) -> Vec<f64> {
    let used: Vec<usize> = (0..BLOCKS.len()).filter(|i| observed[*i].1 >= FEWEST_BLOCKS).collect();
    let mut found = vec![0.0; kinds.len()];
    if used.is_empty() {
        found[0] = 1.0;
        return found;
    }
    // relative sd of a mean of n squares: sqrt(2 / n)
    let weight = |i: usize| observed[i].1 as f64 / 2.0;
    let misfit = |found: &[f64]| -> f64 {
        let off = |i: usize| {
            let made: f64 = of_prior[i].0 + found.iter().zip(kinds).map(|(f, k)| f * k[i].0).sum::<f64>();
            // in relative terms of what is expected
            (observed[i].0 / made.max(1e-12)).ln()
        };
        used.iter().map(|&i| weight(i).min(CAP) * off(i).powi(2)).sum()
    };
    let mut active = vec![0_usize];
    found[0] = 1.0;
    let mut best = refine(&misfit, &active, &mut found);
    while let Some((next, tried, value)) = (1..kinds.len())
        .filter(|k| !active.contains(k))
        .map(|k| {
            let mut tried = found.clone();
            tried[k] = 0.3;
            let set: Vec<usize> = active.iter().copied().chain([k]).collect();
            let value = refine(&misfit, &set, &mut tried);
            (k, tried, value)
        })
        .min_by(|a, b| a.2.total_cmp(&b.2))
    {
        if best - value < WORTH {
            break;
        }
        active.push(next);
        (found, best) = (tried, value);
    }
    found
}

/// Most a length's sums are believed: to 7 %, for kinds of errors are no better known.
const CAP: f64 = 200.0;

/// Lowers the misfit by the active variances, one after the other, on a logarithmic scale down to nothing.
fn refine(misfit: &dyn Fn(&[f64]) -> f64, active: &[usize], found: &mut [f64]) -> f64 {
    let mut best = misfit(found);
    let mut factor: f64 = 4.0;
    while factor > 1.005 {
        let mut moved = false;
        for &k in active {
            for new in [found[k] * factor, found[k] / factor, 0.0, found[k].max(0.01)] {
                let old = std::mem::replace(&mut found[k], new);
                let value = misfit(found);
                if value < best - 1e-9 {
                    (best, moved) = (value, true);
                } else {
                    found[k] = old;
                }
            }
        }
        if !moved {
            factor = factor.sqrt();
        }
    }
    best
}

/// How much wider the solution is with such errors than with white ones of the assumed size.
fn widening(replicator: &Replicator, factor: &ArrowFactor, band_inverse: &[f64], mixes: Vec<Mix>) -> Misfit {
    let markers = replicator.markers;
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(SEED + 1);
    let mut sample = || -> f64 { StandardNormal.sample(&mut rng) };
    let border = factor.border_covariance();
    let mut spread = DMatrix::<f64>::zeros(border.nrows(), border.nrows());
    let tries = REPLICATES as f64;
    // of the place and of the velocity
    let mut got = [vec![0.0; markers], vec![0.0; markers]];
    for _ in 0..REPLICATES / ABREAST {
        let mut pulls = Vec::new();
        for _ in 0..ABREAST {
            let mut pull = replicator.nothing();
            let errors = replicator.errors(&mixes, &mut sample);
            replicator.add_errors(&errors, &mut pull);
            replicator.add_priors(&mut sample, &mut pull);
            pulls.push(pull);
        }
        for (x, b) in factor.solve_band_all(&pulls) {
            for row in &replicator.rows {
                let l = &row.linear;
                for (got, weights) in got.iter_mut().zip([&l.weights, &l.rates_per_s]) {
                    let shift = super::state::combine(&x, replicator.order, row.marker_idx, l.first, weights);
                    got[row.marker_idx] += row.share * (l.by_point * shift).norm_squared();
                }
            }
            spread.ger(1.0 / tries, &b, &b, 1.0);
        }
    }
    let mut expected = [vec![0.0; markers], vec![0.0; markers]];
    for row in &replicator.rows {
        let l = &row.linear;
        for (expected, weights) in expected.iter_mut().zip([&l.weights, &l.rates_per_s]) {
            let cov =
                super::hyper::covariance(band_inverse, replicator.order, row.marker_idx, l.first, weights);
            expected[row.marker_idx] += row.share * (l.by_point * cov * l.by_point.transpose()).trace();
        }
    }
    let ratio = |got: f64, expected: f64| if expected > 0.0 { (got / expected).sqrt() } else { 1.0 };
    Misfit {
        marker_factors: got[0].iter().zip(&expected[0]).map(|(g, e)| ratio(g / tries, *e)).collect(),
        rate_factors: got[1].iter().zip(&expected[1]).map(|(g, e)| ratio(g / tries, *e)).collect(),
        border_factors: (0..border.nrows()).map(|i| ratio(spread[(i, i)], border[(i, i)])).collect(),
        border_spread: Some(spread),
        mixes,
    }
}
