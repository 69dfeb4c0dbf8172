//! Clips whose time stamps are not their exposures: what the path loses by that, and whether its intervals know.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, Exp1, StandardNormal};
use tipwright::model::{ClipSpots, FrameTimes};

/// A kind of clip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Even exposures, stamps rounded to 1/600 s.
    Ticks600,
    /// Even exposures, stamps of a busy phone: 0.08 ms (standard deviation), late by up to 0.44.
    Android,
    /// Frames dropped, one by one and in rows, stamps rounded to 1 ms.
    Dropped,
    /// The rate changes in mid cast, stamps as of a busy phone.
    Rate,
}

/// How clips are stamped.
#[derive(Debug, Clone, Copy)]
pub struct Stamps {
    pub kind: Kind,
    /// The same exposures with stamps that are right: what there is to lose.
    pub exact: bool,
    /// Stamps taken as they are.
    pub raw: bool,
}

impl Stamps {
    pub fn parse(kind: &str, exact: bool, raw: bool) -> Self {
        let kind = match kind {
            "ticks-600" => Kind::Ticks600,
            "android" => Kind::Android,
            "dropped" => Kind::Dropped,
            "rate" => Kind::Rate,
            _ => panic!("--stamps ticks-600|android|dropped|rate"),
        };
        Self { kind, exact, raw }
    }

    /// When the frames of a clip are exposed, by the phone's clock: from anywhere in a tick, at a rate some parts in a million
    /// beside 240.
    pub fn exposures_s(self, fps: f64, seconds: f64, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let normal: f64 = StandardNormal.sample(rng);
        let step_s = (1.0 + 3e-5 * normal) / fps;
        let mut t_s = rng.random::<f64>() / fps;
        // between 30 and 70 % of the clip
        let change_s = seconds * rng.random_range(0.3..0.7);
        let slower = rng.random_range(1.15..1.6);
        let mut out = Vec::new();
        let mut lose = 0_u32;
        while t_s < seconds {
            if self.kind == Kind::Dropped && lose == 0 && rng.random::<f64>() < 0.01 {
                lose = if rng.random::<f64>() < 0.2 { 6 } else { 1 };
            }
            if lose == 0 {
                out.push(t_s);
            } else {
                lose -= 1;
            }
            t_s += if self.kind == Kind::Rate && t_s > change_s { step_s * slower } else { step_s };
        }
        out
    }

    fn stamps_s(self, exposures_s: &[f64], rng: &mut ChaCha8Rng) -> Vec<f64> {
        let ticks_per_s = match self.kind {
            Kind::Ticks600 => 600.0,
            Kind::Dropped => 1000.0,
            Kind::Android | Kind::Rate => 90_000.0,
        };
        let mut noise = || {
            if !matches!(self.kind, Kind::Android | Kind::Rate) {
                return 0.0;
            }
            let z: f64 = StandardNormal.sample(rng);
            let late: f64 = if rng.random::<f64>() < 0.15 { Exp1.sample(rng) } else { 0.0 };
            2.5e-5 * z + (1.6e-4 * late).min(4.4e-4)
        };
        exposures_s.iter().map(|t| ((t + noise()) * ticks_per_s).round() / ticks_per_s).collect()
    }

    /// Gives a clip, filmed at these exposures, the times that its stamps tell. Also by how much they are late on average: the
    /// clock's zero, which nothing tells and nothing needs.
    pub fn stamp(self, mut clip: ClipSpots, exposures_s: &[f64], rng: &mut ChaCha8Rng) -> (ClipSpots, f64) {
        if self.exact {
            return (clip, 0.0);
        }
        for (frame, stamp_s) in clip.frames.iter_mut().zip(self.stamps_s(exposures_s, rng)) {
            frame.pts_s = stamp_s;
        }
        if !self.raw {
            clip = tipwright::times::timed(&clip.camera, clip.picture, clip.frames, None);
        }
        assert_eq!(clip.frames.len(), exposures_s.len());
        let late: f64 = clip.frames.iter().zip(exposures_s).map(|(f, t)| f.pts_s - t).sum();
        let late_s = late / exposures_s.len() as f64;
        (clip, late_s)
    }
}

/// What was made of a clip's stamps, in words.
pub fn said(times: &FrameTimes) -> String {
    times.in_words().unwrap_or_else(|| "stamps as they are".into())
}
