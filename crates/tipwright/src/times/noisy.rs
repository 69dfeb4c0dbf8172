//! Evenly spaced exposures whose stamps carry noise: parted by binary segmentation (Scott and Knott, Biometrics 30 (1974) 507),
//! boundaries then moved to where they fit best and taken out again where they explain too little; a line by Huber's
//! M-estimator (Robust Statistics, 1981) in each.

use super::{FEWEST, Line, TimesFound};
use crate::math::median;

/// Median absolute deviation of a normal distribution to its standard deviation.
const MAD_TO_SD: f64 = 1.4826;
/// Half width of the filter that takes single late stamps out before stretches are looked for, frames, and how far out a stamp
/// must be, standard deviations (Hampel's filter, along the line of its neighbours).
const FILTER: (usize, f64) = (4, 3.5);
/// Huber's cut, standard deviations: 95 % efficient for normal noise (Huber 1981).
const CUT: f64 = 1.345;
/// Sizes of noise at which stretches are looked for, in its size from stamp to stamp.
const NOISE_SIZES: [f64; 6] = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0];
/// Difference of criteria that is clear evidence, ten (Kass and Raftery, J. Am. Stat. Assoc. 90 (1995) 773: "very strong").
const CLEARLY: f64 = 10.0;
/// What a stretch costs in logarithms of the number of frames: three parameters and the clusters of [`worth`].
const PER_STRETCH: f64 = 5.0;
/// A stretch whose stamps are so many times farther from its line than usual is not even: its frames keep their stamps.
const MISFIT: f64 = 5.0;
/// A parting explains something when it lowers the squared residuals by this many variances: three times what three parameters
/// (place, step, where) cost by Schwarz's criterion, for the best of n places is taken and late stamps come in clusters. Chosen with
/// [`PER_STRETCH`] on seeds from 100 up: with the criterion's own cost one clip in twenty with such stamps was parted for nothing.
fn worth(frames: usize) -> f64 {
    10.0 * (frames as f64).ln() + 20.0
}

/// Stretches of stamps with noise; one uneven stretch where steps vary by themselves.
pub(super) fn stretches(stamps_s: &[f64], numbers: &[u64], rounding_s: f64) -> Vec<TimesFound> {
    let n = stamps_s.len();
    let least_sd_s = (rounding_s / 12.0_f64.sqrt()).max(1e-9);
    let series = Series::new(stamps_s, numbers, least_sd_s);
    // noise that lasts looks small from stamp to stamp and would be parted into pieces: it is tried at several sizes
    let mut best: Option<(f64, Vec<usize>)> = None;
    for size in NOISE_SIZES {
        let bounds = series.part(size * series.white_sd_s.max(least_sd_s));
        let cost = series.cost_of_even(&bounds, least_sd_s);
        let pieces = bounds.len();
        if best.as_ref().is_none_or(|(c, b)| cost + if pieces < b.len() { -CLEARLY } else { 0.0 } < *c) {
            best = Some((cost, bounds));
        }
        if pieces == 2 {
            break;
        }
    }
    let free = series.cost_of_free(least_sd_s);
    let Some((_, bounds)) = best.filter(|(cost, _)| cost + CLEARLY < free) else {
        let frame_sd_s = series.white_part_sd_s().max(least_sd_s);
        return vec![TimesFound { from: 0, to: n, line: None, frame_sd_s }];
    };
    let noise_sd_s = series.usual_residual_s(&bounds).max(least_sd_s);
    bounds
        .windows(2)
        .map(|w| {
            let (from, to) = (w[0], w[1]);
            let about_s = (series.cost(from, to) / (to - from) as f64).sqrt();
            let fits = about_s < MISFIT * noise_sd_s;
            let line = if fits { robust_line(stamps_s, numbers, from..to, least_sd_s) } else { None };
            TimesFound { from, to, line, frame_sd_s: noise_sd_s }
        })
        .collect()
}

/// Stamps less an even spacing, single late ones taken out, with sums for the lines of all stretches.
struct Series {
    numbers: Vec<f64>,
    rest_s: Vec<f64>,
    white_sd_s: f64,
    /// Sums of 1, k, k^2, y, ky, y^2 before each frame.
    sums: Vec<[f64; 6]>,
}

impl Series {
    fn new(stamps_s: &[f64], numbers: &[u64], least_sd_s: f64) -> Self {
        let n = stamps_s.len();
        let per_number =
            stamps_s.windows(2).zip(numbers.windows(2)).map(|(s, k)| (s[1] - s[0]) / (k[1] - k[0]) as f64);
        let usual_s = median(per_number).unwrap_or(0.0);
        let middle = numbers[n / 2] as f64;
        let numbers: Vec<f64> = numbers.iter().map(|k| *k as f64 - middle).collect();
        let raw: Vec<f64> =
            stamps_s.iter().zip(&numbers).map(|(s, k)| s - stamps_s[n / 2] - usual_s * k).collect();
        let white = |y: &[f64]| {
            let bends = y.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs());
            // the second difference of white noise has six times its variance
            MAD_TO_SD * median(bends).unwrap_or(0.0) / 6.0_f64.sqrt()
        };
        let far_s = FILTER.1 * white(&raw).max(least_sd_s);
        let half = FILTER.0;
        let rest_s: Vec<f64> = (0..n)
            .map(|i| {
                let (before, after) = (i.saturating_sub(half), (i + half + 1).min(n));
                // where the rate changes a frame is in line with those on one side
                let around = [
                    Some(before..after),
                    (i >= half).then_some(before..i + 1),
                    (i + half < n).then_some(i..after),
                ];
                let usual: Vec<f64> =
                    around.into_iter().flatten().map(|frames| in_line(&numbers, &raw, frames, i)).collect();
                if usual.iter().all(|u| (raw[i] - u).abs() > far_s) { usual[0] } else { raw[i] }
            })
            .collect();
        let mut sums = vec![[0.0; 6]; n + 1];
        for (i, (k, y)) in numbers.iter().zip(&rest_s).enumerate() {
            let add = [1.0, *k, k * k, *y, k * y, y * y];
            for (j, a) in add.into_iter().enumerate() {
                sums[i + 1][j] = sums[i][j] + a;
            }
        }
        Self { white_sd_s: white(&rest_s), numbers, rest_s, sums }
    }

    /// Squared residuals about the best line of `from..to`.
    fn cost(&self, from: usize, to: usize) -> f64 {
        let [n, k, kk, y, ky, yy] = std::array::from_fn(|j| self.sums[to][j] - self.sums[from][j]);
        let (ckk, cky, cyy) = (kk - k * k / n, ky - k * y / n, yy - y * y / n);
        let explained = if ckk > 0.0 { cky * cky / ckk } else { 0.0 };
        (cyy - explained).max(0.0)
    }

    /// Best place to part `from..to`, and what is left of the squared residuals then.
    fn best_split(&self, from: usize, to: usize) -> Option<(f64, usize)> {
        let last = to.checked_sub(FEWEST)?;
        (from + FEWEST..=last)
            .map(|at| (self.cost(from, at) + self.cost(at, to), at))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Ends of the stretches.
    fn part(&self, noise_sd_s: f64) -> Vec<usize> {
        let n = self.rest_s.len();
        let least = worth(n) * noise_sd_s * noise_sd_s;
        let mut bounds = vec![0];
        let mut open = vec![(0, n)];
        while let Some((from, to)) = open.pop() {
            match self.best_split(from, to) {
                Some((left, at)) if self.cost(from, to) - left > least => {
                    open.push((at, to));
                    open.push((from, at));
                }
                _ => bounds.push(to),
            }
        }
        // a short stretch between two: one boundary may do
        let mut i = 1;
        while i + 2 < bounds.len() {
            let (a, b, c, d) = (bounds[i - 1], bounds[i], bounds[i + 1], bounds[i + 2]);
            let now = self.cost(a, b) + self.cost(b, c) + self.cost(c, d);
            match self.best_split(a, d) {
                Some((left, at)) if left - now < least => {
                    bounds[i] = at;
                    bounds.remove(i + 1);
                    i = i.saturating_sub(1).max(1);
                }
                _ => i += 1,
            }
        }
        for _ in 0..2 {
            for i in 1..bounds.len() - 1 {
                if let Some((_, at)) = self.best_split(bounds[i - 1], bounds[i + 1]) {
                    bounds[i] = at;
                }
            }
        }
        let mut i = 1;
        while i + 1 < bounds.len() {
            let (a, b, c) = (bounds[i - 1], bounds[i], bounds[i + 1]);
            if self.cost(a, c) - self.cost(a, b) - self.cost(b, c) < least {
                bounds.remove(i);
                i = i.saturating_sub(1).max(1);
            } else {
                i += 1;
            }
        }
        bounds
    }

    /// Residuals about the lines of the stretches, each with the one before it in the same stretch.
    fn residuals(&self, bounds: &[usize]) -> Vec<Vec<f64>> {
        bounds
            .windows(2)
            .map(|w| {
                let [n, k, kk, y, ky, _] = std::array::from_fn(|j| self.sums[w[1]][j] - self.sums[w[0]][j]);
                let ckk = kk - k * k / n;
                let slope = if ckk > 0.0 { (ky - k * y / n) / ckk } else { 0.0 };
                (w[0]..w[1]).map(|i| self.rest_s[i] - y / n - slope * (self.numbers[i] - k / n)).collect()
            })
            .collect()
    }

    /// Median size of a residual about the stretches' lines, as a standard deviation.
    fn usual_residual_s(&self, bounds: &[usize]) -> f64 {
        MAD_TO_SD * median(self.residuals(bounds).into_iter().flatten().map(f64::abs)).unwrap_or(0.0)
    }

    /// Schwarz's criterion of even spacing within stretches. The noise may last (first order): then it is told from steps that
    /// add up only by coming back (the test of Dickey and Fuller asks about the same).
    fn cost_of_even(&self, bounds: &[usize], least_sd_s: f64) -> f64 {
        let n = self.rest_s.len() as f64;
        let residuals = self.residuals(bounds);
        let square: f64 = residuals.iter().flatten().map(|v| v * v).sum();
        let lag: f64 = residuals.iter().flat_map(|r| r.windows(2)).map(|w| w[0] * w[1]).sum();
        let lasting = if square > 0.0 { (lag / square).clamp(0.0, 0.999) } else { 0.0 };
        let stretches = (bounds.len() - 1) as f64;
        let variance = square / n * (1.0 - lasting * lasting) + least_sd_s * least_sd_s;
        n * variance.ln() + (PER_STRETCH * stretches + 1.0) * n.ln()
    }

    /// The same of steps, or changes of steps, that vary by themselves. Rounding alone is seen twice in a step and six times in a
    /// change of steps.
    fn cost_of_free(&self, least_sd_s: f64) -> f64 {
        let n = self.rest_s.len() as f64;
        let variance = |values: Vec<f64>, roundings: f64| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
            square / values.len() as f64 + roundings * least_sd_s * least_sd_s
        };
        let steps = variance(self.rest_s.windows(2).map(|w| w[1] - w[0]).collect(), 2.0);
        let changes = variance(self.rest_s.windows(3).map(|w| w[2] - 2.0 * w[1] + w[0]).collect(), 6.0);
        n * steps.min(changes).ln() + 2.0 * n.ln()
    }

    /// Standard deviation of noise that does not add up, of stamps whose steps do: minus the covariance of neighbouring steps.
    fn white_part_sd_s(&self) -> f64 {
        let steps: Vec<f64> = self.rest_s.windows(2).map(|w| w[1] - w[0]).collect();
        let mean = steps.iter().sum::<f64>() / steps.len() as f64;
        let products = steps.windows(2).map(|w| (w[0] - mean) * (w[1] - mean));
        (-products.sum::<f64>() / steps.len() as f64).max(0.0).sqrt()
    }
}

/// Where frame i would be by the line through its neighbours: median slope, median place.
fn in_line(numbers: &[f64], rest_s: &[f64], frames: std::ops::Range<usize>, i: usize) -> f64 {
    let slopes = frames.clone().skip(1).map(|j| (rest_s[j] - rest_s[j - 1]) / (numbers[j] - numbers[j - 1]));
    let slope = median(slopes).unwrap_or(0.0);
    median(frames.map(|j| rest_s[j] - slope * (numbers[j] - numbers[i]))).unwrap_or(rest_s[i])
}

/// Line by Huber's M-estimator with the covariance of noise that may last; `None` of too few frames.
fn robust_line(
    stamps_s: &[f64],
    numbers: &[u64],
    range: std::ops::Range<usize>,
    least_sd_s: f64,
) -> Option<Line> {
    let n = range.len();
    if n < FEWEST {
        return None;
    }
    let origin_s = stamps_s[range.start];
    let points: Vec<(f64, f64)> = range.map(|i| (numbers[i] as f64, stamps_s[i] - origin_s)).collect();
    let mut weights = vec![1.0; n];
    let (mut middle, mut at, mut step) = (0.0, 0.0, 0.0);
    let mut rest = vec![0.0; n];
    let mut sd_s = least_sd_s;
    for turn in 0..30 {
        let total: f64 = weights.iter().sum();
        middle = weights.iter().zip(&points).map(|(w, p)| w * p.0).sum::<f64>() / total;
        at = weights.iter().zip(&points).map(|(w, p)| w * p.1).sum::<f64>() / total;
        let spread: f64 = weights.iter().zip(&points).map(|(w, p)| w * (p.0 - middle).powi(2)).sum();
        let before = step;
        step =
            weights.iter().zip(&points).map(|(w, p)| w * (p.0 - middle) * (p.1 - at)).sum::<f64>() / spread;
        for (r, p) in rest.iter_mut().zip(&points) {
            *r = p.1 - at - step * (p.0 - middle);
        }
        sd_s = (MAD_TO_SD * median(rest.iter().map(|r| r.abs())).unwrap_or(0.0)).max(least_sd_s);
        for (w, r) in weights.iter_mut().zip(&rest) {
            *w = if r.abs() <= CUT * sd_s { 1.0 } else { CUT * sd_s / r.abs() };
        }
        if turn > 2 && (step - before).abs() * (n as f64) < 1e-10 {
            break;
        }
    }
    // asymptotic variance of the estimator (Huber 1981), times how long the noise lasts
    let pulls: Vec<f64> = rest.iter().zip(&weights).map(|(r, w)| r * w).collect();
    let square = pulls.iter().map(|p| p * p).sum::<f64>() / (n - 2) as f64;
    let inner = rest.iter().filter(|r| r.abs() <= CUT * sd_s).count() as f64 / n as f64;
    let variance = square.max(least_sd_s * least_sd_s) / (inner * inner) * lasts(&pulls);
    let spread: f64 = points.iter().map(|p| (p.0 - middle).powi(2)).sum();
    (step > 0.0 && inner > 0.0).then_some(Line {
        middle,
        at_s: origin_s + at,
        step_s: step,
        at_sd_s: (variance / n as f64).sqrt(),
        step_sd_s: (variance / spread).sqrt(),
    })
}

/// `1 + 2 sum rho` over the first positive pairs of lags (Geyer, Statistical Science 7 (1992) 473), at least 1.
fn lasts(series: &[f64]) -> f64 {
    let square: f64 = series.iter().map(|v| v * v).sum();
    if !(square > 0.0) {
        return 1.0;
    }
    let rho = |lag: usize| series.iter().zip(&series[lag..]).map(|(a, b)| a * b).sum::<f64>() / square;
    let mut total = 1.0;
    for lag in (1..series.len() / 4).step_by(2) {
        let pair = rho(lag) + rho(lag + 1);
        if !(pair > 0.0) {
            break;
        }
        total += 2.0 * pair;
    }
    total.max(1.0)
}
