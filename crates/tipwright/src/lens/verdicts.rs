//! What a calibration says about itself: spread between views, smears, warnings, refusals.

use std::collections::BTreeMap;

use super::adjust::Adjusted;
use super::corner::LensMatrix;
use super::coverage::Coverage;
use super::views::{LeftOut, LensConfig, LensError, ViewReport};
use crate::math::median;
use crate::model::{Board, Lens, Severity, Warning};

/// A view that disagrees and is clearly less sharp than the rest is called smeared.
pub(crate) fn name_smears(reports: &mut [ViewReport]) {
    let kept = reports.iter().filter(|r| r.left_out.is_none()).filter_map(|r| r.edge_width_px);
    let typical = median(kept).unwrap_or(f64::NAN);
    for report in reports {
        if let (Some(LeftOut::Inconsistent { rms_px, .. }), Some(edge_width_px)) =
            (&report.left_out, report.edge_width_px)
            && edge_width_px > 1.5 * typical
        {
            report.left_out = Some(LeftOut::Smeared { edge_width_px, rms_px: Some(*rms_px) });
        }
    }
}

/// Root of the ratio between the scores' scatter from view to view and what corner noise alone would give; at least 1.
///
/// With S = L L' the reduced matrix, S_v a view's share and s_v its score, `u = L^-1 s_v` has the covariance
/// `sigma^2 (G - G^2)`, `G = L^-1 S_v L^-T`, when corner errors are independent; errors that a whole view
/// shares (a bent board, rolling shutter) make it larger. The one ratio over all nine parameters is steady
/// where nine separate ones would not be (cluster-robust covariance; Cameron and Miller, J. Human Resources 50
/// (2015) 317-372).
pub(crate) fn spread_between_views(adjusted: &Adjusted, variance_px2: f64) -> Option<f64> {
    let d = adjusted.reduced.diagonal().map(|v| v.max(1e-300).sqrt().recip());
    let scaled = |m: &LensMatrix| LensMatrix::from_fn(|i, j| m[(i, j)] * d[i] * d[j]);
    let lower = scaled(&adjusted.reduced).cholesky()?.l();
    let (mut seen, mut expected) = (0.0, 0.0);
    for share in &adjusted.shares {
        let u = lower.solve_lower_triangular(&share.score.component_mul(&d))?;
        let half = lower.solve_lower_triangular(&scaled(&share.information))?;
        let g = lower.solve_lower_triangular(&half.transpose())?;
        seen += u.norm_squared();
        expected += g.trace() - (g * g).trace();
    }
    let ratio = seen / (variance_px2 * expected);
    ratio.is_finite().then(|| ratio.max(1.0).sqrt())
}

pub(crate) fn warnings_of(
    lens: &Lens,
    coverage: &Coverage,
    converged: bool,
    spread_factor: f64,
) -> Vec<Warning> {
    let mut warnings = Vec::new();
    let missing = coverage.missing();
    if !missing.is_empty() {
        warnings.push(Warning::new(
            Severity::Warning,
            "lens",
            format!("no corner was seen in the {} of the frame", missing.join(", ")),
            "carry the board there too when you film it next, or keep the caster out of there",
        ));
    }
    let worst = coverage.expected_sd_px.iter().copied().fold(0.0, f64::max);
    if !(worst <= 1.0) {
        warnings.push(Warning::new(
            Severity::Warning,
            "lens",
            format!("directions at the edge of the frame are uncertain by up to {worst:.1} px"),
            "film the board closer to the edges and corners of the frame",
        ));
    }
    // Square pixels: every phone sensor has them, so a difference tells of a bad calibration.
    let ratio = (lens.fx_px / lens.fy_px - 1.0).abs();
    if ratio > 0.02 {
        warnings.push(Warning::new(
            Severity::Warning,
            "lens",
            format!("the two focal lengths differ by {:.1} %", 100.0 * ratio),
            "check that the board lies flat and that its squares are square (use the printed ruler)",
        ));
    }
    if spread_factor > 3.0 {
        warnings.push(Warning::new(
            Severity::Note,
            "lens",
            format!("views disagree {spread_factor:.1} times more than their corners scatter; the sds allow for it"),
            "glue the board to something flat and hold it still (or the phone) for each view",
        ));
    }
    if !converged {
        warnings.push(Warning::new(
            Severity::Warning,
            "lens",
            "the adjustment had not come to rest when it was stopped",
            "film the board again with more tilt and closer to the edges",
        ));
    }
    warnings
}

/// `seen` is another board that the pictures seem to show.
pub(crate) fn too_few_views(views: Vec<ViewReport>, config: &LensConfig, seen: Option<Board>) -> LensError {
    let got = views.iter().filter(|v| v.left_out.is_none()).count();
    let mut counts: BTreeMap<&'static str, usize> = BTreeMap::new();
    for reason in views.iter().filter_map(|v| v.left_out.as_ref()) {
        *counts.entry(short_reason(reason)).or_default() += 1;
    }
    let left_out = if counts.is_empty() {
        "none left out".to_string()
    } else {
        counts.iter().map(|(reason, n)| format!("{n} {reason}")).collect::<Vec<_>>().join(", ")
    };
    let most = counts.iter().max_by_key(|(_, n)| **n).map(|(reason, _)| *reason);
    let other = seen.map(|board| format!("some pictures show another board: try --board {board}"));
    let remedy = match most {
        _ if other.is_some() => other.as_deref().unwrap_or_default(),
        Some("without the whole board") => {
            "show the whole board with its white margin in every picture, and check columns x rows: inner corners are counted, one less than squares"
        }
        Some("with too few codes") => {
            "bring the board nearer, in better light and out of the sun's glare: its codes are to be seen"
        }
        Some("smeared") => "film in better light, and hold the board still in each place for a second",
        Some("of another size") => {
            "keep pictures of one size, taken in the mode you film in, in the folder"
        }
        _ => "film the board again: flat, whole, still for a second in each of a dozen places, tilted differently each time",
    }
    .to_string();
    LensError::TooFewViews { needed: config.min_views, got, left_out, remedy, views }
}

fn short_reason(reason: &LeftOut) -> &'static str {
    match reason {
        LeftOut::NotAPicture(_) => "not a picture",
        LeftOut::OtherResolution(_) => "of another size",
        LeftOut::NoBoard => "without the whole board",
        LeftOut::FewCodes => "with too few codes",
        LeftOut::CornerCount { .. } => "with a wrong number of corners",
        LeftOut::OutsidePicture => "with corners outside the picture",
        LeftOut::TooSmall { .. } => "with the board too small",
        LeftOut::CornersMixedUp { .. } => "with corners mixed up",
        LeftOut::Smeared { .. } => "smeared",
        LeftOut::Inconsistent { .. } => "disagreeing with the others",
        LeftOut::SameAsAnother => "the same as another",
    }
}
