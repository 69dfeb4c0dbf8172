//! A take to be filmed: what is cast, and what is wrong with it.

use nalgebra::{Isometry3, Translation3, UnitQuaternion, Vector3};
use tipwright::model::Camera;
use tipwright_day::session::Goal;

use crate::casters::TakePlan;

/// A cast to be simulated.
#[derive(Debug, Clone, PartialEq)]
pub struct Cast {
    /// Manner, strokes, place.
    pub plan: TakePlan,
    /// Scatter from stroke to stroke.
    pub seed: u64,
}

/// A take to film.
pub struct PlannedTake {
    /// Name.
    pub name: String,
    /// Caster id.
    pub caster: String,
    /// Label.
    pub phase: Option<String>,
    /// What is cast.
    pub cast: Cast,
    /// Length of the clips.
    pub duration_s: f64,
    /// What the caster was asked to do.
    pub goal: Option<Goal>,
    /// Someone walks by before the cameras.
    pub passer_by: bool,
    /// What is wrong with it.
    pub fault: Option<Fault>,
    /// A tripod was knocked before it and stands otherwise since the scene was filmed.
    pub knock: Option<Knock>,
}

/// A tripod that was knocked: its camera's pose against the planned one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Knock {
    /// Which camera.
    pub camera_idx: usize,
    /// Turn about the camera's own axes, degrees.
    pub turn_deg: Vector3<f64>,
    /// Shift of its centre in the world.
    pub shift_m: Vector3<f64>,
}

impl Knock {
    /// The camera as it stands since.
    #[must_use]
    pub fn after(&self, camera: &Camera) -> Camera {
        let turn = UnitQuaternion::from_scaled_axis(self.turn_deg.map(f64::to_radians));
        let mut out = camera.clone();
        let centre = camera.pose.camera_from_world.inverse().translation.vector + self.shift_m;
        let rotation = turn * camera.pose.camera_from_world.rotation;
        out.pose.camera_from_world =
            Isometry3::from_parts(Translation3::from(-(rotation * centre)), rotation);
        out
    }
}

/// What can be wrong with a take's clips. Files: the second camera's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// A file of no bytes.
    EmptyFile,
    /// A file that ends in the middle.
    CutOffFile,
    /// A text with the name of a clip.
    TextFile,
    /// A clip of one frame.
    OneFrame,
    /// No marker is worn.
    NoMarkers,
    /// One camera did not film.
    OneCamera,
    /// Cropped in the phone's gallery: the file holds a part of the picture.
    Cropped,
}

impl Fault {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::EmptyFile,
        Self::CutOffFile,
        Self::TextFile,
        Self::OneFrame,
        Self::NoMarkers,
        Self::OneCamera,
        Self::Cropped,
    ];

    /// As written in files and take names.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::EmptyFile => "empty-file",
            Self::CutOffFile => "cut-off-file",
            Self::TextFile => "text-file",
            Self::OneFrame => "one-frame",
            Self::NoMarkers => "no-markers",
            Self::OneCamera => "one-camera",
            Self::Cropped => "cropped",
        }
    }
}
