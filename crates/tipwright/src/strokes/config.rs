//! Settings of the stroke stage, each default with its reason.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::model::Direction;

/// Settings of [`super::measure`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct StrokesConfig {
    /// Share of a stroke's peak speed at which W starts and at which the tip counts as stopped. 0.20: the
    /// definition of the figures; another value makes other figures.
    pub start_fraction: f64,
    /// Share of the peak below which the tip counts as resting, so that a swing before it is not part of the
    /// stroke. 0.10: half of `start_fraction`, so that a hesitation down to a tenth of the peak stays in W.
    pub rest_fraction: f64,
    /// No stroke is slower than this. 4 m/s: a quarter of the slow end of ordinary tip speeds (15 m/s), above
    /// lifting or lowering a rod by hand. Common practice.
    pub min_peak_speed_m_s: f64,
    /// No stroke is slower than this share of the take's reference speed (upper quartile of its movements'
    /// peaks). 0.35: gentle false casts reach 0.5 of a delivery, handling the rod 0.2. Common practice.
    pub min_peak_share: f64,
    /// No stroke moves the tip less than this between start and stop. 0.6 m: a third of the chord of a rigid
    /// 2.74 m rod through 40 degrees (1.87 m).
    pub min_chord_m: f64,
    /// No stroke takes less time from start to stop. 0.08 s: a quarter of the short end of fishing strokes (0.3 s).
    pub min_duration_s: f64,
    /// A movement right after a stroke is the rod ringing when both its peak and its chord are below this share
    /// of the stroke's. 0.5: a rebound can at most repeat the counterflex, which stays well below half the chord.
    pub rebound_share: f64,
    /// How long after a stroke's stop a movement may start and still be its ringing. 0.8 s: one and a half
    /// periods at the slow end of loaded rods (1.3 Hz from published counts) plus the stop itself.
    pub rebound_within_s: f64,
    /// Of two movements in a row the same way, one below this share of the other's peak speed is no stroke but creep,
    /// drift or lowering the rod (which can go far). 0.75: strokes of one caster the same way differ by less.
    pub second_share: f64,
    /// Faster is a tracking error: 60 m/s, half as much again as the fastest distance casts (40 m/s).
    pub max_speed_m_s: f64,
    /// A gap up to this long is bridged to find the stroke it lies in; its figures stay missing. 0.25 s: shorter
    /// than any stroke and pause together, so that no reversal pair can hide in it.
    pub longest_bridge_s: f64,
    /// Instants of the dense resampling of W, uniform in time, ends included. 201: at 20 m/s and 0.4 s the points
    /// lie 4 cm apart, which misses at most 0.1 mm of a 1 cm dip that is 1 m long.
    pub resample_points: usize,
    /// Draws made from the samples' standard deviations when the path brings none. 200: an sd known to 6 %.
    pub synthetic_draws: usize,
    /// Assumed for those draws: the error is a smooth random curve, correlated over this many samples (standard
    /// deviation of the Gaussian that smooths it). 3: the reach of a seven-point smoother. Velocity errors follow.
    pub noise_correlation_samples: f64,
    /// A rise or fall of tip speed smaller than this share of the peak is no change of sign of the acceleration.
    /// 0.02: three times the velocity noise of a 2 mm path at 20 m/s.
    pub hesitation_share: f64,
    /// Furthest instant after the stop that still belongs to counterflex. 0.35 s: half a period at 1.4 Hz.
    pub counterflex_within_s: f64,
    /// Longest ring-down fitted. 1.5 s: two to four periods.
    pub ring_window_s: f64,
    /// Horizontal direction of the forward cast in the world, where it is known: decides every stroke's direction.
    pub forward_in_world: Option<[f64; 2]>,
    /// Direction of the take's last stroke, where it is known. Weaker than `forward_in_world`.
    pub last_stroke: Option<Direction>,
    /// Seed of the synthetic draws.
    pub seed: u64,
}

impl Default for StrokesConfig {
    fn default() -> Self {
        Self {
            start_fraction: 0.20,
            rest_fraction: 0.10,
            min_peak_speed_m_s: 4.0,
            min_peak_share: 0.35,
            min_chord_m: 0.6,
            min_duration_s: 0.08,
            rebound_share: 0.5,
            rebound_within_s: 0.8,
            second_share: 0.75,
            max_speed_m_s: 60.0,
            longest_bridge_s: 0.25,
            resample_points: 201,
            synthetic_draws: 200,
            noise_correlation_samples: 3.0,
            hesitation_share: 0.02,
            counterflex_within_s: 0.35,
            ring_window_s: 1.5,
            forward_in_world: None,
            last_stroke: None,
            seed: 1,
        }
    }
}
