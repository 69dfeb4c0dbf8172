//! The figures of a stroke: one table of keys, units and definitions, used by the computation, the tables, the
//! column metadata and the pages alike. To add a figure: add a variant, its row in [`FigureId::info`], and the
//! computation in `strokes`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::measured::Measured;

/// What a figure needs to be had at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Needs {
    /// The tip alone.
    Tip,
    /// Butt markers as well.
    Butt,
    /// The line measured in the picture.
    Line,
    /// The line model: what is known of the line.
    Model,
    /// The sound tracks of the clips.
    Sound,
}

/// Key, unit, short name and definition of a figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FigureInfo {
    /// Column name, ending with its unit where it has one.
    pub key: &'static str,
    /// Unit as written after a number; empty for a ratio.
    pub unit: &'static str,
    /// Name for a heading.
    pub name: &'static str,
    /// One or two sentences, the same in docs, column metadata and on hover.
    pub definition: &'static str,
    /// What it needs.
    pub needs: Needs,
}

macro_rules! figures {
    ($($variant:ident, $key:literal, $unit:literal, $name:literal, $needs:ident, $definition:literal;)*) => {
        /// A figure of a stroke, in column order.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum FigureId { $(#[doc = $definition] $variant),* }

        impl FigureId {
            /// All figures in column order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// Key, unit, name, definition.
            #[must_use]
            pub fn info(self) -> FigureInfo {
                match self { $(Self::$variant => FigureInfo { key: $key, unit: $unit, name: $name,
                    definition: $definition, needs: Needs::$needs }),* }
            }
        }
    };
}

figures! {
    TStart, "t_start_s", "s", "start", Tip, "Start of the stroke: the first moment the tip speed exceeds 20 % of the stroke's peak. Session clock.";
    TRsp, "t_rsp_s", "s", "rod straight", Tip, "Rod straight position, where the stroke proper ends: with butt markers the moment the bend crosses zero after its maximum, otherwise the moment of peak tip speed.";
    TStop, "t_stop_s", "s", "stop", Tip, "Tip speed first below 20 % of its peak after the peak.";
    Duration, "duration_s", "s", "duration", Tip, "Time from the start to rod straight.";
    Chord, "chord_m", "m", "chord", Tip, "Straight distance between the ends of the tip's path from start to rod straight.";
    ChordAngle, "chord_angle_deg", "deg", "chord angle", Tip, "Elevation of the chord; positive when the path rises the way it travels.";
    Travel, "travel_m", "m", "travel", Tip, "Length of the tip's path from start to rod straight.";
    DipDepth, "dip_depth_m", "m", "dip depth", Tip, "Largest depth of the tip's path, from start to rod straight, below a string stretched over it (its upper convex hull), in the cast plane, normal to the chord.";
    DipAt, "dip_at", "", "dip at", Tip, "Where the dip is deepest, as a fraction of the chord from the start.";
    DomeHeight, "dome_height_m", "m", "dome height", Tip, "Largest height of the tip's path above its chord, from start to rod straight.";
    SlpRms, "slp_rms_m", "m", "SLP deviation", Tip, "How far the path strays from a straight line path (SLP): root mean square of its height about its best straight line, from start to rod straight.";
    Straightness, "straightness", "", "straightness", Tip, "Largest absolute height over the chord, divided by the chord: 0 is a straight line path.";
    OffPlaneMax, "off_plane_max_m", "m", "tracking", Tip, "Largest sideways distance of the tip from the cast plane (upright, through the ends of its path), from start to rod straight.";
    PeakSpeed, "peak_speed_m_s", "m/s", "peak speed", Tip, "Peak tip speed.";
    PeakLead, "peak_lead_ms", "ms", "peak lead", Butt, "Rod straight position minus the time of peak tip speed. Sources disagree on its sign; never judge by sign alone.";
    LatePower, "late_power", "", "late power", Tip, "Fraction of the time from start to rod straight that passes before half of the peak speed is reached: the more, the later the power.";
    FastTime, "fast_ms", "ms", "fast part", Tip, "Time from the moment half of the peak speed is reached to rod straight: how long the fast part of the stroke takes.";
    Stop, "stop_ms", "ms", "stop time", Tip, "From peak speed to the stop.";
    Smoothness, "speed_ramp_r2", "", "ramp fit", Tip, "R squared of a straight line fitted to tip speed from the start to 90 % of the peak: 1 is constant acceleration.";
    SignChanges, "acceleration_sign_changes", "", "hesitations", Tip, "Times the tip's acceleration along its path changes sign between the start and 90 % of the peak.";
    Arc, "arc_deg", "deg", "casting arc", Butt, "Rotation of the rod's butt from start to rod straight.";
    FastArc, "fast_arc_deg", "deg", "fast arc", Butt, "Rotation of the rod's butt from the moment half of the peak speed is reached to rod straight: the part of the casting arc that is driven fast.";
    MaxBend, "max_bend_m", "m", "largest bend", Butt, "Largest distance of the tip from the butt's axis against the way of the cast, in the cast plane, from start to rod straight.";
    BendLead, "bend_lead_ms", "ms", "bend lead", Butt, "Rod straight position minus the time of largest bend.";
    Counterflex, "counterflex_m", "m", "counterflex", Butt, "Largest bend the other way after rod straight position.";
    RingFrequency, "ring_frequency_hz", "Hz", "ring-down", Butt, "Frequency of the rod's ring-down, line attached: of the damped sine about a straight line that comes nearest to the bend from rod straight position until the butt sets off again, 1.5 s at most.";
    RingDamping, "ring_damping", "", "damping", Butt, "Damping ratio of the ring-down.";
    ButtSpeed, "butt_peak_speed_m_s", "m/s", "butt speed", Butt, "Peak speed of the upper butt marker from start to rod straight.";
    Creep, "creep_m", "m", "creep", Tip, "Travel toward the stroke's direction before its start, at the upper butt marker when worn, at the tip otherwise.";
    Drift, "drift_m", "m", "drift", Tip, "Travel in the stroke's direction after the stop, at the upper butt marker when worn, at the tip otherwise.";
    LoopWidth, "loop_width_m", "m", "loop width", Line, "Separation of fly leg and rod leg across the trajectory at the standard moment (nose 1.5 m ahead of the tip), at the first section, no nearer than 0.3 m behind the nose's front, where it is no more than twice the section's distance from the front.";
    LoopWidthProxy, "loop_width_proxy_m", "m", "loop width (proxy)", Tip, "Proxy where the line is not visible: height of the straight line path above the tip's lowest point in counterflex. Not a measured loop.";
    LoopNarrowest, "loop_narrowest_m", "m", "narrowest", Line, "Smallest loop width while the nose's front is 0.75 to 2.25 m ahead of the tip.";
    LoopSpeed, "loop_speed_m_s", "m/s", "loop speed", Line, "Speed of the loop's nose along its trajectory at the standard moment.";
    LoopAngle, "loop_angle_deg", "deg", "trajectory", Line, "Elevation of the way the nose travels while its front is 0.75 to 2.25 m ahead of the tip; positive when it rises.";
    FlyLegSpeed, "fly_leg_speed_m_s", "m/s", "fly leg speed", Line, "Twice the nose's speed less the tip's speed along the trajectory, at the standard moment: the speed of the fly leg, for a line that is not shot.";
    FlyLegDip, "fly_leg_dip_m", "m", "fly leg dip", Line, "Largest dip of the fly leg toward the rod leg below the straight line joining its ends, from the width's section to 2.5 m behind the nose's front, at the standard moment.";
    LoopCrossings, "loop_crossings", "", "crossings", Line, "How often the fly leg crosses the rod leg at the standard moment, seen from the side: once is closed or trailing, twice is tailing.";
    LoopWidthPredicted, "loop_width_predicted_m", "m", "loop width (predicted)", Model, "Loop width that the measured path of the tip makes, by a model of the line with the session's [line]. Not a measured loop, and never mixed with one.";
    LoopCrossingsPredicted, "loop_crossings_predicted", "", "crossings (predicted)", Model, "How often the fly leg would cross the rod leg at the standard moment, by the line model from the measured path of the tip. Not a measured loop.";
    FlyLegDipPredicted, "fly_leg_dip_predicted_m", "m", "fly leg dip (predicted)", Model, "Dip of the fly leg that the measured path of the tip makes, by the line model. Not a measured loop.";
    SlapTime, "slap_ms", "ms", "slap", Sound, "From rod straight to the click of the line slapping the rod between stripping guide and grip, as heard by the phones, with the sound's way taken off. Phones may write sound some tens of ms early or late: the standard deviation holds that, and within a take it is the same.";
    SlapLevel, "slap_db", "dB", "slap level", Sound, "Power of that click, over 5 ms between 2 and 7 kHz, over the background's, mean of the phones.";
    LoopSymmetry, "loop_symmetry", "", "symmetry", Line, "Loop width divided by that of the stroke before: 1 when back and forward loops are alike.";
    Pause, "pause_s", "s", "pause", Tip, "From the previous stroke's stop to the start of this one.";
    Opposite, "opposite_deg", "deg", "opposite", Tip, "Angle between this chord and the previous stroke's chord; 180 when exactly opposite.";
}

impl FigureId {
    /// It ends at rod straight position: taken from the bend and taken from the speed it is two different figures, for the two moments
    /// lie some hundredths of a second apart, in which a tip goes a quarter of a metre.
    #[must_use]
    pub fn ends_at_rsp(self) -> bool {
        use FigureId as F;
        matches!(
            self,
            F::TRsp
                | F::Duration
                | F::Chord
                | F::ChordAngle
                | F::Travel
                | F::DipDepth
                | F::DipAt
                | F::DomeHeight
                | F::SlpRms
                | F::Straightness
                | F::OffPlaneMax
                | F::LatePower
                | F::FastTime
                | F::ButtSpeed
                | F::LoopWidthProxy
                | F::SlapTime
                | F::Opposite
        )
    }

    /// The figure of a column name.
    #[must_use]
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|id| id.info().key == key)
    }
}

/// Figures of one stroke. A figure that cannot be had is absent from `values` and has its reason in `missing`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Figures {
    /// What was measured.
    pub values: BTreeMap<FigureId, Measured>,
    /// Why the rest was not.
    pub missing: BTreeMap<FigureId, String>,
    /// Of figures that count: probabilities of 0, 1, 2 ... (the last also of more).
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub counts: BTreeMap<FigureId, Vec<f64>>,
}

impl Figures {
    /// The figure, if measured.
    #[must_use]
    pub fn get(&self, id: FigureId) -> Option<Measured> {
        self.values.get(&id).copied()
    }

    /// Enters a figure; an unusable one is entered as missing.
    pub fn set(&mut self, id: FigureId, measured: Measured) {
        if measured.is_usable() {
            self.missing.remove(&id);
            self.values.insert(id, measured);
        } else {
            self.set_missing(id, "not a finite number");
        }
    }

    /// Enters a count by the probabilities of 0, 1, 2 ...: `said` is the value, the sd is its root mean square distance from
    /// what may be true, or as much as makes 1.96 sd reach all that belongs to the likeliest 95 %.
    pub fn set_count(&mut self, id: FigureId, said: usize, probabilities: &[f64]) {
        let total: f64 = probabilities.iter().sum();
        let away = |n: usize| (n as f64 - said as f64).abs();
        let mean_square: f64 =
            probabilities.iter().enumerate().map(|(n, p)| p / total * away(n).powi(2)).sum();
        let mut by_p: Vec<usize> = (0..probabilities.len()).collect();
        by_p.sort_by(|a, b| probabilities[*b].total_cmp(&probabilities[*a]));
        let (mut held, mut reach) = (0.0, 0.0_f64);
        for n in by_p {
            if held >= 0.95 {
                break;
            }
            held += probabilities[n] / total;
            reach = reach.max(away(n));
        }
        self.set(id, Measured::new(said as f64, mean_square.sqrt().max(reach / 1.959)));
        self.counts.insert(id, probabilities.iter().map(|p| p / total).collect());
    }

    /// Enters the reason why a figure cannot be had.
    pub fn set_missing(&mut self, id: FigureId, reason: impl Into<String>) {
        self.values.remove(&id);
        self.counts.remove(&id);
        self.missing.insert(id, reason.into());
    }
}

impl Serialize for FigureId {
    fn serialize<S: serde::Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_str(self.info().key)
    }
}

impl<'de> Deserialize<'de> for FigureId {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let key = String::deserialize(d)?;
        Self::from_key(&key).ok_or_else(|| serde::de::Error::custom(format!("unknown figure {key}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A count is never certain by its draws alone agreeing; its 95 % interval reaches what is left possible.
    #[test]
    fn a_count_owns_what_else_it_may_be() {
        let mut figures = Figures::default();
        figures.set_count(FigureId::SignChanges, 0, &[0.9, 0.0, 0.1]);
        let got = figures.get(FigureId::SignChanges).unwrap();
        assert!((got.value - 0.0).abs() < 1e-12 && got.half_width_95() >= 2.0, "{got:?}");
        figures.set_count(FigureId::SignChanges, 1, &[0.02, 0.97, 0.01]);
        let got = figures.get(FigureId::SignChanges).unwrap();
        assert!((got.sd - 0.03_f64.sqrt()).abs() < 1e-12, "{got:?}");
        assert!((figures.counts[&FigureId::SignChanges].iter().sum::<f64>() - 1.0).abs() < 1e-12);
    }
}
