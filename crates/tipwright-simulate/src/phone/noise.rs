//! Photon and read-out noise after the tone curve.
//!
//! In linear light the variance is `photon * L + read^2` (photon transfer: Janesick, Photon Transfer, SPIE 2007, from
//! memory); the tone curve multiplies the standard deviation by its slope, which is why dark parts are noisier.
//! Draws come from one tile of normal deviates, entered at a fresh place for every row: cheap, and no row repeats its
//! neighbour's.

use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use super::exposure::{STEPS_PER_CODE, TOP, luminance_of_luma, tone};

/// How noisy a sensor mode is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseModel {
    /// Variance per linear light: 1 over the photons at white, after the phone's own smoothing.
    pub photon: f32,
    /// Standard deviation in the dark, linear.
    pub read: f32,
    /// Standard deviation of Cb and Cr, 8-bit codes.
    pub chroma_code: f32,
}

impl NoiseModel {
    /// No noise at all.
    pub const NONE: Self = Self { photon: 0.0, read: 0.0, chroma_code: 0.0 };

    /// Standard deviation of an inner luma sample, in steps.
    #[must_use]
    pub fn luma_sd_steps(&self, y: f32) -> f32 {
        let l = luminance_of_luma(y);
        let sd = (self.photon * l + self.read * self.read).sqrt();
        let slope = (tone(l + 0.002) - tone((l - 0.002).max(0.0))) / (0.002 + l.min(0.002));
        (sd * slope * 219.0 * STEPS_PER_CODE as f32).min(12.0 * STEPS_PER_CODE as f32)
    }
}

const TILE: usize = 1 << 16;
/// Standard deviation of the tile's integers.
const TILE_SD: f32 = 4096.0;
/// A row may read this far beyond its entry.
const TAIL: usize = 4096;

/// A sensor's noise, ready to add.
pub struct NoiseTile {
    deviates: Vec<i16>,
    gain_of_luma: Vec<i16>,
    chroma_gain: i16,
    silent: bool,
}

impl NoiseTile {
    /// A tile for a model.
    #[must_use]
    pub fn new(model: NoiseModel, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut deviates: Vec<i16> = (0..TILE)
            .map(|_| {
                let x: f32 = StandardNormal.sample(&mut rng);
                (x * TILE_SD).clamp(-32000.0, 32000.0).round() as i16
            })
            .collect();
        deviates.extend_from_within(..TAIL);
        // gain g: (deviate * g) >> 16 has standard deviation TILE_SD * g / 65536
        let gain = |sd_steps: f32| (sd_steps * 65536.0 / TILE_SD).round().min(32767.0) as i16;
        let gain_of_luma = (0..=TOP / STEPS_PER_CODE)
            .map(|c| gain(model.luma_sd_steps((c * STEPS_PER_CODE) as f32)))
            .collect();
        Self {
            deviates,
            gain_of_luma,
            chroma_gain: gain(model.chroma_code * STEPS_PER_CODE as f32),
            silent: model == NoiseModel::NONE,
        }
    }

    /// Gain for an inner luma sample: to keep beside the picture.
    #[inline]
    #[must_use]
    pub fn gain(&self, y: i16) -> i16 {
        self.gain_of_luma[usize::from(y.clamp(0, TOP as i16) as u16) / STEPS_PER_CODE as usize]
    }

    fn entry(rng: &mut ChaCha8Rng, width: usize) -> usize {
        debug_assert!(width <= TAIL);
        (rng.next_u32() as usize) % TILE
    }

    /// Luma row out: `shift` 6 for 8-bit output, 4 for 10-bit.
    #[inline]
    fn finish<const SHIFT: i32, const LARGEST: i16>(
        deviates: &[i16],
        row: &[i16],
        gains: impl Iterator<Item = i16>,
        mut put: impl FnMut(usize, i16),
    ) {
        let half = 1_i16 << (SHIFT - 1);
        for (i, ((s, d), g)) in row.iter().zip(deviates).zip(gains).enumerate() {
            let n = ((i32::from(*d) * i32::from(g)) >> 16) as i16;
            put(i, (s.saturating_add(n).saturating_add(half) >> SHIFT).clamp(0, LARGEST));
        }
    }

    /// One luma row to 8 bits.
    pub fn luma_row8(&self, rng: &mut ChaCha8Rng, row: &[i16], gains: &[i16], out: &mut [u8]) {
        let at = Self::entry(rng, row.len());
        let out = &mut out[..row.len()];
        Self::finish::<6, 255>(&self.deviates[at..], row, gains.iter().copied(), |i, v| out[i] = v as u8);
    }

    /// One luma row to 10 bits.
    pub fn luma_row10(&self, rng: &mut ChaCha8Rng, row: &[i16], gains: &[i16], out: &mut [u16]) {
        let at = Self::entry(rng, row.len());
        let out = &mut out[..row.len()];
        Self::finish::<4, 1023>(&self.deviates[at..], row, gains.iter().copied(), |i, v| out[i] = v as u16);
    }

    /// One chroma row to 8 bits.
    pub fn chroma_row8(&self, rng: &mut ChaCha8Rng, row: &[i16], out: &mut [u8]) {
        let at = Self::entry(rng, row.len());
        let out = &mut out[..row.len()];
        let gains = std::iter::repeat_n(self.chroma_gain, row.len());
        Self::finish::<6, 255>(&self.deviates[at..], row, gains, |i, v| out[i] = v as u8);
    }

    /// One chroma row to 10 bits.
    pub fn chroma_row10(&self, rng: &mut ChaCha8Rng, row: &[i16], out: &mut [u16]) {
        let at = Self::entry(rng, row.len());
        let out = &mut out[..row.len()];
        let gains = std::iter::repeat_n(self.chroma_gain, row.len());
        Self::finish::<4, 1023>(&self.deviates[at..], row, gains, |i, v| out[i] = v as u16);
    }

    /// Adds nothing.
    #[must_use]
    pub fn is_silent(&self) -> bool {
        self.silent
    }
}

/// A stream of random numbers of its own for every named part of a day: adding a part changes no other.
#[must_use]
pub fn stream(seed: u64, name: &str) -> ChaCha8Rng {
    // FNV-1a, 64 bits
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    for byte in name.bytes() {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
    }
    ChaCha8Rng::seed_from_u64(seed ^ hash.rotate_left(17))
}

/// A number between two limits.
pub fn between(rng: &mut impl Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_has_the_standard_deviation_of_its_model() {
        let model = NoiseModel { photon: 4e-4, read: 0.004, chroma_code: 1.0 };
        let tile = NoiseTile::new(model, 5);
        let mut rng = stream(1, "noise");
        let y = 100_i16 * 64;
        let want_codes = model.luma_sd_steps(f32::from(y)) / 64.0;
        let row = vec![y; 1920];
        let gains = vec![tile.gain(y); 1920];
        let mut out = vec![0_u8; 1920];
        let (mut sum, mut square, mut n) = (0.0, 0.0, 0.0);
        for _ in 0..200 {
            tile.luma_row8(&mut rng, &row, &gains, &mut out);
            for v in &out {
                let d = f64::from(*v) - 100.0;
                sum += d;
                square += d * d;
                n += 1.0;
            }
        }
        let sd = (square / n - (sum / n) * (sum / n)).sqrt();
        let rounding = 1.0_f64 / 12.0;
        let want = (f64::from(want_codes).powi(2) + rounding).sqrt();
        assert!((sd / want - 1.0).abs() < 0.02, "{sd} against {want}");
        assert!((sum / n).abs() < 0.02);
    }
}
