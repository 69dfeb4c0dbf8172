//! From corners to a lens: start, robust choice of views, least squares, honest sds.
//!
//! The start is Zhang's (see `homography`), the adjustment an arrow-shaped Levenberg-Marquardt (see `adjust`), the
//! choice of views robust (see `choice`). The final figures are plain least squares over the views named as used.

use nalgebra::{Point3, Vector2, Vector3};

use super::adjust::{Adjusted, State, inverse_scaled, view_cost_px2};
use super::choice::{Seen, choose};
use super::corner::{LENS_PARAMS, LensVector, lens_from_vector};
use super::coverage::{Coverage, expected_sd_px};
use super::homography::{fit_plane, focal_px, pose_from_plane};
use super::verdicts::{name_smears, spread_between_views, too_few_views, warnings_of};
use super::views::{BoardView, LeftOut, LensCalibration, LensConfig, LensError, ViewReport};
use crate::math::median;
use crate::model::{Board, Pattern, RawPixel};

/// A view that passed the first look.
struct Candidate<'a> {
    view_idx: usize,
    corners: &'a [RawPixel],
    points: Vec<Point3<f64>>,
    homography: nalgebra::Matrix3<f64>,
}

/// Calibrates a lens from corners of a board.
///
/// Every view's fate is in the result. Corners run row by row; each view may start at any corner and side of
/// the board, since a view has its own pose. A view of a part of the board says which points it holds.
///
/// # Errors
/// Too few good views, poor coverage, no tilt: each with the remedy.
///
/// # Examples
/// ```
/// use nalgebra::{Isometry3, Point3, Vector3};
/// use tipwright::lens::{BoardView, LensConfig, calibrate};
/// use tipwright::model::{Lens, Board};
/// let truth = Lens::new([1920, 1080], 1500.0, 1502.0, 955.0, 545.0, [0.1, -0.2, 0.001, -0.001, 0.05]);
/// let board = Board::chessboard(9, 6, 25.0);
/// let mut views = Vec::new();
/// for (i, (x, y)) in [(-0.28, -0.15), (0.1, -0.15), (-0.28, 0.05), (0.1, 0.05), (-0.1, -0.06)].into_iter().enumerate() {
///     for (a, b) in [(0.5, 0.2), (-0.3, -0.5)] {
///         let pose = Isometry3::new(Vector3::new(x, y, 0.65), Vector3::new(a, b, 0.1 * i as f64));
///         let corners = (0..54)
///             .map(|k| truth.project(&(pose * Point3::new(0.025 * f64::from(k % 9), 0.025 * f64::from(k / 9), 0.0))).unwrap())
///             .collect();
///         views.push(BoardView::new(format!("view {i}"), corners));
///     }
/// }
/// let result = calibrate(&views, &board, [1920, 1080], &LensConfig::default()).unwrap();
/// assert!((result.lens.fx_px - 1500.0).abs() < 1e-5);
/// assert!((result.lens.distortion[1] + 0.2).abs() < 1e-6);
/// ```
pub fn calibrate(
    views: &[BoardView],
    board: &Board,
    resolution_px: [u32; 2],
    config: &LensConfig,
) -> Result<LensCalibration, LensError> {
    let least = if board.pattern == Pattern::Circles { 2 } else { 3 };
    if board.columns < least || board.rows < 3 || !(1.0..=1000.0).contains(&board.square_mm) {
        return Err(LensError::Board {
            columns: board.columns,
            rows: board.rows,
            square_mm: board.square_mm,
        });
    }
    let whole = board_points_m(board);
    let mut reports: Vec<ViewReport> = views
        .iter()
        .map(|v| ViewReport {
            name: v.name.clone(),
            left_out: None,
            rms_px: None,
            tilt_deg: None,
            edge_width_px: v.edge_width_px,
            corners: v.corners.clone(),
            camera_from_board: None,
        })
        .collect();
    let mut candidates = Vec::new();
    for (view_idx, view) in views.iter().enumerate() {
        let flat = view.points_of(&whole);
        match first_look(view, &flat, resolution_px, config) {
            Ok(homography) => {
                let points = flat.iter().map(|p| Point3::new(p.x, p.y, 0.0)).collect();
                candidates.push(Candidate { view_idx, corners: &view.corners, points, homography });
            }
            Err(reason) => reports[view_idx].left_out = Some(reason),
        }
    }
    if candidates.len() < config.min_views {
        return Err(too_few_views(reports, config, None));
    }
    let start = start_state(&candidates, resolution_px).ok_or(LensError::NoSolution {
        views: candidates.len(),
        rms_px: f64::INFINITY,
        columns: board.columns,
        rows: board.rows,
    })?;
    let seen: Vec<Seen<'_>> =
        candidates.iter().map(|c| Seen { corners: c.corners, points: &c.points }).collect();
    let chosen = choose(start, &seen, config);
    let no_solution = |rms_px: f64| LensError::NoSolution {
        views: candidates.len(),
        rms_px,
        columns: board.columns,
        rows: board.rows,
    };
    let chosen = chosen.ok_or_else(|| no_solution(f64::INFINITY))?;
    for (candidate, (rms_px, used)) in candidates.iter().zip(chosen.rms_px.iter().zip(&chosen.used)) {
        let report = &mut reports[candidate.view_idx];
        report.rms_px = rms_px.is_finite().then_some(*rms_px);
        if !used {
            report.left_out = Some(LeftOut::Inconsistent { rms_px: *rms_px, limit_px: chosen.limit_px });
        }
    }
    name_smears(&mut reports);
    finish(reports, &candidates, &chosen.adjusted, &chosen.used, (board, resolution_px), config)
        .map_err(|e| e.unwrap_or_else(|| no_solution(chosen.limit_px)))
}

/// Board corners in metres, row by row.
pub(crate) fn board_points_m(board: &Board) -> Vec<Vector2<f64>> {
    board.points().into_iter().map(|p| p * (board.square_mm / 1000.0)).collect()
}

/// Distances in the picture of points that are neighbours on the board: no farther apart there than any two are at least.
fn spacings_px(flat: &[Vector2<f64>], corners: &[RawPixel]) -> Vec<f64> {
    let pairs = || (0..flat.len()).flat_map(|i| (i + 1..flat.len()).map(move |j| (i, j)));
    let least = pairs().map(|(i, j)| (flat[i] - flat[j]).norm()).fold(f64::INFINITY, f64::min);
    pairs()
        .filter(|(i, j)| (flat[*i] - flat[*j]).norm() <= 1.01 * least)
        .map(|(i, j)| (corners[i].x_px - corners[j].x_px).hypot(corners[i].y_px - corners[j].y_px))
        .collect()
}

fn first_look(
    view: &BoardView,
    flat: &[Vector2<f64>],
    [w, h]: [u32; 2],
    config: &LensConfig,
) -> Result<nalgebra::Matrix3<f64>, LeftOut> {
    if view.corners.len() != flat.len() {
        return Err(LeftOut::CornerCount { needed: flat.len(), got: view.corners.len() });
    }
    let inside =
        |c: &RawPixel| (-0.5..f64::from(w)).contains(&c.x_px) && (-0.5..f64::from(h)).contains(&c.y_px);
    if !view.corners.iter().all(inside) {
        return Err(LeftOut::OutsidePicture);
    }
    let spacings_px = spacings_px(flat, &view.corners);
    let spacing_px = spacings_px.iter().copied().fold(f64::INFINITY, f64::min);
    // A swap of far corners makes short distances too, so the plane is looked at first.
    let Some(fit) = fit_plane(flat, &view.corners) else {
        return Err(LeftOut::CornersMixedUp { misfit: f64::INFINITY });
    };
    let misfit = fit.rms_px / median(spacings_px).unwrap_or(f64::NAN).max(1e-9);
    if !(misfit <= config.max_plane_misfit) {
        return Err(LeftOut::CornersMixedUp { misfit });
    }
    if !(spacing_px >= config.min_spacing_px) {
        return Err(LeftOut::TooSmall { spacing_px });
    }
    match view.edge_width_px {
        Some(edge_width_px) if edge_width_px > config.max_edge_share * spacing_px => {
            Err(LeftOut::Smeared { edge_width_px, rms_px: None })
        }
        _ => Ok(fit.picture_from_board),
    }
}

/// Zhang's start, or the best of a few guessed focal lengths when the views do not show one.
fn start_state(candidates: &[Candidate<'_>], [w, h]: [u32; 2]) -> Option<State> {
    let middle_px = [(f64::from(w) - 1.0) / 2.0, (f64::from(h) - 1.0) / 2.0];
    let homographies: Vec<_> = candidates.iter().map(|c| c.homography).collect();
    let longer = f64::from(w.max(h));
    let mut guesses: Vec<[f64; 2]> = focal_px(&homographies, middle_px).into_iter().collect();
    // From a 90 degree to a 35 degree lens: what phones have, wide to tele.
    guesses.extend([0.5, 0.8, 1.1, 1.6].map(|share| [share * longer, share * longer]));
    let state_of = |focal: &[f64; 2]| {
        let camera_from_board =
            homographies.iter().map(|h| pose_from_plane(h, *focal, middle_px)).collect::<Option<Vec<_>>>()?;
        let lens =
            LensVector::from([focal[0], focal[1], middle_px[0], middle_px[1], 0.0, 0.0, 0.0, 0.0, 0.0]);
        Some(State { lens, camera_from_board })
    };
    // The median of the views' costs is not fooled by a few bad views.
    guesses
        .iter()
        .filter_map(state_of)
        .map(|state| {
            let costs = candidates
                .iter()
                .zip(&state.camera_from_board)
                .map(|(c, pose)| view_cost_px2(&state.lens, pose, &c.points, c.corners));
            (median(costs).unwrap_or(f64::NAN), state)
        })
        .filter(|(cost, _)| cost.is_finite())
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, state)| state)
}

fn finish(
    mut reports: Vec<ViewReport>,
    candidates: &[Candidate<'_>],
    adjusted: &Adjusted,
    used: &[bool],
    (board, resolution_px): (&Board, [u32; 2]),
    config: &LensConfig,
) -> Result<LensCalibration, Option<LensError>> {
    for (candidate, pose) in candidates.iter().zip(&adjusted.state.camera_from_board) {
        let report = &mut reports[candidate.view_idx];
        let towards: Vector3<f64> = pose.translation.vector;
        let cosine = (pose.rotation * Vector3::z()).dot(&towards).abs() / towards.norm().max(1e-12);
        report.tilt_deg = Some(cosine.min(1.0).acos().to_degrees());
        report.camera_from_board = Some(*pose);
    }
    let views_used = used.iter().filter(|u| **u).count();
    if views_used < config.min_views {
        return Err(Some(too_few_views(reports, config, None)));
    }
    let mut coverage = Coverage::of(resolution_px, &reports);
    let lens_vector = adjusted.state.lens;
    let mut lens = lens_from_vector(&lens_vector, resolution_px);
    let sane = lens_vector.iter().all(|v| v.is_finite()) && lens.fx_px > 0.0 && lens.fy_px > 0.0;
    let corners: usize = candidates.iter().zip(used).filter(|(_, u)| **u).map(|(c, _)| c.corners.len()).sum();
    let rms_px = (adjusted.cost_px2 / corners as f64).sqrt();
    // Corners a tenth of a frame off are no solution, whatever else holds.
    if !sane || !(rms_px < 0.1 * f64::from(resolution_px[0].min(resolution_px[1]))) {
        return Err(None);
    }
    if coverage.parts() < config.min_parts {
        return Err(Some(LensError::PoorCoverage {
            parts: coverage.parts(),
            missing: coverage.missing().join(", "),
            coverage: Box::new(coverage),
        }));
    }
    let unknowns = LENS_PARAMS + 6 * views_used;
    let observations = 2 * corners;
    let variance_px2 = adjusted.cost_px2 / (observations.saturating_sub(unknowns)).max(1) as f64;
    let tilt_deg = coverage.tilt_max_deg;
    let no_tilt = |sd: f64| LensError::NoTilt {
        sd_percent: 100.0 * sd,
        limit_percent: 100.0 * config.max_focal_sd_relative,
        tilt_deg,
    };
    let inverse = inverse_scaled(&adjusted.reduced).ok_or_else(|| Some(no_tilt(f64::INFINITY)))?;
    let spread_factor = spread_between_views(adjusted, variance_px2).unwrap_or(1.0);
    let covariance = inverse * variance_px2 * spread_factor * spread_factor;
    let sd = covariance.diagonal().map(f64::sqrt);
    let focal_sd_relative = (sd[0] / lens.fx_px).max(sd[1] / lens.fy_px);
    if !(focal_sd_relative <= config.max_focal_sd_relative) {
        return Err(Some(no_tilt(focal_sd_relative)));
    }
    lens.rms_px = Some(rms_px);
    lens.fx_sd_px = Some(sd[0]);
    lens.fy_sd_px = Some(sd[1]);
    lens.cx_sd_px = Some(sd[2]);
    lens.cy_sd_px = Some(sd[3]);
    lens.distortion_sd = Some([sd[4], sd[5], sd[6], sd[7], sd[8]]);
    lens.views_used = Some(views_used as u32);
    lens.views_left_out =
        Some(reports.iter().filter(|r| r.left_out.is_some() && !r.corners.is_empty()).count() as u32);
    coverage.expected_sd_px = expected_sd_px(&lens, &covariance);
    let warnings = warnings_of(&lens, &coverage, adjusted.converged, spread_factor);
    Ok(LensCalibration { lens, covariance, spread_factor, board: *board, views: reports, coverage, warnings })
}
