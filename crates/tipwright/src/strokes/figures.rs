//! The figures of a stroke with their standard deviations, and what they would be, were its moments others.

use nalgebra::Point3;
use rayon::prelude::*;

use crate::model::{FigureId as F, Figures, Measured};

use super::config::StrokesConfig;
use super::draws;
use super::missing::Reasons;
use super::plane::{CastPlane, Shape, shape};
use super::raw::{Allowed, Answer, Raw, measure_all};
use super::rod::Rod;
use super::segment::FoundStroke;

/// Standard deviation of a place that may be anywhere along the chord, as a fraction of it: that of a uniform one, 1 / sqrt(12).
const ANYWHERE: f64 = 0.289;

/// The figures of stroke `i`, each with its sd from the draws.
pub(super) fn figures(
    rod: &Rod<'_>,
    raw: &Raw,
    by_draw: &[Vec<Raw>],
    again: Option<&Raw>,
    reasons: &Reasons,
    i: usize,
    config: &StrokesConfig,
) -> Figures {
    let mut out = Figures::default();
    let noise = noise_shapes(rod, raw, config);
    for &id in F::ALL {
        let value = raw.get(id);
        if let Some(reason) = reasons.get(&id) {
            out.set_missing(id, reason);
            continue;
        }
        let drawn: Vec<f64> = by_draw.iter().map(|d| d[i].get(id)).collect();
        if let (F::SignChanges, true) = (id, value.is_finite()) {
            out.set_count(id, value as usize, &draws::counts(value, &drawn));
            continue;
        }
        let of_noise: Option<Vec<f64>> = match id {
            F::DipDepth => Some(noise.iter().map(|n| n.dip_depth_m).collect()),
            F::DomeHeight => Some(noise.iter().map(|n| n.dome_height_m).collect()),
            F::SlpRms => Some(noise.iter().map(|n| n.slp_rms_m).collect()),
            F::Straightness => Some(noise.iter().map(|n| n.straightness).collect()),
            F::OffPlaneMax => Some(noise.iter().map(|n| n.off_plane_max_m).collect()),
            _ => None,
        };
        match (value.is_finite(), draws::sd(id, value, &drawn, of_noise.as_deref())) {
            (true, Some(sd)) => {
                let own = if id == F::BendLead { raw.top_error_ms } else { 0.0 };
                let again = again.map_or(f64::NAN, |a| a.get(id) - value);
                let blunted = draws::blunted(id, again);
                let unseen = if rod.is_synthetic { 0.0 } else { draws::unseen(id, value) };
                out.set(id, Measured::new(value, sd.hypot(own).hypot(blunted).hypot(unseen)));
            }
            (true, None) => out.set_missing(id, "it vanishes within the error of the path"),
            (false, _) => out.set_missing(id, super::missing::without_value(id)),
        }
    }
    // the draws agree where on a path that is nearly straight they find nothing: a dip that is not told from none may be anywhere
    let is_told = out.get(F::DipDepth).is_none_or(|m| m.value > m.half_width_95());
    if let Some(at) = out.get(F::DipAt).filter(|_| !is_told) {
        out.set(F::DipAt, Measured::new(at.value, at.sd.max(ANYWHERE)));
    }
    out
}

/// All strokes on every draw of the path.
pub(super) fn by_draw(
    rod: &Rod<'_>,
    found: &[FoundStroke],
    allowed: &[Allowed],
    config: &StrokesConfig,
) -> Vec<Vec<Raw>> {
    (0..rod.draw_count)
        .into_par_iter()
        .map(|k| measure_all(&rod.draw(k).view(), found, allowed, config))
        .collect()
}

/// What the strokes would be, were W's moments those that they may be instead.
pub(super) struct Other {
    pub answer: Answer,
    pub raws: Vec<Raw>,
    pub by_draw: Vec<Vec<Raw>>,
}

impl Other {
    /// `None` where no stroke has such moments.
    pub fn of(
        rod: &Rod<'_>,
        found: &[FoundStroke],
        own: &[Raw],
        allowed: &[Allowed],
        answer: Answer,
        config: &StrokesConfig,
    ) -> Option<Self> {
        let allowed: Vec<Allowed> = allowed.iter().map(|a| Allowed { answer, ..*a }).collect();
        let raws = measure_all(&rod.nominal(), found, &allowed, config);
        let mut out = Self { answer, raws, by_draw: Vec::new() };
        (0..own.len()).any(|i| out.differs(own, i)).then(|| {
            out.by_draw = by_draw(rod, found, &allowed, config);
            out
        })
    }

    /// Stroke `i`, or one beside it, has other moments.
    pub fn differs(&self, own: &[Raw], i: usize) -> bool {
        let moments = |r: &Raw| [r.times.t_start_s, r.t_rsp_s, r.half_s].map(f64::to_bits);
        let near = i.saturating_sub(1)..(i + 2).min(own.len());
        near.into_iter().any(|k| moments(&self.raws[k]) != moments(&own[k]))
    }
}

/// Where W's moments may be others, the 95 % interval of every figure that they change reaches over the interval it would
/// have then.
pub(super) fn doubt(figures: &mut Figures, other: &Figures) {
    for (id, m) in &mut figures.values {
        if let Some(other) = other.values.get(id).filter(|o| o.value.to_bits() != m.value.to_bits()) {
            m.sd = m.sd.max((other.value - m.value).abs() / 1.959 + other.sd);
        }
    }
}

/// Shapes of the draws' errors in W laid on a straight path.
fn noise_shapes(rod: &Rod<'_>, raw: &Raw, config: &StrokesConfig) -> Vec<Shape> {
    let Some(plane) = raw.plane else { return Vec::new() };
    let (start_s, rsp_s) = (raw.times.t_start_s, raw.t_rsp_s);
    let n = config.resample_points.max(3);
    let times: Vec<f64> = (0..n).map(|i| start_s + (rsp_s - start_s) * i as f64 / (n - 1) as f64).collect();
    let nominal = rod.nominal().tip;
    let straight: Vec<(Point3<f64>, Point3<f64>)> = times
        .iter()
        .map(|&t| {
            let on_path = nominal.position(t);
            (on_path, plane.start + plane.along * plane.coordinates(&on_path).s_m)
        })
        .collect();
    (0..rod.draw_count)
        .filter_map(|k| {
            let drawn = rod.draw_within(k, (start_s, rsp_s));
            let drawn = drawn.view().tip;
            let points: Vec<Point3<f64>> = times
                .iter()
                .zip(&straight)
                .map(|(&t, (on_path, on_chord))| on_chord + (drawn.position(t) - on_path))
                .collect();
            CastPlane::through(points[0], points[n - 1]).map(|p| shape(&p, &points))
        })
        .collect()
}
