//! Which cameras agree: the largest set found by leaving out one after the other, whichever it is.

use super::join::{PairResult, join_cameras, problem_of, to_first_camera, why_not};
use super::{PointsConfig, PointsInput};
use crate::math::median;
use crate::motion::{Fate, MotionError, Problem, Solution, solve};
use crate::scene::SceneError;

/// Share of a camera's labels with a path at their time that must fit it. Half: of labels that fit no pose chance takes in a few.
const LEAST_FITTING: f64 = 0.5;
/// A camera whose labels miss the path by this many times the median of all, and by this many pixels, is of another scene.
/// Six pixels: a lens file three per cent wrong leaves that at the edges (the worst of the surveyed flights' cameras).
const MISSES: [f64; 2] = [4.0, 6.0];
/// Labels of all cameras that miss the path by more than this, pixels: there is no path. A hundredth of a picture's width.
const MOST_MISS_PX: f64 = 20.0;

/// Cameras, what was solved, its solution, and who was left out for what.
pub(super) type Together = (Vec<usize>, Problem, Solution, Vec<(usize, String)>);

/// Solves with as many cameras as agree. At most n (n + 1) / 2 solutions.
pub(super) fn solve_together(
    input: &PointsInput,
    config: &PointsConfig,
    found: &[PairResult],
) -> Result<Together, SceneError> {
    let mut left_out: Vec<(usize, String)> = Vec::new();
    let mut among: Vec<usize> = (0..input.cameras.len()).collect();
    loop {
        let attempt = attempt(input, config, found, &mut among, &mut left_out);
        let failure = match attempt {
            Ok((problem, solution)) => match disagrees(config, &among, &problem, &solution) {
                None => return Ok((among, problem, solution, left_out)),
                Some(Disagreement::Camera(at, what)) if among.len() > 2 => {
                    left_out.push((among.remove(at), what));
                    continue;
                }
                Some(Disagreement::Camera(_, what) | Disagreement::All(what)) => {
                    no_one_path(input, &among, what)
                }
            },
            Err(e) => e,
        };
        if among.len() < 3 {
            return Err(failure);
        }
        // Nothing says which: the one without which the others agree best.
        let mut best: Option<(f64, usize)> = None;
        for at in 0..among.len() {
            let mut rest = among.clone();
            rest.remove(at);
            let all = rest.len();
            let Ok((problem, solution)) = self::attempt(input, config, found, &mut rest, &mut Vec::new())
            else {
                continue;
            };
            if rest.len() < all || disagrees(config, &rest, &problem, &solution).is_some() {
                continue;
            }
            let miss = solution.reprojection_rms_px();
            if best.is_none_or(|b| miss < b.0) {
                best = Some((miss, at));
            }
        }
        let at = best.ok_or(failure)?.1;
        left_out.push((among.remove(at), "with it the others do not agree on one path".into()));
    }
}

fn names(input: &PointsInput, among: &[usize]) -> Vec<String> {
    among.iter().map(|k| input.cameras[*k].name.clone()).collect()
}

fn no_one_path(input: &PointsInput, among: &[usize], what: String) -> SceneError {
    SceneError::NoOnePath { cameras: names(input, among), what }
}

/// One solution of the cameras of `among`; those that can't be related to the others go from there to `left_out`.
fn attempt(
    input: &PointsInput,
    config: &PointsConfig,
    found: &[PairResult],
    among: &mut Vec<usize>,
    left_out: &mut Vec<(usize, String)>,
) -> Result<(Problem, Solution), SceneError> {
    let placed = join_cameras(input, config, found, among)?;
    for k in among.iter().filter(|k| placed[**k].is_none()) {
        left_out.push((*k, why_not(found, among).to_string()));
    }
    among.retain(|k| placed[*k].is_some());
    let placed: Vec<_> = among.iter().filter_map(|k| placed[*k]).collect();
    let length_m = input.length_m.filter(|_| among.starts_with(&[0, 1]));
    let problem = problem_of(input, config, among, &to_first_camera(&placed, length_m));
    let solution = solve(&problem, &config.motion)?;
    if !solution.report.converged {
        return Err(MotionError::Unsettled { iterations: solution.report.iterations }.into());
    }
    Ok((problem, solution))
}

enum Disagreement {
    /// A camera, by its position among those solved.
    Camera(usize, String),
    All(String),
}

/// What speaks against a solution: a camera most of whose labels do not fit, or that misses the path by far more than the
/// others, or cameras that all miss it.
fn disagrees(
    config: &PointsConfig,
    among: &[usize],
    problem: &Problem,
    solution: &Solution,
) -> Option<Disagreement> {
    let mut fitting = vec![(0_u64, 0_u64); among.len()];
    for (o, fate) in problem.observations.iter().zip(&solution.fates) {
        let (fits, all) = &mut fitting[o.camera_idx];
        match fate {
            Fate::Used { .. } => (*fits, *all) = (*fits + 1, *all + 1),
            Fate::Outlier { .. } => *all += 1,
            Fate::OffPath => {}
        }
    }
    let worst = fitting.iter().enumerate().min_by(|a, b| {
        let share = |(fits, all): (u64, u64)| fits as f64 / all.max(1) as f64;
        share(*a.1).total_cmp(&share(*b.1))
    });
    if let Some((at, (fits, all))) = worst
        && !(*fits as f64 > LEAST_FITTING * *all as f64)
    {
        return Some(Disagreement::Camera(
            at,
            format!("{fits} of its {all} labels fit the path of the others"),
        ));
    }
    let misses: Vec<f64> = solution.hyper.noise_scale.iter().map(|s| s * config.sigma_px).collect();
    let middle = median(misses.iter().copied()).unwrap_or(f64::NAN);
    let (at, most) = misses.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    if *most > MISSES[1]
        && *most > MISSES[0] * median(misses.iter().enumerate().filter(|(k, _)| *k != at).map(|m| *m.1))?
    {
        return Some(Disagreement::Camera(
            at,
            format!("its labels miss the path of the others by {most:.1} px"),
        ));
    }
    (!(middle < MOST_MISS_PX)).then(|| Disagreement::All(format!("the labels miss it by {middle:.0} px")))
}
