//! Errors made up as the sightings' own are, pushed through the solution: the covariance of a model that is not quite right.
//!
//! The inverse of the normal equations is the covariance only where errors are white and as large as assumed. With errors of
//! covariance R it is `P (J' W R W J + Q) P`, the sandwich (Huber, Proc. 5th Berkeley Symp. 1 (1967) 221-233; White, Econometrica
//! 50 (1982) 1-25), Q the information of smoothness and priors. Here it is had by drawing: errors as [`super::misfit`] finds them
//! and one draw of every prior on the right-hand side, solved with the factor at hand (parametric bootstrap, linear about the
//! solution; Efron and Tibshirani, An Introduction to the Bootstrap, 1993, 6.5).

use nalgebra::{DVector, Matrix2, Vector2};

use super::assemble::{Hyper, Setting};
use super::linear::{Linear, linearise, whitened};
use super::order::Order;
use super::state::State;

/// Source of standard normals.
pub type Normals<'a> = &'a mut dyn FnMut() -> f64;

/// A used sighting.
#[derive(Debug, Clone)]
pub struct Row {
    pub linear: Linear,
    pub marker_idx: usize,
    /// What it counts for.
    pub share: f64,
    /// Root of the loss's weight.
    pub root: f64,
    /// What all sightings of its camera and marker share ([`Problem::steady_px`]), whitened.
    pub steady: Vector2<f64>,
    /// What changes as its marker turns ([`Problem::uneven_px`]), whitened: of a standard normal along either axis.
    pub uneven: Matrix2<f64>,
}

/// Time in which what changes as a marker turns has become something else, to 1/e: a stroke turns the rod by a right angle and more in
/// 0.3 to 0.6 s. Reasoned, not fitted.
const TURNS_S: f64 = 0.3;

/// Sightings of one camera and marker that stand in one place, in a series of such.
#[derive(Debug, Clone)]
pub struct Stand {
    /// Positions in [`Replicator::rows`].
    pub rows: Vec<usize>,
    /// The series goes on from the stand before.
    pub goes_on: bool,
}

/// Size of an error that lasts: standard deviations of white errors and of such that fade over some sightings
/// (Ornstein and Uhlenbeck's), in units of the sd that was assumed.
#[derive(Debug, Clone, PartialEq)]
pub struct Mix {
    /// Variance of what changes from sighting to sighting.
    pub white: f64,
    /// Sightings over which it fades to 1/e, and variance.
    pub lasting: Vec<(f64, f64)>,
}

impl Mix {
    /// As assumed.
    pub fn white() -> Self {
        Self { white: 1.0, lasting: Vec::new() }
    }
}

/// A row of known length, pose, clock ...: what one standard normal adds to the right-hand sides.
#[derive(Debug, Clone, Default)]
struct PriorRow {
    band: Vec<(usize, f64)>,
    border: Vec<(usize, f64)>,
}

/// Everything that right-hand sides are made from.
#[derive(Debug, Clone)]
pub struct Replicator {
    pub rows: Vec<Row>,
    /// Series by series.
    pub stands: Vec<Vec<Stand>>,
    /// Which share of its variance lasts while a marker stands, series by series.
    lasting: Vec<f64>,
    /// Series whose sightings share an error. Elsewhere no number is drawn for it: draws stay what they were.
    has_steady: Vec<bool>,
    /// The same of markers that are not even: what of that error stays from one sighting to the next.
    uneven_stays: Vec<Option<f64>>,
    pub markers: usize,
    pub order: Order,
    sizes: (usize, usize),
    /// First coefficient, marker and root of the information of every span's jerk.
    jerks: Vec<(usize, usize, f64)>,
    /// Which of those spans fewer than two cameras saw, of several that could have.
    alone: Vec<bool>,
    /// What smoothing takes from the path in each of those spans, in what the densities say it takes ([`super::taken`]).
    taken: Vec<f64>,
    jerk_weights: [f64; 4],
    priors: Vec<PriorRow>,
}

impl Replicator {
    pub fn new(setting: &Setting<'_>, state: &State, hyper: &Hyper, by_stand: &[Vec<usize>]) -> Self {
        let problem = setting.problem;
        let mut rows = Vec::with_capacity(problem.observations.len());
        let mut row_of = vec![None; problem.observations.len()];
        for (i, o) in problem.observations.iter().enumerate() {
            let (Some(piece), false) = (setting.piece_of[i], hyper.rejected[i]) else { continue };
            let scale = hyper.noise_scale[problem.series_idx(o)];
            let at = linearise(problem, setting.timeline, setting.layout, state, o, piece, scale);
            let Some(linear) = at else { continue };
            let root = setting.loss.weight(linear.residual.norm_squared()).sqrt();
            row_of[i] = Some(rows.len());
            let steady =
                problem.steady_px.get(i).map_or(Vector2::zeros(), |px| whitened(o.cov_px2, *px, scale));
            let uneven = problem.uneven_px.get(i).map_or(Matrix2::zeros(), |px| {
                let along = |at| whitened(o.cov_px2, at, scale);
                Matrix2::from_columns(&[along([*px, 0.0]), along([0.0, *px])])
            });
            rows.push(Row { linear, marker_idx: o.marker_idx, share: hyper.share[i], root, steady, uneven });
        }
        let steps = super::stretch::frame_steps_s(problem);
        let mut stands = vec![Vec::new(); problem.cameras.len() * problem.markers];
        let mut last_s = f64::NEG_INFINITY;
        for stand in by_stand {
            let used: Vec<usize> = stand.iter().filter_map(|i| row_of[*i]).collect();
            let (Some(first), Some(last), false) = (stand.first(), stand.last(), used.is_empty()) else {
                continue;
            };
            let (first, last) = (&problem.observations[*first], &problem.observations[*last]);
            let series = &mut stands[problem.series_idx(first)];
            // a camera that was blind for longer than this begins anew
            let goes_on = !series.is_empty() && first.pts_s - last_s < 20.0 * steps[first.camera_idx];
            last_s = last.pts_s;
            series.push(Stand { rows: used, goes_on });
        }
        let relative = hyper.size_m.zip(state.size_m()).map_or(1.0, |(then, now)| now / then);
        let root_h = setting.timeline.spacing_s().sqrt();
        let mut jerks = Vec::new();
        for piece in setting.timeline.pieces() {
            for first in piece.first_coefficient_idx..piece.first_coefficient_idx + piece.spans {
                for m in 0..problem.markers {
                    let density = hyper.jerk_density_m2_s5[first * problem.markers + m];
                    jerks.push((first, m, root_h / (relative * density.sqrt())));
                }
            }
        }
        let steps_spans: Vec<f64> = steps.iter().map(|s| s / setting.timeline.spacing_s()).collect();
        let alone = if problem.plane.is_some() {
            vec![false; jerks.len()]
        } else {
            alone(&jerks, &stands, &rows, &steps_spans, problem.markers)
        };
        let any = |series: &Vec<Stand>, has: &dyn Fn(&Row) -> bool| {
            series.iter().flat_map(|s| &s.rows).any(|row| has(&rows[*row]))
        };
        let has_steady = stands.iter().map(|s| any(s, &|row| row.steady != Vector2::zeros())).collect();
        let stays = |(k, series)| {
            let step_s: f64 = steps[k / problem.markers];
            any(series, &|row| row.uneven != Matrix2::zeros()).then(|| (-step_s / TURNS_S).exp())
        };
        let uneven_stays = stands.iter().enumerate().map(stays).collect();
        Self {
            rows,
            stands,
            lasting: hyper.lasting.clone(),
            has_steady,
            uneven_stays,
            markers: problem.markers,
            order: state.order,
            sizes: (state.coefficients_m.len(), setting.layout.size),
            taken: vec![1.0; jerks.len()],
            alone,
            jerks,
            jerk_weights: setting.timeline.jerk_weights_per_s3(),
            priors: prior_rows(setting, state, hyper),
        }
    }

    /// No right-hand sides.
    pub fn nothing(&self) -> (Vec<f64>, DVector<f64>) {
        (vec![0.0; self.sizes.0], DVector::zeros(self.sizes.1))
    }

    /// Errors of all rows, in assumed standard deviations; `mixes` marker by marker.
    pub fn errors(&self, mixes: &[Mix], sample: Normals<'_>) -> Vec<Vector2<f64>> {
        let mut out = vec![Vector2::zeros(); self.rows.len()];
        for (k, series) in self.stands.iter().enumerate() {
            let mix = &mixes[k % self.markers];
            let (stays, changes) = (self.lasting[k].sqrt(), (1.0 - self.lasting[k]).sqrt());
            let mut lasting = vec![Vector2::zeros(); mix.lasting.len()];
            let steady = if self.has_steady[k] { sample() } else { 0.0 };
            let mut uneven = Vector2::zeros();
            for stand in series {
                let mut two = || Vector2::new(sample(), sample());
                if let Some(stays) = self.uneven_stays[k] {
                    let stays = if stand.goes_on { stays } else { 0.0 };
                    uneven = uneven * stays + two() * (1.0 - stays * stays).sqrt();
                }
                let white = mix.white.sqrt();
                let mut error = two() * white;
                // alone, a sighting's error is its own
                if stand.rows.len() > 1 {
                    error *= stays;
                }
                for (now, (fades, variance)) in lasting.iter_mut().zip(&mix.lasting) {
                    let keep = if stand.goes_on { (-1.0 / fades).exp() } else { 0.0 };
                    *now = *now * keep + two() * (variance * (1.0 - keep * keep)).sqrt();
                    error += *now;
                }
                for row in &stand.rows {
                    let Row { steady: along, uneven: by, .. } = &self.rows[*row];
                    out[*row] = error + along * steady + by * uneven;
                }
                if stand.rows.len() > 1 && changes > 0.0 {
                    for row in &stand.rows {
                        out[*row] += Vector2::new(sample(), sample()) * (white * changes);
                    }
                }
            }
        }
        out
    }

    /// Adds what errors of the sightings put on the right-hand sides.
    pub fn add_errors(&self, errors: &[Vector2<f64>], (band, border): &mut (Vec<f64>, DVector<f64>)) {
        for (row, error) in self.rows.iter().zip(errors) {
            let pull = error * (row.share * row.root);
            let by_point = row.linear.by_point.transpose() * pull;
            for (a, w) in row.linear.weights.iter().enumerate() {
                let at = self.order.at(row.linear.first + a, row.marker_idx);
                for x in 0..3 {
                    band[at + x] += w * by_point[x];
                }
            }
            for (at, d) in &row.linear.by_border[..row.linear.border_len] {
                border[*at] += d.dot(&pull);
            }
        }
    }

    /// Spans of the smoothing: first coefficient, marker, and root of the information of its jerk.
    pub fn spans(&self) -> &[(usize, usize, f64)] {
        &self.jerks
    }

    /// Which spans fewer than two cameras saw: what moved along the line of sight there is in no picture.
    pub fn alone(&self) -> &[bool] {
        &self.alone
    }

    /// Says what smoothing takes from the path, span by span, in what the densities say.
    pub fn set_taken(&mut self, taken: Vec<f64>) {
        self.taken = taken;
    }

    /// Adds what unknown jerks put on the band, each span's as many times as large as `times` says.
    pub fn add_jerks(&self, times: &[f64], sample: Normals<'_>, band: &mut [f64]) {
        for ((first, marker_idx, root), times) in self.jerks.iter().zip(times) {
            for x in 0..3 {
                let pull = root * times * sample();
                for (a, w) in self.jerk_weights.iter().enumerate() {
                    band[self.order.at(first + a, *marker_idx) + x] += w * pull;
                }
            }
        }
    }

    /// Pull of the smoothing on a path (or an error of one), on the band.
    pub fn jerk_pull(&self, path: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; path.len()];
        for (first, marker_idx, root) in &self.jerks {
            let at = |a: usize, x: usize| self.order.at(first + a, *marker_idx) + x;
            for x in 0..3 {
                let jerk: f64 = self.jerk_weights.iter().enumerate().map(|(a, w)| w * path[at(a, x)]).sum();
                for (a, w) in self.jerk_weights.iter().enumerate() {
                    out[at(a, x)] -= w * root * root * jerk;
                }
            }
        }
        out
    }

    /// Adds what the errors of smoothness and priors put there.
    pub fn add_priors(&self, sample: Normals<'_>, (band, border): &mut (Vec<f64>, DVector<f64>)) {
        self.add_jerks(&self.taken, sample, band);
        for row in &self.priors {
            let z = sample();
            row.band.iter().for_each(|(at, f)| band[*at] += f * z);
            row.border.iter().for_each(|(at, f)| border[*at] += f * z);
        }
    }

    /// How a step moves the prediction of a row (whitened).
    pub fn moved(&self, row: &Row, x: &[f64], b: &DVector<f64>) -> Vector2<f64> {
        let shift =
            super::state::combine(x, self.order, row.marker_idx, row.linear.first, &row.linear.weights);
        let mut out = row.linear.by_point * shift;
        for (at, d) in &row.linear.by_border[..row.linear.border_len] {
            if let Some(step) = b.get(*at) {
                out += d * *step;
            }
        }
        out
    }
}

/// Steps between two sightings of a camera over which it still saw what was between them: one that was missed where frames are few is a
/// hole in the path, and two anywhere.
const SEEN_STEPS: f64 = 1.5;

/// Spans (first coefficient and marker of each in `jerks`) that lie between the near sightings of fewer than two cameras.
fn alone(
    jerks: &[(usize, usize, f64)],
    stands: &[Vec<Stand>],
    rows: &[Row],
    steps_spans: &[f64],
    markers: usize,
) -> Vec<bool> {
    let count = jerks.iter().map(|j| j.0 + 1).max().unwrap_or(0);
    let mut is_span = vec![false; count];
    jerks.iter().for_each(|j| is_span[j.0] = true);
    let mut cameras = vec![0_u8; count * markers];
    for (k, series) in stands.iter().enumerate() {
        let (camera_idx, marker_idx) = (k / markers, k % markers);
        // sightings lie anywhere in their spans
        let most = SEEN_STEPS * steps_spans[camera_idx] + 1.0;
        let mut firsts: Vec<usize> =
            series.iter().flat_map(|s| &s.rows).map(|row| rows[*row].linear.first).collect();
        firsts.sort_unstable();
        firsts.dedup();
        let mut next_free = 0;
        for pair in firsts.windows(2) {
            let between = pair[0]..=pair[1];
            // pieces are apart by coefficients that begin no span
            if (pair[1] - pair[0]) as f64 <= most && between.clone().all(|f| is_span.get(f) == Some(&true)) {
                for first in between.filter(|f| *f >= next_free) {
                    cameras[first * markers + marker_idx] += 1;
                }
                next_free = pair[1] + 1;
            }
        }
    }
    jerks.iter().map(|(first, marker_idx, _)| cameras[first * markers + marker_idx] < 2).collect()
}

/// Rows of everything that is known beside sightings and smoothness, as [`Setting::cost`] weighs it.
fn prior_rows(setting: &Setting<'_>, state: &State, hyper: &Hyper) -> Vec<PriorRow> {
    let problem = setting.problem;
    let mut out = Vec::new();
    for d in &problem.distances {
        let Some(locus) = setting.timeline.locate(d.t_s) else { continue };
        let w = setting.timeline.weights(locus).value;
        let first = locus.first_coefficient_idx;
        let apart = state.combine(d.marker_a_idx, first, &w) - state.combine(d.marker_b_idx, first, &w);
        let u = apart / (apart.norm().max(1e-12) * d.sd_m);
        let mut row = PriorRow::default();
        for (k, w) in w.iter().enumerate() {
            for x in 0..3 {
                row.band.push((state.order.at(first + k, d.marker_a_idx) + x, w * u[x]));
                row.band.push((state.order.at(first + k, d.marker_b_idx) + x, -w * u[x]));
            }
        }
        out.push(row);
    }
    for row in setting.baseline_rows(state) {
        let border = row.iter().copied().enumerate().filter(|(_, f)| *f != 0.0).collect();
        out.push(PriorRow { border, ..PriorRow::default() });
    }
    // weighted more than it is worth, a prior errs more by as much
    let root = hyper.prior_weight.sqrt();
    setting.prior_rows(state, hyper.prior_weight, &mut |row, _, errs| {
        let border = row.iter().map(|(at, f)| (*at, f * root * errs)).collect();
        out.push(PriorRow { border, ..PriorRow::default() });
    });
    if let Some(prior) = setting.joint_prior
        && let Some(root) = prior.information.clone().cholesky().map(|c| c.l())
    {
        for column in 0..root.ncols() {
            let of = |(a, (at, ..)): (usize, &(usize, usize, usize))| {
                (*at, hyper.prior_weight * root[(a, column)])
            };
            let border = prior.parameters.iter().enumerate().map(of).collect();
            out.push(PriorRow { border, ..PriorRow::default() });
        }
    }
    out
}
