//! Films a play with a phone into a clip file, and says where the markers truly were.

use std::path::PathBuf;

use nalgebra::Point3;
use rand::RngExt;
use tipwright::model::{Camera, RawPixel};
use tipwright_footage::encode::{ClipEncoder, Depth, EncodeConfig, EncodeError, SoundTrack};

use super::backdrop::Backdrop;
use super::exposure::Light;
use super::film::Film;
use super::lens::see;
use super::noise::{NoiseModel, NoiseTile, stream};
use super::play::{Ball, BodyPart, Curve, Play};
use super::shutter::{Glimpse, Shutter};
use super::sound::{Microphone, record};
use super::sprite::{CurvePoint, DiscProfile, Limb};

/// Blur of lens and sensor, standard deviation: about what a phone's main camera shows (from memory).
pub const PSF_PX: f64 = 0.55;

/// Blur of lens and pixel together.
#[must_use]
pub fn blur_px() -> f64 {
    (PSF_PX * PSF_PX + 1.0 / 12.0).sqrt()
}

/// Automatic exposure left on: the picture's brightness swings slowly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExposureSwing {
    /// Largest change, as a fraction.
    pub amount: f64,
    /// Period.
    pub period_s: f64,
}

/// How one clip is filmed.
pub struct ClipSpec {
    /// File.
    pub path: PathBuf,
    /// Name for the random numbers: a clip's noise does not depend on other clips.
    pub name: String,
    /// Lens, place, picture.
    pub camera: Camera,
    /// Clock, exposure, readout.
    pub shutter: Shutter,
    /// Presentation time of every frame as captured, ticks.
    pub captured_ticks: Vec<i64>,
    /// The file's ticks are the captured ones times this (slow motion).
    pub slowed_by: i64,
    /// How to encode.
    pub encode: EncodeConfig,
    /// Noise.
    pub noise: NoiseModel,
    /// Automatic exposure.
    pub exposure_swing: Option<ExposureSwing>,
    /// Sound, when recorded.
    pub microphone: Option<Microphone>,
    /// Seed of the day.
    pub seed: u64,
}

/// Where a marker truly was in one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotTruth {
    /// Frame.
    pub frame_idx: u32,
    /// Presentation time as captured (re-timed clips: after re-timing).
    pub pts_s: f64,
    /// Which ball.
    pub role: String,
    /// Upright pixel in the middle of the exposure of its row.
    pub at: RawPixel,
    /// World time of that.
    pub t_s: f64,
    /// Length of its path during the exposure.
    pub streak_px: f64,
    /// In the picture and not hidden.
    pub visible: bool,
}

impl ClipSpec {
    /// Captured presentation time of a frame.
    #[must_use]
    pub fn pts_s(&self, frame_idx: usize) -> f64 {
        self.captured_ticks[frame_idx] as f64 / f64::from(self.encode.ticks_per_s)
    }

    fn focal_px(&self) -> f64 {
        0.5 * (self.camera.lens.fx_px + self.camera.lens.fy_px)
    }

    fn limb(&self, part: &BodyPart) -> Option<(Limb, f64)> {
        let (a, b) = (see(&self.camera, &part.a)?, see(&self.camera, &part.b)?);
        let f = self.focal_px();
        let end = |s: super::lens::Seen, radius_m: f64| CurvePoint {
            u_px: s.u_px,
            v_px: s.v_px,
            half_px: f * radius_m / s.depth_m,
        };
        Some((Limb { a: end(a, part.radius_a_m), b: end(b, part.radius_b_m) }, a.depth_m.min(b.depth_m)))
    }
}

/// Every this many frames the clouds move on.
const SKY_EVERY: usize = 24;

/// Films a clip. `progress` is called after every frame.
///
/// # Errors
/// The file cannot be written.
pub fn film_clip(
    spec: &ClipSpec,
    backdrop: &Backdrop,
    play: &Play,
    progress: &dyn Fn(),
) -> Result<Vec<SpotTruth>, EncodeError> {
    let mut encode = spec.encode.clone();
    if let (Some(microphone), Some(last)) = (&spec.microphone, spec.captured_ticks.last()) {
        let duration_s = (*last as f64 + 750.0) / f64::from(encode.ticks_per_s);
        let samples = record(
            microphone,
            &play.claps,
            &spec.shutter.clock,
            duration_s,
            stream_seed(spec.seed, &spec.name),
        );
        if let Some(track) = &mut encode.sound {
            track.samples = samples;
        } else {
            encode.sound = Some(SoundTrack {
                samples,
                rate_hz: microphone.rate_hz,
                codec: tipwright_footage::encode::SoundCodec::Aac,
            });
        }
    }
    let ten_bits = encode.depth == Depth::Bits10;
    let noise = NoiseTile::new(spec.noise, stream_seed(spec.seed, "noise tile"));
    let mut film = Film::new(backdrop, noise, stream(spec.seed, &format!("{} noise", spec.name)), ten_bits);
    let mut encoder = ClipEncoder::create(&spec.path, encode)?;
    let mut drawer = Drawer { spec, play, profiles: Vec::new(), glints: Glints::new(spec, play, backdrop) };
    let mut truth = Vec::new();
    for frame_idx in 0..spec.captured_ticks.len() {
        let pts_s = spec.pts_s(frame_idx);
        if frame_idx == 0 || (frame_idx % SKY_EVERY == 0 && backdrop.changes()) {
            film.refresh_sky(backdrop, spec.shutter.clock.session_s(pts_s, 0.0));
            drawer.draw_still(&mut film);
            film.settle();
        }
        if let Some(swing) = spec.exposure_swing {
            // in steps, as a phone does
            let x = (std::f64::consts::TAU * pts_s / swing.period_s).sin();
            film.set_exposure((1.0 + swing.amount * (x * 8.0).round() / 8.0) as f32);
        }
        drawer.draw(&mut film, frame_idx, pts_s, &mut truth);
        encoder.push(&film.develop(), spec.captured_ticks[frame_idx] * spec.slowed_by)?;
        film.wipe();
        progress();
    }
    encoder.finish()?;
    Ok(truth)
}

pub(crate) fn stream_seed(seed: u64, name: &str) -> u64 {
    stream(seed, name).random()
}

struct Drawer<'a> {
    spec: &'a ClipSpec,
    play: &'a Play,
    profiles: Vec<(f64, DiscProfile)>,
    glints: Glints,
}

impl Drawer<'_> {
    fn draw_still(&self, film: &mut Film) {
        for part in &self.play.still {
            if let Some((limb, _)) = self.spec.limb(part) {
                film.cover.cover_limb(&limb, blur_px());
                film.paint_still(&part.light.stored());
            }
        }
    }

    fn draw(&mut self, film: &mut Film, frame_idx: usize, pts_s: f64, truth: &mut Vec<SpotTruth>) {
        let t_s = self.spec.shutter.clock.session_s(pts_s, 0.0);
        self.glints.draw(film, t_s);
        let subject_m = self.play.balls.first().and_then(|b| see(&self.spec.camera, &(b.at)(t_s)));
        let subject_m = subject_m.map_or(f64::INFINITY, |s| s.depth_m);
        let mut near = Vec::new();
        for person in &self.play.people {
            let limbs = self.limbs(&(person.parts_at)(t_s));
            if limbs.iter().map(|(_, depth_m, _)| *depth_m).fold(f64::INFINITY, f64::min) < subject_m {
                near.extend(limbs);
            } else {
                paint_limbs(film, &limbs);
            }
        }
        if let Some(arms) = &self.play.arms {
            paint_limbs(film, &self.limbs(&(arms.parts_at)(t_s)));
        }
        for curve in &self.play.curves {
            self.draw_curve(film, curve, pts_s);
        }
        let still = self.limbs(&self.play.still);
        for ball_idx in 0..self.play.balls.len() {
            truth.extend(self.draw_ball(film, ball_idx, frame_idx, pts_s, &still, &near));
        }
        paint_limbs(film, &near);
    }

    fn limbs(&self, parts: &[BodyPart]) -> Vec<(Limb, f64, Light)> {
        parts
            .iter()
            .filter_map(|p| self.spec.limb(p).map(|(limb, depth_m)| (limb, depth_m, p.light)))
            .collect()
    }

    fn profile(&mut self, radius_px: f64) -> usize {
        // radii closer than half a per cent share a profile
        if let Some(i) = self.profiles.iter().position(|(r, _)| (r / radius_px - 1.0).abs() < 0.005) {
            return i;
        }
        if self.profiles.len() > 400 {
            self.profiles.clear();
        }
        self.profiles.push((radius_px, DiscProfile::new(radius_px, blur_px())));
        self.profiles.len() - 1
    }

    fn draw_ball(
        &mut self,
        film: &mut Film,
        ball_idx: usize,
        frame_idx: usize,
        pts_s: f64,
        still: &[(Limb, f64, Light)],
        near: &[(Limb, f64, Light)],
    ) -> Option<SpotTruth> {
        let spec = self.spec;
        let ball: &Ball = &self.play.balls[ball_idx];
        let shutter = &spec.shutter;
        let glimpse = |within_s: f64| shutter.glimpse(&spec.camera, pts_s, within_s, &*ball.at);
        let middle = glimpse(0.0)?;
        let half_s = shutter.exposure_s / 2.0;
        let (first, last) = (glimpse(-half_s)?, glimpse(half_s)?);
        let streak_px = path_px(&first, &middle) + path_px(&middle, &last);
        let radius_px = spec.focal_px() * ball.diameter_m / 2.0 / middle.seen.depth_m;
        let profile = self.profile(radius_px);
        let steps = ((streak_px / 0.4).ceil() as usize).clamp(1, 96);
        for k in 0..steps {
            let within_s = shutter.exposure_s * ((k as f64 + 0.5) / steps as f64 - 0.5);
            if let Some(g) = glimpse(within_s) {
                film.cover.add_disc(&g, &self.profiles[profile].1, 1.0 / steps as f32);
            }
        }
        let mut hidden = 0.0_f32;
        for (limb, depth_m, _) in still {
            if *depth_m < middle.seen.depth_m - 0.05 {
                hidden = hidden.max(limb.coverage(middle.seen.u_px, middle.seen.v_px, blur_px()));
                film.cover.hide_behind(limb, blur_px());
            }
        }
        for (limb, ..) in near {
            hidden = hidden.max(limb.coverage(middle.seen.u_px, middle.seen.v_px, blur_px()));
        }
        film.paint(&ball.light.stored());
        let [w, h] = spec.camera.picture.stored_px.map(f64::from);
        let (u, v) = (middle.seen.u_px, middle.seen.v_px);
        let inside = u > -0.5 && v > -0.5 && u < w - 0.5 && v < h - 0.5;
        Some(SpotTruth {
            frame_idx: frame_idx as u32,
            pts_s,
            role: ball.role.clone(),
            at: spec.camera.picture.upright_from_stored(u, v),
            t_s: middle.t_s,
            streak_px,
            visible: inside && hidden < 0.5,
        })
    }

    /// A curve over the exposure: nodes are seen at a few instants that span all rows, then each node is taken at the
    /// time of its own row, between those instants linearly (20 m/s and 500 m/s2 at 2 ms steps: 0.05 px).
    fn draw_curve(&self, film: &mut Film, curve: &Curve, pts_s: f64) {
        const INSTANTS: usize = 5;
        let shutter = &self.spec.shutter;
        let start_s = shutter.row_s(pts_s, 0.0) - shutter.exposure_s / 2.0;
        let end_s = shutter.row_s(pts_s, shutter.rows - 1.0) + shutter.exposure_s / 2.0;
        let f = self.spec.focal_px();
        let tracks: Vec<Vec<Option<CurvePoint>>> = (0..INSTANTS)
            .map(|i| {
                let t_s = start_s + (end_s - start_s) * i as f64 / (INSTANTS - 1) as f64;
                let nodes: Vec<Point3<f64>> = (curve.nodes_at)(t_s);
                nodes
                    .iter()
                    .zip(&curve.diameters_m)
                    .map(|(p, diameter_m)| {
                        see(&self.spec.camera, p).map(|s| CurvePoint {
                            u_px: s.u_px,
                            v_px: s.v_px,
                            half_px: f * diameter_m / 2.0 / s.depth_m,
                        })
                    })
                    .collect()
            })
            .collect();
        let at = |node: usize, t_s: f64| -> Option<CurvePoint> {
            let x = ((t_s - start_s) / (end_s - start_s)).clamp(0.0, 1.0) * (INSTANTS - 1) as f64;
            let i = (x as usize).min(INSTANTS - 2);
            let a = x - i as f64;
            let (p, q) = (tracks[i][node]?, tracks[i + 1][node]?);
            Some(CurvePoint {
                u_px: p.u_px + (q.u_px - p.u_px) * a,
                v_px: p.v_px + (q.v_px - p.v_px) * a,
                half_px: p.half_px + (q.half_px - p.half_px) * a,
            })
        };
        let nodes = tracks[0].len();
        let seen_at = |within_s: f64| -> Vec<Option<CurvePoint>> {
            (0..nodes)
                .map(|node| {
                    let mut p = tracks[INSTANTS / 2][node]?;
                    for _ in 0..3 {
                        p = at(
                            node,
                            shutter.row_s(pts_s, p.v_px.clamp(-200.0, shutter.rows + 200.0)) + within_s,
                        )?;
                    }
                    Some(p)
                })
                .collect()
        };
        let (first, last) = (seen_at(-shutter.exposure_s / 2.0), seen_at(shutter.exposure_s / 2.0));
        let steps = ((moved_across_px(&first, &last) / 0.7).ceil() as usize).clamp(1, 40);
        for k in 0..steps {
            let points = seen_at(shutter.exposure_s * ((k as f64 + 0.5) / steps as f64 - 0.5));
            // pieces between points that cannot be seen
            for piece in points.split(Option::is_none) {
                let mut piece: Vec<CurvePoint> = piece.iter().flatten().copied().collect();
                if curve.is_smooth {
                    piece = rounded(&piece);
                }
                film.cover.add_curve(&piece, blur_px(), 1.0 / steps as f32);
            }
        }
        film.paint(&curve.light.stored());
    }
}

/// Largest movement of a curve across itself: what moves along itself leaves no streak.
fn moved_across_px(first: &[Option<CurvePoint>], last: &[Option<CurvePoint>]) -> f64 {
    let along = |points: &[Option<CurvePoint>], i: usize| -> Option<(f64, f64)> {
        let (a, b) = (points[i.saturating_sub(1)]?, points[(i + 1).min(points.len() - 1)]?);
        let (du, dv) = (b.u_px - a.u_px, b.v_px - a.v_px);
        let length = du.hypot(dv);
        (length > 1e-6).then_some((du / length, dv / length))
    };
    (0..first.len())
        .filter_map(|i| {
            let (a, b) = (first[i]?, last[i]?);
            let (du, dv) = (b.u_px - a.u_px, b.v_px - a.v_px);
            // at the nose the curve turns by a lot from node to node: there any movement counts
            let across = match (along(first, i), along(last, i)) {
                (Some((cu, cv)), Some((su, sv))) if cu * su + cv * sv > 0.98 => (du * cv - dv * cu).abs(),
                _ => du.hypot(dv),
            };
            Some(across)
        })
        .fold(0.0, f64::max)
}

/// Puts points between the nodes where the curve turns, on a cubic through them (Catmull-Rom).
fn rounded(nodes: &[CurvePoint]) -> Vec<CurvePoint> {
    let n = nodes.len();
    if n < 3 {
        return nodes.to_vec();
    }
    let mut out = Vec::with_capacity(2 * n);
    for i in 0..n - 1 {
        let [p, a, b, q] = [i.saturating_sub(1), i, i + 1, (i + 2).min(n - 1)].map(|k| nodes[k]);
        out.push(a);
        // how far the cubic leaves the straight piece, about an eighth of its second difference
        let bulge = |p: f64, a: f64, b: f64, q: f64| (p - a - b + q).abs() / 16.0;
        let off_px = bulge(p.u_px, a.u_px, b.u_px, q.u_px) + bulge(p.v_px, a.v_px, b.v_px, q.v_px);
        let pieces = ((off_px / 0.02).sqrt().ceil() as usize).clamp(1, 8);
        for k in 1..pieces {
            let u = k as f64 / pieces as f64;
            let at = |p: f64, a: f64, b: f64, q: f64| {
                a + 0.5 * u * (b - p + u * (2.0 * p - 5.0 * a + 4.0 * b - q + u * (3.0 * (a - b) + q - p)))
            };
            out.push(CurvePoint {
                u_px: at(p.u_px, a.u_px, b.u_px, q.u_px),
                v_px: at(p.v_px, a.v_px, b.v_px, q.v_px),
                half_px: a.half_px + u * (b.half_px - a.half_px),
            });
        }
    }
    out.push(nodes[n - 1]);
    out
}

fn path_px(a: &Glimpse, b: &Glimpse) -> f64 {
    (a.seen.u_px - b.seen.u_px).hypot(a.seen.v_px - b.seen.v_px)
}

fn paint_limbs(film: &mut Film, limbs: &[(Limb, f64, Light)]) {
    for (limb, _, light) in limbs {
        film.cover.cover_limb(limb, blur_px());
        film.paint(&light.stored());
    }
}

/// Flashes of the sun on ripples: short, tiny, white.
struct Glints {
    flashes: Vec<Flash>,
    profile: DiscProfile,
}

struct Flash {
    start_s: f64,
    end_s: f64,
    u_px: f64,
    v_px: f64,
}

impl Glints {
    fn new(spec: &ClipSpec, play: &Play, backdrop: &Backdrop) -> Self {
        let mut rng = stream(spec.seed, &format!("{} glints", spec.name));
        let last = spec.captured_ticks.len().saturating_sub(1);
        let (start_s, end_s) = (
            spec.shutter.clock.session_s(spec.pts_s(0), 0.0),
            spec.shutter.clock.session_s(spec.pts_s(last), 0.0),
        );
        let count = if backdrop.water.is_empty() { 0.0 } else { play.glints_per_s * (end_s - start_s) };
        let mut flashes: Vec<Flash> = (0..count as usize)
            .map(|_| {
                let [u, v] = backdrop.water[rng.random_range(0..backdrop.water.len())];
                let at_s = start_s + (end_s - start_s) * rng.random::<f64>();
                let lasts_s = 0.03 + 0.15 * rng.random::<f64>();
                Flash { start_s: at_s, end_s: at_s + lasts_s, u_px: f64::from(u), v_px: f64::from(v) }
            })
            .collect();
        flashes.sort_by(|a, b| a.start_s.total_cmp(&b.start_s));
        Self { flashes, profile: DiscProfile::new(1.6, blur_px()) }
    }

    fn draw(&self, film: &mut Film, t_s: f64) {
        let mut any = false;
        for f in self.flashes.iter().filter(|f| f.start_s <= t_s && t_s < f.end_s) {
            let glimpse = Glimpse {
                seen: super::lens::Seen { u_px: f.u_px, v_px: f.v_px, depth_m: 20.0 },
                t_s,
                du_per_row: 0.0,
                dv_per_row: 0.0,
            };
            film.cover.add_disc(&glimpse, &self.profile, 1.0);
            any = true;
        }
        if any {
            film.paint(&Light::new(0.9, 0.92, 0.95).stored());
        }
    }
}
