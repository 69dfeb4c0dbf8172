//! Coarse offset between two clips: from their sound tracks, or from the recording times in the files.
//!
//! Sound: the tracks' envelopes of onsets (half-wave rectified rise of the log energy in one band, 500 steps a second;
//! the "spectral flux" family of Bello et al., IEEE Trans. Speech Audio Process. 13 (2005) 1035, in its plainest form)
//! are correlated over all lags by FFT and normalised by the energy in the overlap, so that a short overlap does not win
//! by chance. Claps and the swish of the line have sharp onsets, which survive the automatic gain of phones; levels do
//! not. A clear peak stands out from the rest of the correlation by several standard deviations.
//! Sound travels at 331.3 + 0.606 T m/s: 2.9 ms per metre. Where the distances of the source are known, correct by them.

mod onsets;

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use crate::math::median;
use crate::model::footage::{ClipInfo, Sound};
use crate::model::{CoarseOffset, OffsetSource};
pub use onsets::{Onsets, OnsetsEar};

/// Of tracks that are together longer than this, steps, the longer one is correlated in blocks of it and more: nine minutes.
const BLOCK: usize = 1 << 18;

/// Settings of the correlation.
#[derive(Debug, Clone, PartialEq)]
pub struct SoundConfig {
    /// Steps of the envelope per second. 500: 2 ms, well under the spread of distances (8 m is 23 ms).
    pub envelope_hz: f64,
    /// Pass band. 300 Hz keeps wind and handling out; a clap has its energy above 1 kHz; phones cut above 7 kHz.
    pub band_hz: [f64; 2],
    /// Shortest overlap, seconds.
    pub shortest_overlap_s: f64,
    /// Of tracks that are both twice as long as this so much from the middle of the first is looked for in the second. 300 s: phones'
    /// clocks run apart by up to 25 millionths (common practice), 7.5 ms in that, as wide as an onset.
    pub longest_s: f64,
    /// Of tracks that are both longer than this only loud rises count. 30 s: a clap every ten seconds in two minutes of noise had a
    /// prominence of 7 with all, and 30 with the loud ones.
    pub noisy_s: f64,
    /// Height of the peak over the median absolute correlation, in robust standard deviations, below which there is
    /// no clear peak. The largest of 10,000 normal lags reaches 4; 7 leaves room for other tails.
    pub least_prominence: f64,
    /// The next best peak more than 0.1 s away must stay below this share of the best.
    pub most_rival: f64,
    /// Standard deviation given to an offset by sound, seconds: source distances differ by up to 3 m between two
    /// phones (8.7 ms) and the delay between sound and picture inside a phone is unknown (common practice).
    pub sd_s: f64,
}

impl Default for SoundConfig {
    fn default() -> Self {
        Self {
            envelope_hz: 500.0,
            band_hz: [300.0, 6000.0],
            shortest_overlap_s: 1.0,
            longest_s: 300.0,
            noisy_s: 30.0,
            least_prominence: 7.0,
            most_rival: 0.9,
            sd_s: 0.015,
        }
    }
}

/// Why sound gives no offset.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SoundError {
    /// Not enough of it.
    #[error("the sound tracks are too short to be compared ({first_s:.1} s and {second_s:.1} s)")]
    TooShort {
        /// Length of the first track.
        first_s: f64,
        /// Length of the second.
        second_s: f64,
    },
    /// Silence, or the same level all along.
    #[error("a sound track is silent or has no onsets; clap once where both phones can hear it")]
    Silent,
    /// Nothing stands out.
    #[error(
        "no clear peak in the correlation of the sound tracks (prominence {prominence:.1}, next best {rival:.2}); clap once where both phones can hear it"
    )]
    NoClearPeak {
        /// Height over the rest, robust standard deviations.
        prominence: f64,
        /// Next best peak over the best.
        rival: f64,
    },
}

/// Offset of `second` against `first`: first-clip time at which the second clip's pts is zero, if the sound reached both at
/// the same moment.
///
/// # Errors
/// [`SoundError`] when there is no clear peak.
///
/// ```
/// use tipwright::model::footage::Sound;
/// use tipwright::scene::sound::{SoundConfig, offset_from_sound};
/// // three claps over faint hiss; the second phone started 0.7 s after the first
/// let clip = |start_s: f64| {
///     let rate_hz = 16_000.0;
///     let samples = (0..80_000)
///         .map(|i| {
///             let t = f64::from(i) / rate_hz + start_s;
///             let ring = |at: f64| if t >= at { (-(t - at) * 60.0).exp() * (9_000.0 * t).sin() } else { 0.0 };
///             let hiss = 0.001 * ((f64::from(i) + 1e3 * start_s) * 12.9898).sin() * ((i % 97) as f64 - 48.0) / 48.0;
///             (ring(1.53) + ring(2.22) + ring(3.71) + hiss) as f32
///         })
///         .collect();
///     Sound { samples, rate_hz, start_s: 0.0 }
/// };
/// let offset = offset_from_sound(&clip(0.0), &clip(0.7), &SoundConfig::default()).unwrap();
/// assert!((offset.value_s - 0.7).abs() < 0.002);
/// ```
pub fn offset_from_sound(
    first: &Sound,
    second: &Sound,
    config: &SoundConfig,
) -> Result<CoarseOffset, SoundError> {
    offset_from_onsets(&Onsets::of(first, config), &Onsets::of(second, config), config)
}

/// The same from onsets.
///
/// # Errors
/// As [`offset_from_sound`].
pub fn offset_from_onsets(
    first: &Onsets,
    second: &Onsets,
    config: &SoundConfig,
) -> Result<CoarseOffset, SoundError> {
    likeness(first, second, config).map(|l| l.offset)
}

/// How two tracks fit each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Where they fit best.
    pub offset: CoarseOffset,
    /// Share of what both heard that fits there, up to 1: clips of one moment have more in common than a clap each.
    pub share: f64,
}

/// Where two tracks fit each other best, and how well.
///
/// # Errors
/// As [`offset_from_sound`].
pub fn likeness(first: &Onsets, second: &Onsets, config: &SoundConfig) -> Result<Likeness, SoundError> {
    // over more than that two phones' clocks run apart by more than an onset is wide
    let length_s = first.length_s(config);
    if length_s.min(second.length_s(config)) > 2.0 * config.longest_s {
        let middle_s = first.start_s + 0.5 * length_s;
        let part = first.part([-0.5, 0.5].map(|k| middle_s + k * config.longest_s), config);
        let found = likeness(&part, second, config)?;
        // as a share of what is heard in that part
        let share = found.share * (second.length_s(config) / part.length_s(config)).sqrt();
        return Ok(Likeness { share: share.min(1.0), ..found });
    }
    let (a, b) = (&first.rise, &second.rise);
    let (n, m) = (a.len(), b.len());
    let shortest = (config.shortest_overlap_s * config.envelope_hz) as usize;
    if n < shortest || m < shortest || shortest == 0 {
        return Err(SoundError::TooShort {
            first_s: n as f64 / config.envelope_hz,
            second_s: m as f64 / config.envelope_hz,
        });
    }
    if !(energy(a) > 0.0 && energy(b) > 0.0) {
        return Err(SoundError::Silent);
    }
    // long tracks are mostly noise, and its rises add up
    let mut at = match first.length_s(config).min(second.length_s(config)) > config.noisy_s {
        true => likenesses(&loud(a), &loud(b)),
        false => likenesses(a, b),
    };
    // lags at which enough of both lies beside the other
    let first_lag = shortest as i64 - m as i64;
    at.truncate(n + m - shortest);
    at.drain(..shortest - 1);
    let (best_i, best) =
        at.iter().copied().enumerate().max_by(|p, q| p.1.total_cmp(&q.1)).ok_or(SoundError::Silent)?;
    let middle = median(at.iter().copied()).ok_or(SoundError::Silent)?;
    let away = median(at.iter().map(|l| (l - middle).abs())).ok_or(SoundError::Silent)?;
    // 1.4826: median absolute deviation of a normal distribution to its standard deviation
    let spread = (1.4826 * away).max(1e-12);
    let prominence = (best - middle) / spread;
    let apart = (0.1 * config.envelope_hz) as usize;
    let others = at.iter().enumerate().filter(|(i, _)| i.abs_diff(best_i) > apart);
    let rival = others.map(|(_, l)| *l).fold(0.0, f64::max) / best;
    if !(best > 0.0 && prominence >= config.least_prominence && rival <= config.most_rival) {
        return Err(SoundError::NoClearPeak { prominence, rival });
    }
    let beside = |i: Option<usize>| i.and_then(|i| at.get(i)).copied().unwrap_or(0.0);
    let (left, right) = (beside(best_i.checked_sub(1)), beside(Some(best_i + 1)));
    let bend = left - 2.0 * best + right;
    let part = if bend < 0.0 { (0.5 * (left - right) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let best_lag = first_lag + best_i as i64;
    let value_s = (best_lag as f64 + part) / config.envelope_hz + first.start_s - second.start_s;
    let offset = CoarseOffset { value_s, sd_s: config.sd_s, source: OffsetSource::Sound };
    Ok(Likeness { offset, share: best })
}

/// How alike two tracks are at every lag, first to last: over the energy of both whole ones, not of the overlap alone. An overlap that holds
/// one clap of each fits it perfectly whichever claps they are, while the right lag explains most of what was heard.
fn likenesses(a: &[f64], b: &[f64]) -> Vec<f64> {
    let whole = (energy(a) * energy(b)).sqrt();
    let mut by_lag = correlate(a, b);
    by_lag.iter_mut().for_each(|v| *v /= whole);
    by_lag
}

/// What rises by more than twice what rises usually do.
fn loud(rise: &[f64]) -> Vec<f64> {
    let count = rise.len().max(1) as f64;
    let usual = (energy(rise) / count).sqrt();
    let loud: Vec<f64> = rise.iter().map(|r| (r - 2.0 * usual).max(0.0)).collect();
    let mean = loud.iter().sum::<f64>() / count;
    loud.into_iter().map(|r| r - mean).collect()
}

/// Takes the way of the sound out of an offset: `distance_m` of the source to the first and to the second phone. A source
/// farther from the second phone makes its clip seem to have started later than it did.
///
/// ```
/// use tipwright::model::{CoarseOffset, OffsetSource};
/// use tipwright::scene::sound::correct_by_distance;
/// let heard = CoarseOffset { value_s: 1.0, sd_s: 0.015, source: OffsetSource::Sound };
/// // 3 m nearer to the first phone, at 343 m/s: 8.7 ms (derived)
/// let true_s = correct_by_distance(heard, [5.0, 8.0], 343.0).value_s;
/// assert!((true_s - 1.0087).abs() < 1e-4);
/// ```
#[must_use]
pub fn correct_by_distance(offset: CoarseOffset, distance_m: [f64; 2], speed_m_s: f64) -> CoarseOffset {
    // heard at t + d1/c by the first and t + d2/c by the second: the lag holds d1/c - d2/c too much
    let late_s = (distance_m[0] - distance_m[1]) / speed_m_s;
    CoarseOffset { value_s: offset.value_s - late_s, sd_s: offset.sd_s.min(0.01), ..offset }
}

/// Offset from the recording times in two files; `None` when one says nothing. Whole seconds at best, and clocks of
/// phones differ: a standard deviation of 2 s (common practice).
#[must_use]
pub fn offset_from_recording(first: &ClipInfo, second: &ClipInfo) -> Option<CoarseOffset> {
    let value_s = second.recorded_unix_s? - first.recorded_unix_s?;
    Some(CoarseOffset { value_s, sd_s: 2.0, source: OffsetSource::RecordingTime })
}

fn energy(x: &[f64]) -> f64 {
    x.iter().map(|v| v * v).sum()
}

/// Cross-correlation: at `lag + b.len() - 1` lies the sum of `a[i + lag] b[i]`. The longer one is taken in blocks, so that an hour needs no
/// more room than its lags do.
fn correlate(a: &[f64], b: &[f64]) -> Vec<f64> {
    let a_is_long = a.len() >= b.len();
    let (long, short) = if a_is_long { (a, b) } else { (b, a) };
    let whole = (a.len() + b.len()).next_power_of_two();
    let size = whole.min(BLOCK.max((2 * short.len()).next_power_of_two()));
    let mut planner = RealFftPlanner::<f64>::new();
    let forward = planner.plan_fft_forward(size);
    let back = planner.plan_fft_inverse(size);
    let mut padded = vec![0.0; size];
    let mut transform = |x: &[f64], spectrum: &mut [Complex<f64>]| {
        padded[..x.len()].copy_from_slice(x);
        padded[x.len()..].fill(0.0);
        // cannot fail: both slices have the plan's lengths
        let _ = forward.process(&mut padded, spectrum);
    };
    let (mut of_short, mut product) = (forward.make_output_vec(), forward.make_output_vec());
    transform(short, &mut of_short);
    let mut by_lag = vec![0.0; size];
    let mut out = vec![0.0; (a.len() + b.len()).saturating_sub(1)];
    let step = size - short.len();
    for (k, block) in long.chunks(step).enumerate() {
        transform(block, &mut product);
        for (x, y) in product.iter_mut().zip(&of_short) {
            *x = if a_is_long { *x * y.conj() } else { *y * x.conj() };
        }
        // a real signal has a real first and last bin
        product[0].im = 0.0;
        product[size / 2].im = 0.0;
        let _ = back.process(&mut product, &mut by_lag);
        // where lag -(second's length - 1) of the two that were multiplied lies
        let (second, first_place) = match a_is_long {
            true => (b.len(), k * step),
            false => (block.len(), b.len() - k * step - block.len()),
        };
        let lags = block.len() + short.len() - 1;
        for (i, o) in out[first_place..first_place + lags].iter_mut().enumerate() {
            *o += by_lag[(i + size + 1 - second) % size] / size as f64;
        }
    }
    out
}

#[cfg(test)]
mod tests;
