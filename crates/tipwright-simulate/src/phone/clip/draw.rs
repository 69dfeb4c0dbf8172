//! One frame of a play: people, curves, markers, in the order in which they hide each other.

use nalgebra::Matrix3;

use super::curves::draw_curve;
use super::glints::Glints;
use super::held::draw_held;
use super::{ClipSpec, SpotTruth, blur_px};
use crate::phone::backdrop::Backdrop;
use crate::phone::disc::DiscProfile;
use crate::phone::exposure::Light;
use crate::phone::film::Film;
use crate::phone::lens::see;
use crate::phone::play::{Ball, BodyPart, Play};
use crate::phone::shade::{LitProfile, Sun, Tints, picture_axes};
use crate::phone::shutter::Glimpse;
use crate::phone::skin::{Facing, Skin};
use crate::phone::sprite::Limb;

/// Draws a play frame by frame.
pub(super) struct Drawer<'a> {
    spec: &'a ClipSpec,
    play: &'a Play,
    profiles: Vec<(f64, DiscProfile)>,
    lit: Vec<(f64, Facing, LitProfile)>,
    glints: Glints,
}

impl<'a> Drawer<'a> {
    pub(super) fn new(spec: &'a ClipSpec, play: &'a Play, backdrop: &Backdrop) -> Self {
        Self { spec, play, profiles: Vec::new(), lit: Vec::new(), glints: Glints::new(spec, play, backdrop) }
    }

    pub(super) fn draw_still(&self, film: &mut Film) {
        for part in &self.play.still {
            if let Some((limb, _)) = self.spec.limb(part) {
                film.cover.cover_limb(&limb, blur_px());
                film.paint_still(&part.light.stored());
            }
        }
    }

    pub(super) fn draw(&mut self, film: &mut Film, frame_idx: usize, pts_s: f64, truth: &mut Vec<SpotTruth>) {
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
            draw_curve(self.spec, film, curve, pts_s);
        }
        let still = self.limbs(&self.play.still);
        for ball_idx in 0..self.play.balls.len() {
            truth.extend(self.draw_ball(film, ball_idx, frame_idx, pts_s, &still, &near));
        }
        paint_limbs(film, &near);
        for held in &self.play.cards {
            draw_held(self.spec, film, held, t_s);
        }
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

    /// Brightness of a ball, in the axes of the stored picture.
    fn lit(&mut self, radius_px: f64, sun: &Sun, ball: &Ball, t_s: f64) -> usize {
        let camera = &self.spec.camera;
        let skin = self.play.skin;
        let ray = camera.pose.camera_from_world * (ball.at)(t_s);
        let world_from_picture = picture_axes(camera, &ray.coords);
        let ball_from_world = if skin.has_marks() {
            (ball.turned)(t_s).inverse().to_rotation_matrix().into_inner()
        } else {
            Matrix3::zeros()
        };
        let facing = Facing {
            light: world_from_picture.transpose() * sun.towards_in_world.into_inner(),
            ball_from_picture: ball_from_world * world_from_picture,
        };
        let near =
            |(r, f, _): &(f64, Facing, LitProfile)| (r / radius_px - 1.0).abs() < 0.005 && f.is_near(&facing);
        if let Some(i) = self.lit.iter().position(near) {
            return i;
        }
        if self.lit.len() > 400 {
            self.lit.clear();
        }
        self.lit.push((radius_px, facing, LitProfile::new(radius_px, blur_px(), sun, skin, &facing)));
        self.lit.len() - 1
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
        let is_uneven = self.play.sun.is_some() || self.play.skin != Skin::Even;
        let sun = self.play.sun.unwrap_or_else(Sun::none);
        let lit = is_uneven.then(|| self.lit(radius_px, &sun, ball, middle.t_s));
        let steps = ((streak_px / 0.4).ceil() as usize).clamp(1, 96);
        for k in 0..steps {
            let within_s = shutter.exposure_s * ((k as f64 + 0.5) / steps as f64 - 0.5);
            if let Some(g) = glimpse(within_s) {
                let lit = lit.map(|i| &self.lit[i].2);
                film.cover.add_disc(&g, &self.profiles[profile].1, lit, 1.0 / steps as f32);
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
        if is_uneven {
            film.paint_lit(&Tints::new(ball.light));
        } else {
            film.paint(&ball.light.stored());
        }
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
