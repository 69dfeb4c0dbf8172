//! One camera alone, and the vertical plane that the caster will cast in, from a wand hung still from one end at two places of it.
//!
//! 1. `stays`: marks that keep still for a while; two of them above each other are the wand, which was elsewhere before or after.
//! 2. `fit`: the four ends as they were seen, the wand's length and that it hung plumb are a least squares in the camera's pose, the
//!    places and the lens. Each wand lies in a plane with the vertical and the camera, and the two planes meet in the vertical; how long
//!    each looks is how far away it is.
//!
//! World: +Z up; the middle of the two places is the origin; +X from the place of which was filmed first to the other. So the plane
//! is y = 0 by definition, and all that is not known of it is in the camera's pose ([`Scene::set_up_covariance`]).

mod fit;
mod stays;
#[cfg(test)]
mod tests;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::wand::WandConfig;
use crate::model::{ClipSpots, Colour, Lens, Measured, Scene, Warning};

/// Everything that it rests on.
#[derive(Debug, Clone)]
pub struct HungInput<'a> {
    /// Lens.
    pub lens: &'a Lens,
    /// Candidates of the clip that shows the wand hung at both places; it names the camera.
    pub clip: &'a ClipSpots,
    /// Readout known from elsewhere (session.toml), seconds.
    pub readout_s: Option<Measured>,
    /// Between the centres of the wand's markers, with the standard deviation of that measurement.
    pub length_m: Measured,
    /// Diameter of its markers.
    pub diameter_m: f64,
    /// Colours to try, in order.
    pub colours: Vec<Colour>,
}

/// Settings of [`solve_hung`]; of linking, lenses, how phones are levelled and how large markers look it takes the waved wand's
/// ([`WandConfig`]).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HungConfig {
    /// Seconds that the wand is still at a place, at least. 1.5: one swing of a wand of a metre.
    pub shortest_s: f64,
    /// What stays within this angle for a second is still, radians. 0.03: a quarter of a metre at eight metres; a hung wand swings by a few
    /// centimetres, and who carries one goes half a metre a second and more.
    pub still_rad: f64,
    /// A hung wand is plumb to this, radians, one standard deviation of each direction. 2 mrad: held between two fingers friction keeps
    /// half a kilogram of wood from its lowest place by up to 5 mrad (a pivot of 5 mm, friction 0.5, the middle half a metre below), and
    /// markers sit a millimetre off the line through its middle.
    pub plumb_sd_rad: f64,
    /// The two places are farther apart than this, metres. 1: nearer, a few centimetres that each is off turn the plane by more than
    /// casters do.
    pub least_apart_m: f64,
    /// And nearer than this: what comes out farther is no wand. 8: nobody carries it farther along a cast than it is filmed from.
    pub most_apart_m: f64,
}

impl Default for HungConfig {
    fn default() -> Self {
        Self { shortest_s: 1.5, still_rad: 0.03, plumb_sd_rad: 2e-3, least_apart_m: 1.0, most_apart_m: 8.0 }
    }
}

/// A solved set-up of one camera.
#[derive(Debug, Clone, PartialEq)]
pub struct HungSolution {
    /// Pose, and what was found of the wands ([`Scene::hung`]).
    pub scene: Scene,
    /// Colour the wand was found in.
    pub colour: Colour,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

/// Why there is no plane.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum HungError {
    /// Length of 0.
    #[error(
        "the wand's length is {length_m} m; measure it between the centres of its markers and set [wand] length_m"
    )]
    BadLength {
        /// As given.
        length_m: f64,
    },
    /// Time stamps that can't be.
    #[error(
        "the time stamps of the plumb clip of {camera} jump by {jump_s:.0} s after frame {frame_idx}, which no clip does; copy the original file from the phone again"
    )]
    StampsJump {
        /// Camera.
        camera: String,
        /// By how much, seconds.
        jump_s: f64,
        /// The frame before.
        frame_idx: u32,
    },
    /// Nothing hangs.
    #[error(
        "the plumb clip of {camera} shows no wand that hangs still (colours tried: {colours}): two marks above each other as large as its markers are, for {shortest_s:.1} s and more; check [wand] colour, length_m and diameter_mm, and that both its ends are in the picture and in the light"
    )]
    NoWand {
        /// Camera.
        camera: String,
        /// Colours tried.
        colours: String,
        /// Seconds that are needed.
        shortest_s: f64,
    },
    /// One place.
    #[error(
        "the plumb clip of {camera} shows the wand hung still at one place only ({from_s:.1} to {to_s:.1} s), which tells no plane; film it hung still for five seconds where the caster will stand, carried, and hung still for five seconds two to four metres ahead, in one clip"
    )]
    OnePlace {
        /// Camera.
        camera: String,
        /// Where it hangs, seconds of the clip.
        from_s: f64,
        /// The same.
        to_s: f64,
    },
    /// Other marks are as good.
    #[error(
        "in the plumb clip of {camera} other marks than the wand's could be its ends just as well; film it before a plainer background, or give its markers a colour that nothing else there has"
    )]
    Ambiguous {
        /// Camera.
        camera: String,
    },
    /// Too near to each other, or too far.
    #[error(
        "the two places of the wand in the plumb clip of {camera} come out {apart_m:.1} m apart, where {least_m:.0} to {most_m:.0} m tell a plane; hang it two to four metres apart, and check [wand] length_m"
    )]
    Apart {
        /// Camera.
        camera: String,
        /// Metres.
        apart_m: f64,
        /// The least.
        least_m: f64,
        /// The most.
        most_m: f64,
    },
    /// It cannot have hung.
    #[error(
        "the wand of the plumb clip of {camera} hung aslant at one of its places or the phone was turned: the vertical comes out {roll_deg:.0} degrees beside the picture's and {pitch_deg:.0} degrees from level along the line of sight; hang it freely from one end, touched by nothing else, and let it come to rest"
    )]
    Aslant {
        /// Camera.
        camera: String,
        /// About the line of sight, degrees.
        roll_deg: f64,
        /// Up or down, degrees.
        pitch_deg: f64,
    },
    /// No pose explains it.
    #[error(
        "no pose of {camera} explains the wand of its plumb clip; check that the lens file belongs to this phone and mode, and hang the wand again"
    )]
    Unsolved {
        /// Camera.
        camera: String,
    },
}

/// Solves pose and plane from the plumb clip of one camera.
///
/// # Errors
/// See [`HungError`].
pub fn solve_hung(input: &HungInput, config: &WandConfig) -> Result<HungSolution, HungError> {
    if !(input.length_m.is_usable() && input.length_m.value > 0.0) {
        return Err(HungError::BadLength { length_m: input.length_m.value });
    }
    if let Some((frame_idx, jump_s)) = input.clip.stamps_jump() {
        return Err(HungError::StampsJump { camera: input.clip.camera.clone(), jump_s, frame_idx });
    }
    let mut failure = None;
    for &colour in &input.colours {
        match stays::placements(input, config, colour) {
            Ok(found) => {
                let scene = fit::scene(input, config, &found)?;
                return Ok(HungSolution { scene, colour, warnings: found.warnings });
            }
            // a colour in which a wand was seen says more than one in which none was
            Err(e) if failure.is_none() || !matches!(e, HungError::NoWand { .. }) => failure = Some(e),
            Err(_) => {}
        }
    }
    Err(failure.unwrap_or_else(|| no_wand(input, &config.hung)))
}

fn no_wand(input: &HungInput, config: &HungConfig) -> HungError {
    let colours: Vec<String> = input.colours.iter().map(ToString::to_string).collect();
    HungError::NoWand {
        camera: input.clip.camera.clone(),
        colours: colours.join(", "),
        shortest_s: config.shortest_s,
    }
}
