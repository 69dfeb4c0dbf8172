//! Plane-to-picture homographies, and the closed-form start of a calibration.
//!
//! Z. Zhang, A flexible new technique for camera calibration, IEEE Trans. Pattern Analysis and Machine
//! Intelligence 22 (2000) 1330-1334; point normalisation after R. Hartley, In defense of the eight-point
//! algorithm, same journal 19 (1997) 580-593. Here the principal point starts in the middle of the picture, so
//! that two focal lengths are all that is solved for: with a phone it is never far off, and it keeps the start
//! stable when boards were held flat.

use nalgebra::{
    Isometry3, Matrix2, Matrix3, Rotation3, SMatrix, Translation3, UnitQuaternion, Vector2, Vector3,
};

use crate::math::median;
use crate::model::RawPixel;

/// A homography and how well it fits.
pub(crate) struct PlaneFit {
    /// Takes board coordinates (x, y, 1) to pixels.
    pub picture_from_board: Matrix3<f64>,
    /// Root mean square distance of the corners from it, pixels.
    pub rms_px: f64,
}

/// Shift and scale that centre points at zero with mean distance root two.
fn normaliser(points: &[Vector2<f64>]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    let middle = points.iter().sum::<Vector2<f64>>() / n;
    let spread = points.iter().map(|p| (p - middle).norm()).sum::<f64>() / n;
    if !(spread > 1e-12) {
        return None;
    }
    let s = std::f64::consts::SQRT_2 / spread;
    Some(Matrix3::new(s, 0.0, -s * middle.x, 0.0, s, -s * middle.y, 0.0, 0.0, 1.0))
}

/// A point taken through a homography.
pub(crate) fn apply(h: &Matrix3<f64>, p: &Vector2<f64>) -> Vector2<f64> {
    let q = h * Vector3::new(p.x, p.y, 1.0);
    Vector2::new(q.x / q.z, q.y / q.z)
}

/// Least-squares homography from board points (any unit) to pixels; `None` for fewer than four or degenerate points.
pub(crate) fn fit_plane(board: &[Vector2<f64>], pixels: &[RawPixel]) -> Option<PlaneFit> {
    if board.len() != pixels.len() || board.len() < 4 {
        return None;
    }
    let seen: Vec<Vector2<f64>> = pixels.iter().map(|p| Vector2::new(p.x_px, p.y_px)).collect();
    let (nb, np) = (normaliser(board)?, normaliser(&seen)?);
    let mut ata = SMatrix::<f64, 9, 9>::zeros();
    for (b, s) in board.iter().zip(&seen) {
        let (b, s) = (apply(&nb, b), apply(&np, s));
        let rows = [
            SMatrix::<f64, 1, 9>::from_row_slice(&[
                b.x,
                b.y,
                1.0,
                0.0,
                0.0,
                0.0,
                -s.x * b.x,
                -s.x * b.y,
                -s.x,
            ]),
            SMatrix::<f64, 1, 9>::from_row_slice(&[
                0.0,
                0.0,
                0.0,
                b.x,
                b.y,
                1.0,
                -s.y * b.x,
                -s.y * b.y,
                -s.y,
            ]),
        ];
        for row in rows {
            ata += row.transpose() * row;
        }
    }
    let eigen = ata.symmetric_eigen();
    let smallest = (0..9).min_by(|&i, &j| eigen.eigenvalues[i].total_cmp(&eigen.eigenvalues[j]))?;
    let v = eigen.eigenvectors.column(smallest);
    let normalised = Matrix3::new(v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8]);
    let mut h = np.try_inverse()? * normalised * nb;
    let norm = h.norm();
    if !(norm > 0.0) {
        return None;
    }
    h /= norm;
    let sum: f64 = board.iter().zip(&seen).map(|(b, s)| (apply(&h, b) - s).norm_squared()).sum();
    let rms_px = (sum / board.len() as f64).sqrt();
    rms_px.is_finite().then_some(PlaneFit { picture_from_board: h, rms_px })
}

/// Focal lengths from homographies with the principal point given, each view weighted alike after one round of
/// down-weighting those that disagree; `None` when the views do not show one (boards all square-on, or corners mixed up).
pub(crate) fn focal_px(homographies: &[Matrix3<f64>], middle_px: [f64; 2]) -> Option<[f64; 2]> {
    // Two equations a view in (1/fx^2, 1/fy^2): the board's axes are square to each other and equally long.
    let equations: Vec<[[f64; 3]; 2]> = homographies
        .iter()
        .map(|h| {
            let shift = Matrix3::new(1.0, 0.0, -middle_px[0], 0.0, 1.0, -middle_px[1], 0.0, 0.0, 1.0);
            let h = shift * h;
            let (a, b) = (h.column(0).into_owned(), h.column(1).into_owned());
            let (na, nb) = (a.norm(), b.norm());
            let (a, b) = (a / na.max(1e-300), b / nb.max(1e-300));
            // The diagonals of the square serve as a second pair of axes (better conditioned than lengths).
            let (ratio_a, ratio_b) = (na / (na + nb), nb / (na + nb));
            let (sum, difference) = (a * ratio_a + b * ratio_b, a * ratio_a - b * ratio_b);
            let (sum, difference) =
                (sum / sum.norm().max(1e-300), difference / difference.norm().max(1e-300));
            [
                [a.x * b.x, a.y * b.y, -a.z * b.z],
                [sum.x * difference.x, sum.y * difference.y, -sum.z * difference.z],
            ]
        })
        .collect();
    let scale = middle_px[0].max(middle_px[1]).max(1.0).powi(2);
    let mut weights = vec![1.0; equations.len()];
    let mut answer = None;
    for _ in 0..12 {
        let (mut m, mut rhs) = (Matrix2::zeros(), Vector2::zeros());
        for (view, w) in equations.iter().zip(&weights) {
            for [a, b, c] in view {
                let row = Vector2::new(*a, *b);
                m += row * row.transpose() * *w;
                rhs += row * *c * *w;
            }
        }
        let u = m.try_inverse()? * rhs;
        let misfits: Vec<f64> = equations
            .iter()
            .map(|view| view.iter().map(|[a, b, c]| (a * u.x + b * u.y - c).powi(2)).sum::<f64>().sqrt())
            .collect();
        let typical = median(misfits.iter().copied())?.max(1e-300);
        for (w, misfit) in weights.iter_mut().zip(&misfits) {
            *w = 1.0 / (1.0 + (misfit / (2.0 * typical)).powi(2));
        }
        let usable = |v: f64| v.is_finite() && v > 1e-3 / scale && v < 1e3 / scale;
        answer = match (usable(u.x), usable(u.y)) {
            (true, true) => Some([u.x.sqrt().recip(), u.y.sqrt().recip()]),
            // One focal length for both when only their mean is seen.
            _ if usable(0.5 * (u.x + u.y)) => {
                let f = (0.5 * (u.x + u.y)).sqrt().recip();
                Some([f, f])
            }
            _ => None,
        };
    }
    answer
}

/// Pose of the board from its homography and a lens without distortion.
pub(crate) fn pose_from_plane(
    picture_from_board: &Matrix3<f64>,
    focal_px: [f64; 2],
    middle_px: [f64; 2],
) -> Option<Isometry3<f64>> {
    let [fx, fy] = focal_px;
    let [cx, cy] = middle_px;
    let inverse = Matrix3::new(1.0 / fx, 0.0, -cx / fx, 0.0, 1.0 / fy, -cy / fy, 0.0, 0.0, 1.0);
    let m = inverse * picture_from_board;
    let (a, b, t) = (m.column(0).into_owned(), m.column(1).into_owned(), m.column(2).into_owned());
    let scale = 2.0 / (a.norm() + b.norm());
    let scale = if t.z < 0.0 { -scale } else { scale };
    let (a, b, t) = (a * scale, b * scale, t * scale);
    let rough = Matrix3::from_columns(&[a, b, a.cross(&b)]);
    let svd = rough.svd(true, true);
    let mut r = svd.u? * svd.v_t?;
    if r.determinant() < 0.0 {
        r = -r;
    }
    let finite = r.iter().chain(t.iter()).all(|v| v.is_finite());
    let rotation = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(r));
    finite.then(|| Isometry3::from_parts(Translation3::from(t), rotation))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lens::corner::{LensVector, predict};
    use nalgebra::Point3;

    #[test]
    fn distortion_free_views_give_focal_lengths_and_poses_exactly() {
        let lens = LensVector::from([1500.0, 1520.0, 960.0, 540.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
        let board: Vec<Vector2<f64>> =
            (0..54).map(|i| Vector2::new(f64::from(i % 9) * 0.025, f64::from(i / 9) * 0.025)).collect();
        let truth: Vec<Isometry3<f64>> = [(0.4, 0.1), (-0.3, 0.4), (0.1, -0.5)]
            .iter()
            .map(|&(a, b)| Isometry3::new(Vector3::new(-0.1, -0.06, 0.6), Vector3::new(a, b, 0.1)))
            .collect();
        let fits: Vec<PlaneFit> = truth
            .iter()
            .map(|pose| {
                let pixels: Vec<RawPixel> = board
                    .iter()
                    .map(|b| {
                        let p = predict(&lens, pose, &Point3::new(b.x, b.y, 0.0)).unwrap().pixel;
                        RawPixel::new(p.x, p.y)
                    })
                    .collect();
                fit_plane(&board, &pixels).unwrap()
            })
            .collect();
        assert!(fits.iter().all(|f| f.rms_px < 1e-7));
        let h: Vec<Matrix3<f64>> = fits.iter().map(|f| f.picture_from_board).collect();
        let f = focal_px(&h, [960.0, 540.0]).unwrap();
        assert!((f[0] - 1500.0).abs() < 1e-4 && (f[1] - 1520.0).abs() < 1e-4, "{f:?}");
        for (h, pose) in h.iter().zip(&truth) {
            let got = pose_from_plane(h, f, [960.0, 540.0]).unwrap();
            assert!((got.translation.vector - pose.translation.vector).norm() < 1e-6);
            assert!(got.rotation.angle_to(&pose.rotation) < 1e-6);
        }
    }

    #[test]
    fn points_on_one_spot_have_no_homography() {
        let board = vec![Vector2::new(0.0, 0.0); 6];
        assert!(fit_plane(&board, &[RawPixel::new(1.0, 1.0); 6]).is_none());
    }
}
