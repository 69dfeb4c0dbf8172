//! Uniform cubic B-splines over one or more separate pieces of time.
//!
//! Segment form of the uniform cubic B-spline (de Boor, A Practical Guide to Splines, 1978, ch. IX-X): span `i` of a
//! piece is shaped by the coefficients `i..i + 4`; its third derivative is constant within the span.

/// One unbroken stretch of time with its own coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Piece {
    /// Where its first span begins, session seconds.
    pub start_s: f64,
    /// Number of spans; the piece has three coefficients more.
    pub spans: usize,
    /// Index of its first coefficient.
    pub first_coefficient_idx: usize,
}

impl Piece {
    /// Number of coefficients (points) of this piece.
    #[must_use]
    pub fn coefficients(&self) -> usize {
        self.spans + 3
    }
}

/// Knots of a path: pieces of equal spacing with nothing between them.
#[derive(Debug, Clone, PartialEq)]
pub struct Timeline {
    spacing_s: f64,
    pieces: Vec<Piece>,
}

/// A place on a timeline: four coefficients from `first_coefficient_idx` on, at `u` (0 to 1) within their span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Locus {
    /// First of four coefficients.
    pub first_coefficient_idx: usize,
    /// Position within the span; beyond 0..1 the span's polynomial is continued.
    pub u: f64,
}

/// Weights of the four coefficients for value, first, second and third derivative (per second).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weights {
    /// Of the value.
    pub value: [f64; 4],
    /// Of the first derivative.
    pub rate_per_s: [f64; 4],
    /// Of the second derivative.
    pub acceleration_per_s2: [f64; 4],
}

impl Timeline {
    /// A timeline with the given spacing over the given stretches (start, end), which must be in order and apart.
    /// Every stretch is widened to whole spans.
    ///
    /// # Panics
    /// Never: a stretch of no length gets one span, a spacing that isn't positive becomes one second.
    #[must_use]
    pub fn new(spacing_s: f64, stretches_s: &[(f64, f64)]) -> Self {
        let spacing_s = if spacing_s > 0.0 && spacing_s.is_finite() { spacing_s } else { 1.0 };
        let mut pieces = Vec::with_capacity(stretches_s.len());
        let mut first_coefficient_idx = 0;
        for &(start_s, end_s) in stretches_s {
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let spans = (((end_s - start_s) / spacing_s).ceil().max(1.0)) as usize;
            pieces.push(Piece { start_s, spans, first_coefficient_idx });
            first_coefficient_idx += spans + 3;
        }
        Self { spacing_s, pieces }
    }

    /// Distance between knots.
    #[must_use]
    pub fn spacing_s(&self) -> f64 {
        self.spacing_s
    }

    /// The pieces in order of time.
    #[must_use]
    pub fn pieces(&self) -> &[Piece] {
        &self.pieces
    }

    /// Number of coefficients (points) in all.
    #[must_use]
    pub fn coefficients(&self) -> usize {
        self.pieces.iter().map(Piece::coefficients).sum()
    }

    /// End of a piece, session seconds.
    #[must_use]
    pub fn end_s(&self, piece: &Piece) -> f64 {
        #[allow(clippy::cast_precision_loss)]
        let spans = piece.spans as f64;
        piece.start_s + spans * self.spacing_s
    }

    /// The piece that holds `t_s`, or comes nearest to it, with the distance in seconds (0 inside).
    #[must_use]
    pub fn nearest_piece(&self, t_s: f64) -> Option<(usize, f64)> {
        let after = self.pieces.partition_point(|p| p.start_s <= t_s);
        let mut best: Option<(usize, f64)> = None;
        for idx in [after.wrapping_sub(1), after] {
            if let Some(piece) = self.pieces.get(idx) {
                let away_s = (piece.start_s - t_s).max(t_s - self.end_s(piece)).max(0.0);
                if best.is_none_or(|(_, b)| away_s < b) {
                    best = Some((idx, away_s));
                }
            }
        }
        best
    }

    /// Where `t_s` falls in piece `piece_idx`; outside, the nearest span's polynomial is continued.
    #[must_use]
    pub fn locate_in(&self, piece_idx: usize, t_s: f64) -> Locus {
        let piece = &self.pieces[piece_idx];
        let x = (t_s - piece.start_s) / self.spacing_s;
        #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let span = x.floor().clamp(0.0, (piece.spans - 1) as f64) as usize;
        #[allow(clippy::cast_precision_loss)]
        let u = x - span as f64;
        Locus { first_coefficient_idx: piece.first_coefficient_idx + span, u }
    }

    /// Where `t_s` falls, or `None` between the pieces.
    #[must_use]
    pub fn locate(&self, t_s: f64) -> Option<Locus> {
        match self.nearest_piece(t_s) {
            Some((idx, away_s)) if away_s <= 1e-9 => Some(self.locate_in(idx, t_s)),
            _ => None,
        }
    }

    /// Weights at a locus.
    #[must_use]
    pub fn weights(&self, locus: Locus) -> Weights {
        let u = locus.u;
        let (u2, u3) = (u * u, u * u * u);
        let w = 1.0 - u;
        let h = self.spacing_s;
        Weights {
            value: [
                w * w * w / 6.0,
                (3.0 * u3 - 6.0 * u2 + 4.0) / 6.0,
                (-3.0 * u3 + 3.0 * u2 + 3.0 * u + 1.0) / 6.0,
                u3 / 6.0,
            ],
            rate_per_s: [-0.5 * w * w / h, (1.5 * u2 - 2.0 * u) / h, (-1.5 * u2 + u + 0.5) / h, 0.5 * u2 / h],
            acceleration_per_s2: [
                w / (h * h),
                (3.0 * u - 2.0) / (h * h),
                (1.0 - 3.0 * u) / (h * h),
                u / (h * h),
            ],
        }
    }

    /// Weights of the third derivative, the same everywhere.
    #[must_use]
    pub fn jerk_weights_per_s3(&self) -> [f64; 4] {
        let h3 = self.spacing_s.powi(3);
        [-1.0 / h3, 3.0 / h3, -3.0 / h3, 1.0 / h3]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coefficients that reproduce t^2: c_i = (x_i)^2 - h^2/3 at the Greville points (blossom of t^2).
    #[test]
    fn quadratic_is_reproduced_with_its_derivatives() {
        let line = Timeline::new(0.25, &[(1.0, 3.0), (10.0, 10.1)]);
        assert_eq!(line.pieces()[1].spans, 1);
        let c: Vec<f64> = (0..line.pieces()[0].coefficients())
            .map(|i| {
                let x = 1.0 + 0.25 * (f64::from(u32::try_from(i).unwrap()) - 1.0);
                x * x - 0.25 * 0.25 / 3.0
            })
            .collect();
        for t in [1.0, 1.3, 2.123, 2.999, 3.0] {
            let locus = line.locate(t).unwrap();
            let w = line.weights(locus);
            let sum = |w: &[f64; 4]| (0..4).map(|k| w[k] * c[locus.first_coefficient_idx + k]).sum::<f64>();
            assert!((sum(&w.value) - t * t).abs() < 1e-12);
            assert!((sum(&w.rate_per_s) - 2.0 * t).abs() < 1e-11);
            assert!((sum(&w.acceleration_per_s2) - 2.0).abs() < 1e-10);
            assert!(sum(&line.jerk_weights_per_s3()).abs() < 1e-8);
        }
        assert!(line.locate(5.0).is_none());
        assert_eq!(line.nearest_piece(5.0).unwrap().0, 0);
        assert_eq!(line.nearest_piece(9.0).unwrap().0, 1);
    }
}
