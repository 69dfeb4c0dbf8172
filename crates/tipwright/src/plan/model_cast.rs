//! Movements a plan reckons with: a wand waved through the volume and strokes of the tip.

use nalgebra::{Point3, Vector3};

/// Half the time in which the tip goes through the middle: 3.2 m / (4 * 0.045 s) is a peak of 17.8 m/s, an ordinary cast.
const WIDTH_S: f64 = 0.045;
/// Chord of a stroke.
const CHORD_M: f64 = 3.2;
/// From one stroke to the next.
const PERIOD_S: f64 = 1.1;
/// Middle of the first stroke.
const FIRST_S: f64 = 0.5;

/// Strokes of the tip to and fro along x about a middle: a dome of 10 cm with a dip of 12 mm in it, a little tracking error.
#[must_use]
pub fn tip(t_s: f64, middle_m: Point3<f64>, strokes: u32) -> Point3<f64> {
    let mut s = -0.5;
    for k in 0..strokes {
        let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
        s += sign / (1.0 + (-(t_s - middle_s(k)) / WIDTH_S).exp());
    }
    let dome = 0.10 * (1.0 - (2.0 * s).powi(2));
    let dip = 0.012 * (-(s / 0.08).powi(2)).exp();
    middle_m
        + Vector3::new(CHORD_M * s, 0.08 * (2.0 * s).sin() + 0.05 * (1.3 * t_s).sin(), dome - dip + 0.15 * s)
}

/// When a stroke passes its middle.
#[must_use]
pub fn middle_s(stroke: u32) -> f64 {
    FIRST_S + f64::from(stroke) * PERIOD_S
}

/// When the same stroke passes a place along its chord, `share` of it from the middle (-0.5 to 0.5).
#[must_use]
pub fn passes_s(stroke: u32, share: f64) -> f64 {
    let sign = if stroke.is_multiple_of(2) { 1.0 } else { -1.0 };
    let s = sign * share;
    middle_s(stroke) + WIDTH_S * ((0.5 + s) / (0.5 - s)).ln()
}

/// Share of the chord from the middle at which the hull of a dip touches: half a metre.
pub const TOUCHES_AT: f64 = 0.5 / CHORD_M;

/// Length of a take of strokes.
#[must_use]
pub fn duration_s(strokes: u32) -> f64 {
    middle_s(strokes.saturating_sub(1)) + FIRST_S
}

/// An end (-1 or 1) of a wand waved through a volume: sums of slow swings, up and down the most.
#[must_use]
pub fn wand_end(
    t_s: f64,
    sign: f64,
    length_m: f64,
    middle_m: Point3<f64>,
    half_size_m: Vector3<f64>,
) -> Point3<f64> {
    let share = Vector3::new(
        0.55 * (0.9 * t_s).sin() + 0.15 * (2.3 * t_s + 1.0).sin(),
        0.8 * (0.61 * t_s + 0.5).sin(),
        0.7 * (1.3 * t_s + 0.3).sin() - 0.5,
    );
    let (yaw, pitch) = (2.0 * (0.7 * t_s).sin() + 0.7 * t_s, 0.9 * (1.17 * t_s).cos());
    let way = Vector3::new(pitch.cos() * yaw.cos(), pitch.cos() * yaw.sin(), pitch.sin());
    middle_m + share.component_mul(&half_size_m) + way * (0.5 * length_m * sign)
}
