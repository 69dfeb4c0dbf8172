//! The nouns every stage speaks: cameras, clocks, sessions, footage, candidates, paths, strokes, figures.

pub mod board;
pub mod camera;
pub mod clock;
pub mod consistency;
pub mod evidence;
pub mod figures;
pub mod film;
pub mod footage;
pub mod frame_times;
pub mod hung_wands;
pub mod line;
pub mod measured;
pub mod path;
pub mod results;
pub mod scene;
pub mod slap;
pub mod spot;
pub mod still;
pub mod stroke;
pub mod tip_plane;
pub mod verdict;

pub use board::{Board, NotABoard, Pattern, board_of};
pub use camera::{Camera, CameraPose, Lens, Picture, RawPixel, Rotation, UndistortedRay};
pub use clock::{Clock, CoarseOffset, OffsetSource};
pub use figures::{FigureId, Figures};
pub use frame_times::FrameTimes;
pub use hung_wands::HungWands;
pub use measured::Measured;
pub use path::{MarkerPath, PathDraw, PathDraws, PathSample, RodPaths};
pub use results::{
    MovedCamera, ReportUnits, RodSample, SessionResults, TakeCameraFit, TakeClock, TakeResults, TakeStatus,
    Tally,
};
pub use scene::{LensCorrection, Scene, SceneCamera, SceneQuality};
pub use slap::SlapWord;
pub use spot::{Candidate, ClipSpots, Colour, FrameSpots, Role, Streak, ball_area_px2};
pub use still::{Landmark, Still};
pub use stroke::{CastSample, Direction, LoopShape, RspSource, Stroke, StrokeKind};
pub use tip_plane::{ButtBeside, OffPlane, OneView, TipPlane};
pub use verdict::{Severity, Warning};
