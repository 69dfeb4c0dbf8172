//! How a made-up stroke goes, and the stroke that comes of it.

use super::*;

/// How one stroke goes.
pub struct Habit {
    direction: Direction,
    duration_s: f64,
    peak_m_s: f64,
    ramp_power: f64,
    dip_m: f64,
    dip_at: f64,
    dome_m: f64,
    lateral_m: f64,
    rise_deg: f64,
    bend_m: f64,
    wobble: f64,
}

impl Habit {
    pub fn draw(rng: &mut ChaCha8Rng, before: bool, direction: Direction) -> Self {
        let fault = if before { 1.0 } else { 0.35 };
        Self {
            direction,
            duration_s: rng.random_range(0.33..0.42),
            peak_m_s: rng.random_range(14.0..19.0),
            // most casts before the lesson bring their power early
            ramp_power: 1.0 + fault * rng.random_range(-0.45..0.1),
            dip_m: fault * rng.random_range(0.01..0.09),
            dip_at: rng.random_range(0.35..0.75),
            dome_m: rng.random_range(0.02..0.12),
            lateral_m: rng.random_range(-0.08..0.08),
            rise_deg: rng.random_range(-3.0..9.0),
            bend_m: rng.random_range(0.45..0.8),
            wobble: fault * rng.random_range(0.0..0.12),
        }
    }

    fn speed(&self, from_rsp_s: f64) -> f64 {
        let share = 1.0 + from_rsp_s / self.duration_s;
        if from_rsp_s > 0.0 {
            return self.peak_m_s * (1.0 + from_rsp_s / 0.02) * (-from_rsp_s / 0.02).exp();
        }
        let ramp = 0.2 + 0.8 * share.max(0.0).powf(self.ramp_power);
        let hump = self.wobble * (-((share - 0.5) / 0.12).powi(2)).exp();
        let slow = if share < 0.0 { 0.2 * (share * self.duration_s / 0.08).exp() } else { ramp + hump };
        self.peak_m_s * slow.min(1.0)
    }

    fn height(&self, u: f64) -> f64 {
        let dome = 4.0 * self.dome_m * u * (1.0 - u);
        let dip = self.dip_m * (-((u - self.dip_at) / 0.13).powi(2)).exp();
        let edge = if u > 1.0 { -1.6 * (u - 1.0).powi(2) } else { 0.0 };
        dome - dip + edge
    }

    fn bend(&self, from_rsp_s: f64) -> f64 {
        if from_rsp_s <= 0.0 {
            let x = (1.0 + from_rsp_s / self.duration_s).max(0.0);
            // Largest at 0.78 of the stroke, where the bracket is 0.187; zero at its end.
            self.bend_m * x.powf(2.5) * (1.0 - x).max(0.0).powf(0.7) / 0.187
        } else {
            -0.34
                * self.bend_m
                * (-from_rsp_s / 0.19).exp()
                * (from_rsp_s * 2.0 * std::f64::consts::PI * 1.9).sin()
        }
    }

    fn butt_angle(&self, from_rsp_s: f64) -> f64 {
        let x = 1.0 / (1.0 + (-(from_rsp_s + 0.12) / 0.04).exp());
        match self.direction {
            Direction::Forward => 128.0 - 74.0 * x,
            Direction::Back => 54.0 + 74.0 * x,
        }
    }

    pub fn stroke(&self, number: u32, from_s: f64, stop_before_s: Option<f64>, butt: bool) -> Stroke {
        let t_rsp = from_s + BEFORE_S + self.duration_s;
        let t_start = from_s + BEFORE_S;
        let steps = ((BEFORE_S + self.duration_s + AFTER_S) / STEP_S) as usize;
        let mut way = 0.0;
        let mut along: Vec<(f64, f64, f64)> = Vec::new();
        for k in 0..steps {
            let t = from_s + k as f64 * STEP_S;
            let v = self.speed(t - t_rsp);
            along.push((t, way, v));
            way += v * STEP_S;
        }
        let at = |t: f64| {
            along.iter().min_by(|a, b| (a.0 - t).abs().total_cmp(&(b.0 - t).abs())).map_or(0.0, |p| p.1)
        };
        let (s0, s1) = (at(t_start), at(t_rsp));
        let chord = s1 - s0;
        let (h0, h1) = (self.height(0.0), self.height(1.0));
        let sign = if self.direction == Direction::Forward { 1.0 } else { -1.0 };
        let (sin, cos) = self.rise_deg.to_radians().sin_cos();
        let samples: Vec<CastSample> = along
            .iter()
            .map(|&(t, way, v)| {
                let s = way - s0;
                let u = s / chord;
                let h = self.height(u) - h0 - (h1 - h0) * u;
                let slope = (self.height(u + 1e-4) - self.height(u - 1e-4)) / 2e-4 / chord;
                let off = self.lateral_m * (std::f64::consts::PI * u).sin() * if u < 0.0 { 0.3 } else { 1.0 };
                CastSample {
                    t_s: t,
                    tip_in_cast: Point3::new(
                        sign * (s * cos - h * sin - 0.5 * chord),
                        off,
                        3.6 + s * sin + h * cos,
                    ),
                    velocity_in_cast_m_s: Vector3::new(sign * v, 0.0, v * slope)
                        / (1.0 + slope * slope).sqrt(),
                    height_sd_m: 0.004 + 0.002 * u.abs(),
                    s_m: s,
                    h_m: h,
                    off_plane_m: off,
                    bend_m: butt.then(|| self.bend(t - t_rsp)),
                    butt_angle_deg: butt.then(|| self.butt_angle(t - t_rsp)),
                }
            })
            .collect();
        let chord_in_cast = [s0, s1].map(|s| {
            let s = s - s0;
            Point3::new(sign * (s * cos - 0.5 * chord), 0.0, 3.6 + s * sin)
        });
        let figures = self.figures(number, &samples, (t_start, t_rsp, chord), stop_before_s, butt);
        Stroke {
            stroke: number,
            direction: self.direction,
            direction_p: 0.98,
            kind: if number == 1 { StrokeKind::PickUp } else { StrokeKind::False },
            kind_p: 0.95,
            views: 2,
            rsp_source: if butt { RspSource::Bend } else { RspSource::Speed },
            loop_shape: None,
            slap: Some(if number == 2 { SlapWord::CouldNotBeHeard } else { SlapWord::Heard }),
            figures,
            cast_from_world: Isometry3::identity(),
            chord_in_cast,
            samples,
        }
    }

    fn figures(
        &self,
        number: u32,
        samples: &[CastSample],
        (t_start, t_rsp, chord): (f64, f64, f64),
        stop_before_s: Option<f64>,
        butt: bool,
    ) -> Figures {
        let mut out = Figures::default();
        let window: Vec<&CastSample> =
            samples.iter().filter(|p| p.t_s >= t_start && p.t_s <= t_rsp).collect();
        let speed = |p: &CastSample| p.velocity_in_cast_m_s.norm();
        let peak = samples.iter().max_by(|a, b| speed(a).total_cmp(&speed(b))).unwrap();
        let stop = samples.iter().find(|p| p.t_s > peak.t_s && speed(p) < 0.2 * speed(peak)).unwrap();
        let half = window.iter().find(|p| speed(p) >= 0.5 * speed(peak)).unwrap();
        let dome = window.iter().map(|p| p.h_m).fold(0.0, f64::max);
        let off = window.iter().map(|p| p.off_plane_m.abs()).fold(0.0, f64::max);
        let rms = (window.iter().map(|p| p.h_m.powi(2)).sum::<f64>() / window.len() as f64).sqrt();
        let largest = window.iter().map(|p| p.h_m.abs()).fold(0.0, f64::max);
        let travel: f64 = window.windows(2).map(|w| (w[1].tip_in_cast - w[0].tip_in_cast).norm()).sum();
        // Depth below the hull: the deepest point under any line between two points before and after it.
        let (mut dip, mut dip_at) = (0.0, 0.5);
        for (j, p) in window.iter().enumerate() {
            for a in &window[..j] {
                for b in &window[j + 1..] {
                    let h = a.h_m + (b.h_m - a.h_m) * (p.s_m - a.s_m) / (b.s_m - a.s_m).max(1e-9);
                    if h - p.h_m > dip {
                        (dip, dip_at) = (h - p.h_m, p.s_m / chord);
                    }
                }
            }
        }
        use FigureId as F;
        let mut set = |id, value, sd| out.set(id, Measured::new(value, sd));
        set(F::TStart, t_start, 0.002);
        set(F::TRsp, t_rsp, 0.0018);
        set(F::TStop, stop.t_s, 0.002);
        set(F::Duration, t_rsp - t_start, 0.0027);
        set(F::Chord, chord, 0.006);
        set(F::ChordAngle, self.rise_deg, 0.3);
        set(F::Travel, travel, 0.007);
        set(F::DipDepth, dip, 0.0041);
        set(F::DipAt, dip_at, 0.02);
        set(F::DomeHeight, dome, 0.0047);
        set(F::SlpRms, rms, 0.003);
        set(F::Straightness, largest / chord, 0.0015);
        set(F::OffPlaneMax, off, 0.009);
        set(F::PeakSpeed, speed(peak), 0.11);
        set(F::PeakLead, (t_rsp - peak.t_s) * 1e3, 2.6);
        set(F::LatePower, (half.t_s - t_start) / (t_rsp - t_start), 0.012);
        set(F::Stop, (stop.t_s - peak.t_s) * 1e3, 2.9);
        set(F::Smoothness, 0.99 - 2.0 * self.wobble.powi(2) - 0.1 * (self.ramp_power - 1.0).powi(2), 0.004);
        set(F::SignChanges, if self.wobble > 0.07 { 2.0 } else { 0.0 }, 0.0);
        if number != 2 {
            set(F::SlapTime, 41.0, 14.3);
            set(F::SlapLevel, 13.2, 1.0);
        } else {
            out.set_missing(
                F::SlapTime,
                "wind or voices are loud near the stop, or the sound has a hole there",
            );
            out.set_missing(
                F::SlapLevel,
                "wind or voices are loud near the stop, or the sound has a hole there",
            );
        }
        let mut set = |id, value, sd| out.set(id, Measured::new(value, sd));
        set(F::Creep, 0.04, 0.012);
        set(F::Drift, 0.11, 0.014);
        if let Some(t) = stop_before_s {
            set(F::Pause, t_start - t, 0.003);
            set(F::Opposite, 180.0 - self.rise_deg.abs() * 0.7, 0.5);
        }
        if butt {
            let angles = |t| self.butt_angle(t - t_rsp);
            let top = window.iter().max_by(|a, b| a.bend_m.unwrap().total_cmp(&b.bend_m.unwrap())).unwrap();
            let counter = samples.iter().filter_map(|p| p.bend_m).fold(0.0, f64::min);
            set(F::Arc, (angles(t_rsp) - angles(t_start)).abs(), 0.6);
            set(F::MaxBend, top.bend_m.unwrap(), 0.011);
            set(F::BendLead, (t_rsp - top.t_s) * 1e3, 3.4);
            set(F::Counterflex, -counter, 0.012);
            set(F::RingFrequency, 1.9, 0.04);
            set(F::RingDamping, 0.44, 0.05);
            set(F::ButtSpeed, 3.4, 0.06);
        } else {
            for id in [
                F::Arc,
                F::MaxBend,
                F::BendLead,
                F::Counterflex,
                F::RingFrequency,
                F::RingDamping,
                F::ButtSpeed,
            ] {
                out.set_missing(id, "no butt markers were worn");
            }
        }
        for id in [F::LoopWidth, F::LoopSpeed, F::FlyLegDip] {
            out.set_missing(id, "the line was not measured");
        }
        if stop_before_s.is_none() {
            out.set_missing(F::Pause, "the first stroke of the take");
            out.set_missing(F::Opposite, "the first stroke of the take");
        }
        out
    }
}
