//! Gravity from a freely tossed ball: an independent check of scale and clock.
//!
//! A length wrong by 1 % shows as 1 % of gravity, a frame rate wrong by a factor f as f squared: a slow-motion file
//! taken at face value gives a sixteenth (120 as 30 fps) or a quarter (240 as 120 fps).
//! The ball obeys `a = -g z - b |v| v`. The drag coefficient over mass, b, is 0.0095 per metre for a golf ball and 0.013
//! for a tennis ball (0.5 rho Cd A / m with Cd 0.5, derived), which bends a two-metre fall by 0.6 and 1.4 %; it is
//! estimated with a prior that covers both and table tennis balls are out.

use nalgebra::{DMatrix, DVector, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::{CameraPose, ClipSpots, Clock, CoarseOffset, Colour, Lens, Measured, Severity, Warning};
use crate::tracks::pieces::{Piece, PieceConfig, PieceSample, TrackView, find_pieces};
use crate::tracks::rays::Epipolar;
use crate::tracks::sync::{SyncConfig, find_offset};
use crate::tracks::tracklets::{LinkConfig, Tracklet, link};

/// One camera of the toss clips, solved.
#[derive(Debug, Clone, Copy)]
pub struct TossCamera<'a> {
    /// Lens.
    pub lens: &'a Lens,
    /// Candidates of its toss clip.
    pub spots: &'a ClipSpots,
    /// Pose in a world with +Z up.
    pub pose: CameraPose,
    /// Readout.
    pub readout_s: f64,
    /// Rate error.
    pub drift: f64,
    /// First guess of this clip's offset to the first camera's.
    pub coarse_offset: Option<CoarseOffset>,
}

/// Settings of [`gravity`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TossConfig {
    /// Linking over time.
    pub link: LinkConfig,
    /// Search of the offset.
    pub sync: SyncConfig,
    /// Epipolar distance, pixels.
    pub epipolar_px: f64,
    /// Prior of drag over mass, per metre: golf to tennis ball and twice beyond.
    pub drag_per_m: Measured,
    /// Range of gravity that passes: 9.6 to 9.9 is what balls give (drag left over included), a little wider here.
    pub accepted_m_s2: [f64; 2],
}

impl Default for TossConfig {
    fn default() -> Self {
        Self {
            link: LinkConfig::default(),
            sync: SyncConfig::default(),
            epipolar_px: 3.0,
            drag_per_m: Measured { value: 0.011, sd: 0.006 },
            accepted_m_s2: [9.5, 10.1],
        }
    }
}

/// Gravity found, and what it means.
#[derive(Debug, Clone, PartialEq)]
pub struct Gravity {
    /// Metres per second squared, and its standard deviation from the scatter of the points.
    pub gravity_m_s2: Measured,
    /// Length of the flight, seconds.
    pub flight_s: f64,
    /// Root mean square distance of the points from the flight, metres.
    pub rms_m: f64,
    /// Warnings when it is not gravity.
    pub warnings: Vec<Warning>,
}

/// Finds the flight of the ball in two or more cameras and measures gravity; `None` when there is no flight.
#[must_use]
pub fn gravity(cameras: &[TossCamera], colours: &[Colour], config: &TossConfig) -> Option<Gravity> {
    colours.iter().find_map(|colour| gravity_of(cameras, *colour, config))
}

fn gravity_of(cameras: &[TossCamera], colour: Colour, config: &TossConfig) -> Option<Gravity> {
    let tracks: Vec<Vec<Tracklet>> =
        cameras.iter().map(|c| link(c.spots, c.lens, c.readout_s, colour, &config.link)).collect();
    let first = cameras.first()?;
    let first_clock = Clock { offset_s: 0.0, drift: 0.0, readout_s: first.readout_s };
    let mut clocks = vec![first_clock];
    for (k, camera) in cameras.iter().enumerate().skip(1) {
        let epipolar = Epipolar::between(&first.pose, &camera.pose, first.lens.fx_px);
        let search = |range| {
            find_offset(&tracks[0], &first_clock, &tracks[k], camera.drift, &epipolar, range, &config.sync)
        };
        let near = camera.coarse_offset.map(|c| {
            let reach = 4.0 * c.sd_s + 0.03;
            [c.value_s - reach, c.value_s + reach]
        });
        let found =
            near.and_then(|r| search(Some(r))).filter(|f| f.agreement > 0.3).or_else(|| search(None))?;
        clocks.push(Clock { offset_s: found.offset_s, drift: camera.drift, readout_s: camera.readout_s });
    }
    let views: Vec<TrackView> = cameras
        .iter()
        .zip(&clocks)
        .zip(&tracks)
        .map(|((c, clock), tracks)| TrackView {
            pose: &c.pose,
            clock: *clock,
            focal_px: c.lens.fx_px,
            frame_step_s: c.spots.frame_step_s(),
            tracks,
        })
        .collect();
    let needs = PieceConfig {
        epipolar_px: config.epipolar_px,
        farthest: 40.0,
        fastest_per_s: f64::INFINITY,
        fewest: 10,
        size: None,
    };
    let pieces = find_pieces(&views, &needs);
    let best = pieces.iter().filter_map(|p| flight(p, config)).max_by(|a, b| a.worth.total_cmp(&b.worth))?;
    Some(Gravity {
        gravity_m_s2: best.gravity,
        flight_s: best.flight_s,
        rms_m: best.rms_m,
        warnings: judge(&best, config),
    })
}

#[derive(Debug, Clone, Copy)]
struct Flight {
    gravity: Measured,
    flight_s: f64,
    rms_m: f64,
    worth: f64,
}

/// The longest part of a piece that is a flight.
fn flight(piece: &Piece, config: &TossConfig) -> Option<Flight> {
    const PARTS: usize = 16;
    let s = &piece.samples;
    let n = s.len();
    let step = n.div_ceil(PARTS);
    let mut best: Option<Flight> = None;
    for from in (0..n).step_by(step) {
        for to in (from + 10..=n).rev() {
            if !(n - to).is_multiple_of(step) {
                continue;
            }
            let part = &s[from..to];
            let Some(fit) = fit(part, config) else { continue };
            let path_m: f64 = part.windows(2).map(|w| (w[1].position - w[0].position).norm()).sum();
            // on a parabola to within the scatter of the points, and bent for certain
            let noise_m = part.iter().map(|p| p.covariance.trace()).sum::<f64>() / part.len() as f64;
            let fits = fit.rms_m < 1.5 * noise_m.sqrt();
            let bent = fit.gravity.value > 10.0 * fit.gravity.sd;
            if fits && bent && path_m > 0.5 {
                let worth = path_m;
                if best.is_none_or(|b| worth > b.worth) {
                    best = Some(Flight { worth, ..fit });
                }
                break; // shorter ones with this start are worth less
            }
        }
    }
    best
}

/// Least squares of start, velocity, gravity and drag: linear once the drag's displacement is known, three rounds.
fn fit(part: &[PieceSample], config: &TossConfig) -> Option<Flight> {
    let n = part.len();
    let middle_s = 0.5 * (part[0].t_s + part[n - 1].t_s);
    let half_s = 0.5 * (part[n - 1].t_s - part[0].t_s);
    if !(half_s > 0.0) {
        return None;
    }
    let mut solved = DVector::zeros(8);
    let mut covariance = DMatrix::zeros(8, 8);
    let mut rms_m = f64::INFINITY;
    for round in 0..3 {
        let drag = drag_displacement(part, middle_s, &solved, round > 0);
        let mut normal = DMatrix::<f64>::zeros(8, 8);
        let mut right = DVector::<f64>::zeros(8);
        let prior = config.drag_per_m;
        normal[(7, 7)] += 1.0 / (prior.sd * prior.sd);
        right[7] += prior.value / (prior.sd * prior.sd);
        let sd2 = part.iter().map(|p| p.covariance.trace() / 3.0).sum::<f64>() / n as f64;
        let mut rows = Vec::with_capacity(3 * n);
        for (p, d) in part.iter().zip(&drag) {
            let t = p.t_s - middle_s;
            for axis in 0..3 {
                let mut row = DVector::<f64>::zeros(8);
                row[axis] = 1.0;
                row[3 + axis] = t;
                if axis == 2 {
                    row[6] = -0.5 * t * t;
                }
                row[7] = -d[axis];
                let y = p.position[axis];
                normal += &row * row.transpose() / sd2;
                right += &row * y / sd2;
                rows.push((row, y));
            }
        }
        covariance = normal.try_inverse()?;
        solved = &covariance * right;
        let sum: f64 = rows.iter().map(|(row, y)| (y - row.dot(&solved)).powi(2)).sum();
        rms_m = (sum / n as f64).sqrt();
        // the scatter that is seen, not the one that was assumed
        covariance *= (sum / (3 * n - 7).max(1) as f64 / sd2).max(1e-6);
    }
    let gravity = Measured::new(solved[6], covariance[(6, 6)].max(0.0).sqrt());
    Some(Flight { gravity, flight_s: 2.0 * half_s, rms_m, worth: 0.0 })
}

/// Twice integrated |v| v from the middle of the flight, by the trapezoid rule.
fn drag_displacement(
    part: &[PieceSample],
    middle_s: f64,
    solved: &DVector<f64>,
    known: bool,
) -> Vec<Vector3<f64>> {
    if !known {
        return vec![Vector3::zeros(); part.len()];
    }
    let velocity = |t: f64| Vector3::new(solved[3], solved[4], solved[5] - solved[6] * t);
    let push = |t: f64| {
        let v = velocity(t);
        v * v.norm()
    };
    part.iter()
        .map(|p| {
            let end = p.t_s - middle_s;
            let steps = 40;
            let h = end / f64::from(steps);
            let (mut rate, mut place) = (Vector3::zeros(), Vector3::zeros());
            for i in 0..steps {
                let (a, b) = (push(f64::from(i) * h), push(f64::from(i + 1) * h));
                let next = rate + (a + b) * (0.5 * h);
                place += (rate + next) * (0.5 * h);
                rate = next;
            }
            place
        })
        .collect()
}

fn judge(flight: &Flight, config: &TossConfig) -> Vec<Warning> {
    let g = flight.gravity.value;
    let [low, high] = config.accepted_m_s2;
    if g >= low && g <= high {
        return Vec::new();
    }
    let ratio = 9.80665 / g;
    let rate = [4.0, 16.0, 64.0, 0.25, 1.0 / 16.0]
        .into_iter()
        .find(|f| (ratio / f - 1.0).abs() < 0.12)
        .map(f64::sqrt);
    let warning = match rate {
        Some(factor) => Warning::new(
            Severity::Problem,
            "scene, toss clip",
            format!("the tossed ball falls at {g:.2} m/s2: the frame rate is wrong by a factor of {factor}"),
            "Set capture_fps of the cameras to the rate at which the phones filmed; speeds are wrong until then",
        ),
        None => Warning::new(
            Severity::Warning,
            "scene, toss clip",
            format!(
                "the tossed ball falls at {g:.2} m/s2 instead of 9.81: scale or frame rate is off by {:.0} %",
                100.0 * (g / 9.80665 - 1.0).abs()
            ),
            "Check [wand] length_m and capture_fps, and that the ball is heavy (golf, not foam)",
        ),
    };
    vec![warning]
}

#[cfg(test)]
mod tests {
    use nalgebra::Point3;

    use super::*;
    use crate::testing::{Shot, Thing, film, two_phones};

    /// A tossed ball with drag, integrated in small steps, held in the hand before 0.8 s.
    fn tossed(drag_per_m: f64, slow: f64) -> impl Fn(f64) -> Point3<f64> + Sync {
        let h = 1e-4;
        let mut places = Vec::new();
        let (mut p, mut v) = (Point3::new(-0.8, 0.1, 1.5), Vector3::new(1.3, 0.2, 5.6));
        for _ in 0..13_000 {
            places.push(p);
            let a = Vector3::new(0.0, 0.0, -9.80665) - v * v.norm() * drag_per_m;
            p += v * h + a * (0.5 * h * h);
            v += a * h;
        }
        move |t_s: f64| {
            let t = t_s / slow;
            if t < 0.8 {
                let back = 0.8 - t;
                return places[0] - Vector3::new(1.3, 0.2, 5.6) * (back * (-8.0 * back).exp());
            }
            let at = (t - 0.8) / h;
            let i = (at as usize).min(places.len() - 2);
            places[i] + (places[i + 1] - places[i]) * (at - i as f64).clamp(0.0, 1.0)
        }
    }

    fn measure(drag_per_m: f64, slow: f64) -> Gravity {
        let cameras = two_phones();
        let ball = tossed(drag_per_m, slow);
        let things = [Thing::new(&ball, Colour::White, 0.043)];
        let clock = |k: usize| Clock { offset_s: -0.21 * k as f64, drift: 0.0, readout_s: 0.006 };
        let clips: Vec<ClipSpots> = (0..2)
            .map(|k| film(&cameras[k], k, &things, &Shot::new(120.0, 2.0 * slow, clock(k), 5 + k as u64)))
            .collect();
        let solved: Vec<TossCamera> = (0..2)
            .map(|k| TossCamera {
                lens: &cameras[k].lens,
                spots: &clips[k],
                pose: cameras[k].pose,
                readout_s: 0.006,
                drift: 0.0,
                coarse_offset: None,
            })
            .collect();
        gravity(&solved, &[Colour::White], &TossConfig::default()).unwrap()
    }

    #[test]
    fn truth_a_golf_ball_falls_at_standard_gravity() {
        // 9.80665 m/s2 by definition (3rd CGPM, 1901)
        let g = measure(0.0095, 1.0);
        println!("{g:?}");
        assert!((g.gravity_m_s2.value - 9.80665).abs() < 0.06, "{g:?}");
        assert!((g.gravity_m_s2.value - 9.80665).abs() < 4.0 * g.gravity_m_s2.sd.max(0.01), "{g:?}");
        assert!(g.warnings.is_empty(), "{g:?}");
        assert!(g.flight_s > 0.8);
    }

    #[test]
    fn a_slow_motion_file_taken_at_face_value_is_told() {
        let g = measure(0.0095, 4.0);
        assert!((g.gravity_m_s2.value - 9.80665 / 16.0).abs() < 0.02, "{g:?}");
        assert!(g.warnings.iter().any(|w| w.what.contains("factor of 4")), "{g:?}");
    }
}
