//! When a clip's frames are exposed, and what their stamps say.

use rand::RngExt;

use super::TICKS;
use crate::phone::noise::between;

/// Exposures of a clip that ends at `end_s`, and how late their stamps are: even and on time, or with a frame missing now and then
/// and stamps that wander while the exposures don't (measured on a real phone's clip: `oliv_drop` of
/// the open data).
pub(super) fn frame_ticks(
    end_s: f64,
    fps: u32,
    jitter_s: f64,
    rng: &mut impl rand::Rng,
) -> (Vec<i64>, Vec<i64>) {
    let step = TICKS / i64::from(fps);
    let count = (end_s * f64::from(fps)).floor() as i64;
    if jitter_s == 0.0 {
        return ((0..count).map(|n| n * step).collect(), Vec::new());
    }
    let (mut exposed, mut late) = (Vec::new(), Vec::new());
    for n in 0..count {
        if n > 0 && rng.random::<f64>() < 0.006 {
            continue;
        }
        let wander = if n == 0 { 0.0 } else { between(rng, -1.73, 1.73) * jitter_s * TICKS as f64 };
        exposed.push(n * step);
        late.push((wander.round() as i64).clamp(-step / 3, step / 3));
    }
    (exposed, late)
}
