//! The nouns of a lens calibration: views, settings, verdicts, result, errors.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::path::PathBuf;

use nalgebra::{Isometry3, SMatrix, Vector2};

use super::coverage::Coverage;
use crate::model::{Board, Lens, Pattern, RawPixel, Warning};

/// One picture of the board.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardView {
    /// File name of a still, or the frame of a clip.
    pub name: String,
    /// The board's points row by row, upright pixels.
    pub corners: Vec<RawPixel>,
    /// Which of the board's points these are, where the view holds a part of the board.
    pub which: Option<Vec<usize>>,
    /// Width of the edges between black and white squares, pixels, where the picture was at hand
    /// (see [`super::edge_width_px`]).
    pub edge_width_px: Option<f64>,
}

impl BoardView {
    /// A view of which only corners are known.
    #[must_use]
    pub fn new(name: impl Into<String>, corners: Vec<RawPixel>) -> Self {
        Self { name: name.into(), corners, which: None, edge_width_px: None }
    }

    /// Those of the board's points that the view holds.
    pub(crate) fn points_of(&self, whole: &[Vector2<f64>]) -> Vec<Vector2<f64>> {
        match &self.which {
            Some(which) => which.iter().filter_map(|i| whole.get(*i)).copied().collect(),
            None => whole.to_vec(),
        }
    }
}

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LensConfig {
    /// Fewest good views. 8: with fewer, the spread between views (the check on the stated sds) rests on too
    /// little, and Zhang (2000, figure 2) finds the error still falling steeply up to there.
    pub min_views: usize,
    /// A view is left out when its rms is more than this many times the median rms of the views in use. 2.0:
    /// corner noise alone spreads the rms of a 42-corner view by 8 %, so twice the median is no chance.
    pub leave_out_factor: f64,
    /// A view with an rms below this is never left out. 0.15 px: what sharp corners of a flat board reach.
    pub leave_out_floor_px: f64,
    /// Corners off a plane's picture by more than this share of their spacing are not the board's corners in
    /// order. 0.25: strong lens distortion stays below 0.1, one swapped corner exceeds it.
    pub max_plane_misfit: f64,
    /// Smallest spacing of neighbouring corners. 8 px: below it the corner search windows overlap.
    pub min_spacing_px: f64,
    /// Edges wider than this share of the corner spacing are smeared. 0.3: the flat parts of neighbouring
    /// squares are about to meet, and the corner search sees blur, not corners.
    pub max_edge_share: f64,
    /// Of the nine parts of the frame, how many must hold corners. 6: a lens known only in the middle bends
    /// everything outside.
    pub min_parts: usize,
    /// Largest relative sd of a focal length. 0.01: one per cent of scale is 30 mm on a 3 m path.
    pub max_focal_sd_relative: f64,
    /// Pictures of a clip that are searched for the board. 160: a board waved for 30 s changes about five
    /// times a second.
    pub pictures_of_clip: usize,
    /// Most views taken from a clip. 50: error falls with the root of the count, and more only costs time.
    pub max_views_of_clip: usize,
    /// Views of a clip whose outer corners all lie within this share of the frame's diagonal of another view's
    /// are the same view twice. 0.03: 66 px at 1080p.
    pub duplicate_share: f64,
}

impl Default for LensConfig {
    fn default() -> Self {
        Self {
            min_views: 8,
            leave_out_factor: 2.0,
            leave_out_floor_px: 0.15,
            max_plane_misfit: 0.25,
            min_spacing_px: 8.0,
            max_edge_share: 0.3,
            min_parts: 6,
            max_focal_sd_relative: 0.01,
            pictures_of_clip: 160,
            max_views_of_clip: 50,
            duplicate_share: 0.03,
        }
    }
}

/// Why a picture is not part of the solution.
#[derive(Debug, Clone, PartialEq)]
pub enum LeftOut {
    /// A file that is no picture.
    NotAPicture(String),
    /// Another size than most pictures of the folder.
    OtherResolution([u32; 2]),
    /// The whole board is not in it.
    NoBoard,
    /// Of a coded board too few codes could be read, or too few corners beside them.
    FewCodes,
    /// Not as many corners as the board has.
    CornerCount {
        /// Corners of the board.
        needed: usize,
        /// Corners given.
        got: usize,
    },
    /// NaN, infinite, or outside the picture.
    OutsidePicture,
    /// Corners so close that their search windows overlap.
    TooSmall {
        /// Smallest spacing.
        spacing_px: f64,
    },
    /// The corners do not lie like a board's.
    CornersMixedUp {
        /// Misfit to any picture of a plane as a share of the spacing.
        misfit: f64,
    },
    /// Smeared by movement or out of focus.
    Smeared {
        /// Width of the edges.
        edge_width_px: f64,
        /// Rms against the solution where it was computed.
        rms_px: Option<f64>,
    },
    /// Does not agree with the other views: rolling shutter during movement, a bent board, glare.
    Inconsistent {
        /// Rms against the solution of the others.
        rms_px: f64,
        /// What would have been accepted.
        limit_px: f64,
    },
    /// Shows the board where another view of the clip already shows it.
    SameAsAnother,
}

impl fmt::Display for LeftOut {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAPicture(reason) => write!(f, "not a picture ({reason})"),
            Self::OtherResolution([w, h]) => write!(f, "{w}x{h}, another size than most pictures here"),
            Self::NoBoard => write!(f, "the whole board was not found in it"),
            Self::FewCodes => write!(f, "too few codes of the board were read in it"),
            Self::CornerCount { needed, got } => write!(f, "{got} corners instead of {needed}"),
            Self::OutsidePicture => write!(f, "corners outside the picture or not numbers"),
            Self::TooSmall { spacing_px } => {
                write!(f, "board too small ({spacing_px:.1} px a square); hold it closer")
            }
            Self::CornersMixedUp { misfit } => {
                write!(f, "corners do not lie like a board's (off by {:.0} % of a square)", 100.0 * misfit)
            }
            Self::Smeared { edge_width_px, rms_px: Some(rms) } => {
                write!(f, "smeared (edges {edge_width_px:.1} px wide, rms {rms:.2} px)")
            }
            Self::Smeared { edge_width_px, rms_px: None } => {
                write!(f, "smeared (edges {edge_width_px:.1} px wide)")
            }
            Self::Inconsistent { rms_px, limit_px } => {
                write!(f, "disagrees with the other views (rms {rms_px:.2} px, limit {limit_px:.2} px)")
            }
            Self::SameAsAnother => write!(f, "the same view as another, less sharp"),
        }
    }
}

/// What became of one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct ViewReport {
    /// Name of the view.
    pub name: String,
    /// `None` when used, else why not.
    pub left_out: Option<LeftOut>,
    /// Rms of its corners against the solution (its own pose refined), where one was computed.
    pub rms_px: Option<f64>,
    /// Angle between the board's normal and the line of sight, degrees.
    pub tilt_deg: Option<f64>,
    /// Width of its edges.
    pub edge_width_px: Option<f64>,
    /// Its corners; empty where there were none.
    pub corners: Vec<RawPixel>,
    /// Pose of the board, metres; the board's origin is its first corner, x along a row, y along a column.
    pub camera_from_board: Option<Isometry3<f64>>,
}

/// A calibrated lens and everything it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct LensCalibration {
    /// The lens, with its own figures filled in.
    pub lens: Lens,
    /// Covariance of fx, fy, cx, cy, k1, k2, p1, p2, k3; the sds in `lens` are its diagonal.
    pub covariance: SMatrix<f64, 9, 9>,
    /// How much larger the sds are than corner noise alone would make them: the disagreement between views (bent
    /// board, rolling shutter), at least 1. Already in the sds.
    pub spread_factor: f64,
    /// The board that the views show; a coded one has said its own counts.
    pub board: Board,
    /// Every picture, in the order given: used and left out.
    pub views: Vec<ViewReport>,
    /// Where in the frame corners were seen.
    pub coverage: Coverage,
    /// What a person should know.
    pub warnings: Vec<Warning>,
}

impl LensCalibration {
    /// Views the lens rests on.
    #[must_use]
    pub fn used_count(&self) -> usize {
        self.views.iter().filter(|v| v.left_out.is_none()).count()
    }
}

/// A board in words.
fn named(board: &Board) -> String {
    let Board { pattern, columns, rows, .. } = board;
    match pattern {
        Pattern::Chessboard => format!("a board of {columns} x {rows} inner corners"),
        Pattern::Circles => format!("a board of {rows} rows of {columns} discs"),
        Pattern::Coded => "a coded board".to_owned(),
    }
}

/// What session.toml says of it.
fn in_session(board: &Board) -> String {
    let Board { pattern, columns, rows, .. } = board;
    match pattern {
        Pattern::Chessboard => format!("board = {{ columns = {columns}, rows = {rows}, ... }}"),
        Pattern::Circles => {
            format!("board = {{ pattern = \"circles\", columns = {columns}, rows = {rows}, ... }}")
        }
        Pattern::Coded => "board = { pattern = \"coded\", ... }".to_owned(),
    }
}

/// How its counts are meant.
fn counted(board: &Board) -> &'static str {
    if board.pattern == Pattern::Chessboard {
        ". Inner corners are counted, one less than squares"
    } else {
        ""
    }
}

/// Why there is no lens.
#[derive(Debug, thiserror::Error)]
pub enum LensError {
    /// Board unusable.
    #[error(
        "the board of {columns} x {rows} inner corners of {square_mm} mm cannot be used; it needs at least 3 x 3 inner corners (2 x 3 discs) and squares of 1 to 1000 mm"
    )]
    Board {
        /// As given.
        columns: u32,
        /// As given.
        rows: u32,
        /// As given.
        square_mm: f64,
    },
    /// Nothing to work from.
    #[error("{needed} good views of the board are needed and {got} were found ({left_out}); {remedy}")]
    TooFewViews {
        /// Fewest.
        needed: usize,
        /// Good ones.
        got: usize,
        /// Counts of those left out, by reason.
        left_out: String,
        /// What to do.
        remedy: String,
        /// Every picture and what became of it.
        views: Vec<ViewReport>,
    },
    /// Pictures of another board.
    #[error(
        "{pictures} of the first {searched} pictures show {} and none shows {}; say --board {seen} (in session.toml: {}){}",
        named(seen),
        named(said),
        in_session(seen),
        counted(seen)
    )]
    OtherBoard {
        /// As said.
        said: Board,
        /// What the pictures show.
        seen: Board,
        /// Pictures that show it.
        pictures: usize,
        /// Pictures searched.
        searched: usize,
    },
    /// Corners seen in too small a part of the frame.
    #[error(
        "the board was seen in only {parts} of the 9 parts of the frame; nothing in: {missing}. Film the board again and carry it into those parts, also close to the edges"
    )]
    PoorCoverage {
        /// Parts with corners.
        parts: usize,
        /// Names of the empty ones.
        missing: String,
        /// What was seen, for the picture.
        coverage: Box<Coverage>,
    },
    /// Focal length not determined.
    #[error(
        "the focal length stays uncertain by {sd_percent:.1} % (limit {limit_percent:.1} %): the board was tilted by at most {tilt_deg:.0} degrees. Film it again, tilted by 30 to 45 degrees to the left, right, up and down"
    )]
    NoTilt {
        /// Relative sd in per cent.
        sd_percent: f64,
        /// Limit.
        limit_percent: f64,
        /// Largest tilt seen.
        tilt_deg: f64,
    },
    /// No start or no end of the adjustment.
    #[error(
        "no lens explains the {views} views (best rms {rms_px:.1} px): is the board really {columns} x {rows}, flat, and was the zoom left alone?"
    )]
    NoSolution {
        /// Views tried.
        views: usize,
        /// Best rms.
        rms_px: f64,
        /// Board.
        columns: u32,
        /// Board.
        rows: u32,
    },
    /// The clip or folder cannot be read.
    #[error("{0}")]
    Footage(#[from] crate::model::footage::FootageError),
    /// A folder that cannot be listed.
    #[error("the folder cannot be read ({reason}); check that it is there and yours to read: {}", path.display())]
    Folder {
        /// What the system said.
        reason: String,
        /// Folder.
        path: PathBuf,
    },
    /// A lens file that cannot be used.
    #[error("not a usable lens file: {reason}; make it again with `tipwright lens`: {}", path.display())]
    LensFile {
        /// What is wrong.
        reason: String,
        /// File.
        path: PathBuf,
    },
}
