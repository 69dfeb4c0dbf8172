//! One stroke: a forward or back movement of the tip between two reversals.

use nalgebra::{Isometry3, Point3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::figures::{FigureId, Figures};
use super::measured::Measured;
use super::slap::SlapWord;

/// Which way a stroke goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// Toward the target.
    Forward,
    /// Away from it.
    Back,
}

/// What a stroke is for, by what comes before and after it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StrokeKind {
    /// The first of a sequence: takes the line up.
    PickUp,
    /// Between two others, the line in the air.
    #[default]
    False,
    /// The last of a sequence: lays the line down.
    Delivery,
    /// A sequence of its own.
    Single,
}

impl StrokeKind {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::PickUp, Self::False, Self::Delivery, Self::Single];

    /// As in tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::PickUp => "pick-up",
            Self::False => "false",
            Self::Delivery => "delivery",
            Self::Single => "single",
        }
    }

    /// As on pages.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::False => "false cast",
            Self::Single => "single cast",
            other => other.key(),
        }
    }
}

/// What rod straight position was taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RspSource {
    /// The bend's zero crossing after its maximum.
    Bend,
    /// The time of peak tip speed (tip only).
    Speed,
}

impl RspSource {
    /// What most of some strokes take it from; the bend where as many do.
    #[must_use]
    pub fn usual<'a>(strokes: impl IntoIterator<Item = &'a Stroke>) -> Self {
        let more = strokes.into_iter().map(|s| if s.rsp_source == Self::Bend { 1 } else { -1 }).sum::<i64>();
        if more >= 0 { Self::Bend } else { Self::Speed }
    }
}

/// Shape of the loop, FFI Fly Casting Definitions (2025) in our own words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LoopShape {
    /// Fly leg domed away from the rod leg.
    Convex,
    /// Fly leg roughly straight.
    Straight,
    /// Fly leg dips toward the rod leg without crossing it.
    Concave,
    /// Fly leg crosses the rod leg once: closed or trailing.
    Crossing,
    /// Concave fly leg that crosses the rod leg twice: tailing.
    Tailing,
}

/// One instant of a stroke in the cast plane, for plots and pages.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CastSample {
    /// Session time.
    pub t_s: f64,
    /// Tip in the cast frame of the take, metres (+X the way the forward cast travels, +Z up).
    pub tip_in_cast: Point3<f64>,
    /// Its velocity.
    pub velocity_in_cast_m_s: Vector3<f64>,
    /// Standard deviation of height over the chord in the cast plane.
    pub height_sd_m: f64,
    /// Along the chord from its start.
    pub s_m: f64,
    /// Above the chord, normal to it in the cast plane.
    pub h_m: f64,
    /// To the left of the cast plane, seen the way the forward cast travels.
    pub off_plane_m: f64,
    /// Bend of the rod where butt markers are worn; positive when the tip lags behind the stroke, forward or back.
    pub bend_m: Option<f64>,
    /// Elevation of the butt's axis where butt markers are worn, degrees: 0 level the way the forward cast travels,
    /// 90 upright, more than 90 leaning back.
    pub butt_angle_deg: Option<f64>,
}

/// A measured stroke: identity, figures, and what plots need.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stroke {
    /// Counts from 1 within the take.
    pub stroke: u32,
    /// Forward or back.
    pub direction: Direction,
    /// Probability that it goes that way.
    #[serde(default = "unknown")]
    pub direction_p: f64,
    /// What it is for.
    #[serde(default)]
    pub kind: StrokeKind,
    /// Probability that it is of that kind.
    #[serde(default = "unknown")]
    pub kind_p: f64,
    /// Cameras that saw the tip in it; 1: measured in a plane that other takes told.
    #[serde(default = "two")]
    pub views: u8,
    /// Source of t_rsp.
    pub rsp_source: RspSource,
    /// Loop shape where the line was measured.
    pub loop_shape: Option<LoopShape>,
    /// Whether the line was heard to slap the rod; `None` where nobody listened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slap: Option<SlapWord>,
    /// The figures.
    pub figures: Figures,
    /// Cast frame of the take.
    pub cast_from_world: Isometry3<f64>,
    /// Ends of the chord in the cast frame, start first.
    pub chord_in_cast: [Point3<f64>; 2],
    /// The path from the reversal before to the reversal after.
    pub samples: Vec<CastSample>,
}

impl Stroke {
    /// Its figure, to be put beside those of strokes that take rod straight position from `source`: like with like.
    #[must_use]
    pub fn like(&self, id: FigureId, source: RspSource) -> Option<Measured> {
        self.figures.get(id).filter(|_| self.rsp_source == source || !id.ends_at_rsp())
    }
}

fn two() -> u8 {
    2
}

/// Of results kept by a program that did not ask.
fn unknown() -> f64 {
    0.5
}
