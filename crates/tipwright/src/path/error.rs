//! Why a take has no path.

/// Why a take has no path. The take is named by the caller.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PathError {
    /// Not two cameras.
    #[error(
        "a path needs clips of two cameras, got {got}; add the missing clip to this take of session.toml: {take}"
    )]
    TooFewCameras {
        /// Cameras with a clip.
        got: usize,
        /// Take.
        take: String,
    },
    /// No tip among the roles.
    #[error("no tip marker is described; add [marker.tip] to session.toml: {take}")]
    NoTipRole {
        /// Take.
        take: String,
    },
    /// One camera, and it looks along the plane.
    #[error(
        "{camera} alone has a clip, and it looks along the plane of the cast ({angle_deg:.0} degrees; {least_deg:.0} at the least): its rays do not tell where the tip is; find the other camera's clip: {take}"
    )]
    AlongPlane {
        /// Camera.
        camera: String,
        /// Angle between its view and the plane.
        angle_deg: f64,
        /// Least that is taken.
        least_deg: f64,
        /// Take.
        take: String,
    },
    /// Not in the scene.
    #[error("camera {camera} is not in the scene; solve the scene again with its wand clip: {take}")]
    UnknownCamera {
        /// Camera.
        camera: String,
        /// Take.
        take: String,
    },
    /// Time stamps that can't be.
    #[error(
        "the time stamps of {camera} jump by {jump_s:.0} s after frame {frame_idx}, which no clip does; copy the original file from the phone again: {take}"
    )]
    StampsJump {
        /// Camera.
        camera: String,
        /// By how much, seconds.
        jump_s: f64,
        /// The frame before.
        frame_idx: u32,
        /// Take.
        take: String,
    },
    /// Nothing followed.
    #[error(
        "camera {camera} shows no moving {colour} marker ({candidates} candidates, none followed over {needed} frames); check [marker.tip] colour, focus and exposure: {take}"
    )]
    NoTrack {
        /// Camera.
        camera: String,
        /// Colour looked for.
        colour: String,
        /// Candidates of that colour.
        candidates: u64,
        /// Frames needed.
        needed: usize,
        /// Take.
        take: String,
    },
    /// No offset at which the cameras agree.
    #[error(
        "{camera} and {first} never agree on one moving marker (best agreement {agreement_percent:.0} %, needed {needed_percent:.0} %): clips of different takes, a camera moved since the scene, or the marker out of sight; check the clip names, or film the wand again: {take}"
    )]
    NoAgreement {
        /// Camera.
        camera: String,
        /// The first camera.
        first: String,
        /// Agreement reached.
        agreement_percent: f64,
        /// Agreement needed.
        needed_percent: f64,
        /// Take.
        take: String,
    },
    /// Tracks exist but no 3D chain.
    #[error(
        "no marker was followed in two cameras at once ({pieces} short pieces); film so that both cameras see the whole cast: {take}"
    )]
    NoChain {
        /// Pieces of 3D track found.
        pieces: usize,
        /// Take.
        take: String,
    },
    /// Something was followed, but nothing that casts.
    #[error(
        "what was followed never moved faster than {fastest_m_s:.1} m/s, which no rod tip does that casts; check [marker.tip] colour and size, or take the clip out of session.toml: {take}"
    )]
    NoCast {
        /// Its fastest.
        fastest_m_s: f64,
        /// Take.
        take: String,
    },
    /// Somebody casts, but not where the wand was waved.
    #[error(
        "what was followed in these clips is {away_m:.1} m from the middle of where the wand was waved ({limit_m:.1} m at most): a neighbour, not this caster; check the tip marker of the take's own rod, or wave the wand where casters stand: {take}"
    )]
    CastsElsewhere {
        /// Distance over the ground.
        away_m: f64,
        /// Farthest that is taken.
        limit_m: f64,
        /// Take.
        take: String,
    },
    /// Two rods, and nothing that tells whose the take is.
    #[error(
        "two rods cast in these clips, {apart_m:.1} m apart, and the scene does not say where the wand was waved; solve the scene again from its wand clips, or film one caster at a time: {take}"
    )]
    TwoCasters {
        /// Distance over the ground.
        apart_m: f64,
        /// Take.
        take: String,
    },
    /// A camera stands quite elsewhere.
    #[error(
        "{camera} has been turned by {turn_deg:.1} degrees since the scene; film the wand again where it stands now, as a [[set_up]] of its own: {take}"
    )]
    Moved {
        /// Camera.
        camera: String,
        /// By how much.
        turn_deg: f64,
        /// Take.
        take: String,
    },
    /// Solved, but the cameras do not show one thing.
    #[error(
        "the cameras disagree by {rms_px:.0} px about what moves ({most_px:.0} at most where they show one marker); check that the clips are of one take, and the lens files: {take}"
    )]
    Disagree {
        /// Root mean square distance between observed and predicted pixels.
        rms_px: f64,
        /// Most that is borne.
        most_px: f64,
        /// Take.
        take: String,
    },
    /// The joint solution failed.
    #[error("{reason}: {take}")]
    Unsolved {
        /// What the solver said.
        reason: String,
        /// Take.
        take: String,
    },
}
