//! A camera of a take with everything known about it before the path: pose, readout, tracks, first clock.

use std::collections::BTreeMap;

use super::chain::needs;
use super::{PathConfig, PathError, RoleLook, TakeInput};
use crate::model::{CameraPose, ClipSpots, Clock, CoarseOffset, Colour, Lens, Measured};
use crate::tracks::follow::{follow, is_led};
use crate::tracks::pieces::TrackView;
use crate::tracks::tracklets::{Sighting, Tracklet, link, sightings};

/// Readout when nobody knows it, as a share of the frame step, and its standard deviation: published phones read out in
/// 0.45 to 0.97 of it (Ringaby & Forssen, IJCV 96 (2011) 335; Oth et al., CVPR 2013).
const READOUT_SHARE: [f64; 2] = [0.7, 0.2];

/// A camera of a take.
#[derive(Debug, Clone)]
pub(super) struct View<'a> {
    pub name: &'a str,
    /// As the scene corrects it.
    pub lens: Lens,
    pub spots: &'a ClipSpots,
    pub pose: CameraPose,
    /// Position among the scene's cameras.
    pub scene_idx: usize,
    pub readout_s: Measured,
    pub drift: Measured,
    pub coarse_offset: Option<CoarseOffset>,
    /// Known, as a path of other cameras tells it.
    pub offset_on_path_s: Option<f64>,
    pub tracks: BTreeMap<Colour, Vec<Tracklet>>,
    /// First clock, then refined.
    pub clock: Clock,
}

impl View<'_> {
    pub fn tracks_of(&self, colour: Colour) -> &[Tracklet] {
        self.tracks.get(&colour).map_or(&[], Vec::as_slice)
    }

    /// With some tracks, as the search for pieces sees it.
    pub fn with_tracks<'b>(&'b self, tracks: &'b [Tracklet]) -> TrackView<'b> {
        TrackView {
            pose: &self.pose,
            clock: self.clock,
            focal_px: self.lens.fx_px,
            frame_step_s: self.spots.frame_step_s(),
            tracks,
        }
    }

    /// Its sightings of a colour, by frame.
    fn loose(&self, colour: Colour) -> Vec<Vec<Sighting>> {
        let of_frame = |at| sightings(self.spots, &self.lens, self.readout_s.value, colour, at);
        (0..self.spots.frames.len()).map(of_frame).collect()
    }

    /// Starts its clock: this offset, and the drift that is known.
    pub fn start_clock(&mut self, offset_s: f64) {
        self.clock.offset_s = offset_s;
        self.clock.drift = self.drift.value;
    }

    /// Session time of an own time (readout already in it).
    pub fn session_from_own_s(&self, own_s: f64) -> f64 {
        self.clock.offset_s + (1.0 + self.clock.drift) * own_s
    }
}

pub(super) fn views<'a>(input: &TakeInput<'a>, config: &PathConfig) -> Result<Vec<View<'a>>, PathError> {
    let mut out = Vec::with_capacity(input.cameras.len());
    for camera in &input.cameras {
        let name = camera.spots.camera.as_str();
        let scene_idx = input.scene.cameras.iter().position(|c| c.name == name).ok_or_else(|| {
            PathError::UnknownCamera { camera: name.to_string(), take: input.take.to_string() }
        })?;
        if let Some((frame_idx, jump_s)) = camera.spots.stamps_jump() {
            let (camera, take) = (name.to_string(), input.take.to_string());
            return Err(PathError::StampsJump { camera, jump_s, frame_idx, take });
        }
        let known = &input.scene.cameras[scene_idx];
        let step_s = camera.spots.frame_step_s();
        let readout_s = camera.readout_s.unwrap_or_else(|| {
            // below zero: a picture that was turned over
            if known.readout_s != 0.0 && known.readout_sd_s > 0.0 {
                Measured::new(known.readout_s, known.readout_sd_s)
            } else if known.readout_s != 0.0 {
                // stated without a standard deviation: a twentieth of a frame
                Measured::new(known.readout_s, 0.05 * step_s)
            } else {
                Measured::new(READOUT_SHARE[0] * step_s, READOUT_SHARE[1] * step_s)
            }
        });
        let drift = if known.drift_sd > 0.0 && known.drift_sd < config.drift_sd {
            Measured::new(known.drift, known.drift_sd)
        } else {
            Measured::new(0.0, config.drift_sd)
        };
        // the first camera's rate counts as well: it is the session's
        let rates_sd = camera.spots.times.rate_sd().hypot(input.cameras[0].spots.times.rate_sd());
        let drift = Measured::new(drift.value, drift.sd.hypot(rates_sd));
        let lens = input.scene.lens_of(scene_idx, camera.lens);
        let mut tracks = BTreeMap::new();
        for role in &input.roles {
            tracks
                .entry(role.colour)
                .or_insert_with(|| link(camera.spots, &lens, readout_s.value, role.colour, &config.link));
        }
        out.push(View {
            name,
            lens,
            spots: camera.spots,
            pose: known.pose(),
            scene_idx,
            readout_s,
            drift,
            coarse_offset: camera.coarse_offset,
            offset_on_path_s: None,
            tracks,
            clock: Clock { offset_s: 0.0, drift: 0.0, readout_s: readout_s.value },
        });
    }
    Ok(out)
}

/// Gives slow cameras tracks that follow those of faster ones, in place of their own; clocks must be known.
pub(super) fn lead_slow(input: &TakeInput, config: &PathConfig, views: &mut [View]) {
    let step_s = |v: &View| v.spots.frame_step_s();
    for slow in 0..views.len() {
        let leaders = || views.iter().filter(|v| is_led(step_s(&views[slow]), step_s(v)));
        if leaders().next().is_none() {
            continue;
        }
        let mut led: BTreeMap<Colour, Vec<Tracklet>> = BTreeMap::new();
        for (k, look) in input.roles.iter().enumerate() {
            let is_same = |o: &RoleLook| (o.colour, o.diameter_m) == (look.colour, look.diameter_m);
            if input.roles[..k].iter().any(is_same) {
                continue;
            }
            let loose = views[slow].loose(look.colour);
            for fast in leaders() {
                let of_fast = fast.with_tracks(fast.tracks_of(look.colour));
                let own = views[slow].with_tracks(&[]);
                let found = follow(&loose, look.colour, &own, &of_fast, &needs(config, look));
                led.entry(look.colour).or_default().extend(found);
            }
        }
        views[slow].tracks = led;
    }
}
