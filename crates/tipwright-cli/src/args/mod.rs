//! The words of the command line.

mod print;

use std::path::PathBuf;
use std::sync::LazyLock;

use clap::builder::PossibleValuesParser;
use clap::{Parser, Subcommand, ValueEnum};
use tipwright::model::{Colour, Pattern, board_of};
use tipwright_simulate::day::{DayKind, Skin};

pub use print::{BoardArgs, CardsArgs, SheetArgs};

/// Version and build, as the tables say it.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    let program = tipwright_report::tables::facts::program();
    program.trim_start_matches("tipwright ").to_owned()
});

/// Measures fly casts in three dimensions from two or more phones on tripods.
#[derive(Debug, Parser)]
#[command(
    name = "tipwright",
    version = VERSION.as_str(),
    about,
    after_help = "A day: new, board, (plan,) gather, check, day, compare. Exit status: 0 all done; 2 the call or the session is unusable; \
                  3 some takes failed and the rest is complete; 1 anything else."
)]
pub struct Args {
    /// Say only what went wrong
    #[arg(long, short, global = true)]
    pub quiet: bool,
    /// Print results on stdout as JSON
    #[arg(long, global = true)]
    pub json: bool,
    /// What to do
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Write a commented session.toml, casters.csv and the folders of a new session
    New(NewArgs),
    /// Find out what the clips in the cameras' folders are, pair them, and write them into session.toml
    Gather(GatherArgs),
    /// Draw a calibration board in true size, with a ruler to check the printer
    Board(BoardArgs),
    /// Draw a card for each caster and phase, to hold up at the start of a clip: `gather` reads them
    Cards(CardsArgs),
    /// Draw the helper's page for the field: what to film, in which order
    Sheet(SheetArgs),
    /// Before filming: what the cameras at their rough places will be able to tell, and how to stand better
    Plan(PlanArgs),
    /// Find a camera's lens from a clip or a folder of stills of the board
    Lens(LensArgs),
    /// What the finder sees in one clip: will it find my marker?
    Spots(SpotsArgs),
    /// Find where the cameras stand and how their clocks run
    Scene(SceneArgs),
    /// Follow the markers of one take
    Track(TrackArgs),
    /// Cut a 3D tip path into strokes and measure them
    Strokes(StrokesArgs),
    /// Everything, for every take of a session; goes on where it was interrupted
    Day(DayArgs),
    /// Put casters, phases and sessions side by side
    Compare(CompareArgs),
    /// Every column of every table: unit, definition, since which schema (Markdown; with --json one document)
    Dictionary,
    /// Make a simulated clinic day with its truth
    Simulate(SimulateArgs),
    /// Errors of results against a truth folder
    Score(ScoreArgs),
    /// Look at every clip for about 20 seconds in all: what is missing, unreadable or unlikely, and what to do
    Check(CheckArgs),
    /// Write every setting with its default and what it means, as a file to edit for --settings
    Settings(SettingsArgs),
    /// Write the completions of a shell
    #[command(hide = true)]
    Completions(CompletionsArgs),
    /// Write the man page
    #[command(hide = true)]
    Man,
}

#[derive(Debug, clap::Args)]
pub struct SettingsArgs {
    /// File to write; stdout when absent
    #[arg(short, long)]
    pub output: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
pub struct CompletionsArgs {
    /// Which shell
    pub shell: clap_complete::Shell,
}

/// Files of settings.
#[derive(Debug, clap::Args)]
pub struct StageArgs {
    /// Settings of the stages: a changed copy of what `tipwright settings` writes
    #[arg(long, value_name = "FILE")]
    pub settings: Option<PathBuf>,
    /// Rules of the evidence: a changed copy of pipelines/evidence.toml
    #[arg(long, value_name = "FILE")]
    pub evidence: Option<PathBuf>,
    /// Widths that a loop is called tight, medium or wide by: a changed copy of pipelines/loop.toml
    #[arg(long, value_name = "FILE")]
    pub loop_sizes: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
pub struct NewArgs {
    /// Folder of the session; made when it is not there
    pub dir: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct LensArgs {
    /// Clip or folder of stills; of several phones one after the other
    #[arg(required = true)]
    pub source: Vec<PathBuf>,
    /// Inner corners, columns x rows: 9x6; coded: the board's codes say it; circles:4x11: discs of a row, rows
    #[arg(long, value_parser = board_of)]
    pub board: (Pattern, u32, u32),
    /// Side of a square; of discs, from row to row
    #[arg(long)]
    pub square_mm: f64,
    /// Lens file to write, of several sources the folder to write one each into; a coverage picture goes beside it
    #[arg(short, long)]
    pub output: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct SpotsArgs {
    /// Clip
    pub clip: PathBuf,
    /// Colour of the marker: white, red, orange, yellow, green, blue, magenta
    #[arg(long, value_parser = colour)]
    pub colour: Colour,
    /// Diameter of the marker
    #[arg(long, default_value_t = 40.0)]
    pub diameter_mm: f64,
    /// Lens file; a phone's usual lens when absent
    #[arg(long, value_name = "FILE")]
    pub lens: Option<PathBuf>,
    /// Rate at capture of a clip that plays slower
    #[arg(long, value_name = "FPS")]
    pub capture_fps: Option<f64>,
    /// Folder to write spots.csv and spots.jpg into
    #[arg(short, long)]
    pub output: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct SceneArgs {
    /// Session folder
    #[arg(required_unless_present = "points", conflicts_with = "points")]
    pub session: Option<PathBuf>,
    /// Point tracks instead of clips
    #[arg(long, value_name = "POINTS.toml")]
    pub points: Option<PathBuf>,
    /// Distance between the first two cameras in metres, to scale a scene of point tracks
    #[arg(long, requires = "points", value_name = "M")]
    pub baseline_m: Option<f64>,
    /// Folder to write scene.toml into
    #[arg(short, long)]
    pub output: PathBuf,
    #[command(flatten)]
    pub stages: StageArgs,
}

#[derive(Debug, clap::Args)]
pub struct PlanArgs {
    /// Session folder
    pub session: PathBuf,
    /// Where a tripod stands, instead of its rough_position_m: metres from under the caster's hand, x the way the forward
    /// cast travels, y to its left, z the height of the lens
    #[arg(long, value_name = "NAME=X,Y,Z", value_parser = camera_place)]
    pub camera: Vec<(String, [f64; 3])>,
    /// Height of the tip in the middle of a stroke
    #[arg(long, default_value_t = 3.3)]
    pub tip_height_m: f64,
    /// Frames per second
    #[arg(long, default_value_t = 240.0)]
    pub fps: f64,
    /// Horizontal field of view of a camera without a lens file
    #[arg(long, default_value_t = 65.0)]
    pub field_deg: f64,
    /// Standard deviation of a marker's place in a picture
    #[arg(long, default_value_t = 0.15)]
    pub sigma_px: f64,
    /// Folder to write plan.html, plan.svg, plan.csv and plan.json into
    #[arg(short, long, default_value = "plan")]
    pub output: PathBuf,
}

#[derive(Debug, clap::Args)]
pub struct TrackArgs {
    /// Session folder
    pub session: PathBuf,
    /// Name of the take
    #[arg(long)]
    pub take: String,
    /// Folder to write into
    #[arg(short, long)]
    pub output: PathBuf,
    #[command(flatten)]
    pub stages: StageArgs,
}

#[derive(Debug, clap::Args)]
pub struct StrokesArgs {
    /// A path.csv
    pub path: PathBuf,
    /// Folder to write into
    #[arg(short, long)]
    pub output: PathBuf,
    #[command(flatten)]
    pub stages: StageArgs,
}

#[derive(Debug, clap::Args)]
pub struct DayArgs {
    /// Session folder
    pub session: PathBuf,
    /// Results folder
    #[arg(short, long)]
    pub output: PathBuf,
    /// Threads; all cores when absent
    #[arg(long)]
    pub threads: Option<usize>,
    /// Compute everything anew, also what is finished
    #[arg(long)]
    pub anew: bool,
    /// Also make a short film of every stroke by each camera with the tip's path drawn in, and four stills. Off by default: a film
    /// shows faces; it costs about a third more time and 1.4 megabytes a stroke of two phones
    #[arg(long, conflicts_with = "anonymous")]
    pub film: bool,
    /// Name nobody and show no picture on the page and in the tables; film of an earlier run is removed
    #[arg(long)]
    pub anonymous: bool,
    /// Then wait for more: as takes are written into session.toml and clips come, measure what is new and renew the pages. Ctrl-C ends
    #[arg(long)]
    pub watch: bool,
    /// Also print what stages and clips cost: processor and wall seconds, and how many times those of decoding the same frames
    #[arg(long)]
    pub timings: bool,
    #[command(flatten)]
    pub stages: StageArgs,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum By {
    /// Sessions when there are several, else phases when there are two, else casters
    Best,
    /// Casters with each other
    Caster,
    /// Two phases of the same casters, paired
    Phase,
    /// Sessions, the same casters paired
    Session,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum Way {
    Forward,
    Back,
}

#[derive(Debug, clap::Args)]
pub struct CompareArgs {
    /// Results folders
    #[arg(required = true)]
    pub results: Vec<PathBuf>,
    /// Folder to write the comparison into
    #[arg(short, long, default_value = "comparison")]
    pub output: PathBuf,
    /// What is put side by side
    #[arg(long, value_enum, default_value = "best")]
    pub by: By,
    /// The two phases, in order; the first two of the session when absent
    #[arg(long, num_args = 2, value_names = ["FIRST", "SECOND"])]
    pub phases: Option<Vec<String>>,
    /// Only strokes of one direction
    #[arg(long, value_enum)]
    pub direction: Option<Way>,
    /// Figure the page ranks by at first, by its column name; the reader can pick another
    #[arg(long, value_name = "COLUMN")]
    pub rank: Option<String>,
    /// Two strokes over each other, with their films: TAKE/STROKE as strokes.csv names them, 03-before/5; SESSION/ before it where several
    /// results have such a take
    #[arg(long, num_args = 2, value_names = ["FIRST", "SECOND"], conflicts_with_all = ["by", "phases", "direction", "rank"])]
    pub strokes: Option<Vec<String>>,
    /// Leave out aliases, take names, clip names and titles: letters, paths and figures only
    #[arg(long)]
    pub anonymous: bool,
}

/// What may be said, of a list of things by name.
fn names<T, const N: usize>(all: [(&'static str, T); N]) -> PossibleValuesParser {
    PossibleValuesParser::new(all.map(|(name, _)| name))
}

#[derive(Debug, clap::Args)]
pub struct SimulateArgs {
    /// Folder to write the session into; its truth goes into the folder truth within
    #[arg(short, long)]
    pub output: PathBuf,
    /// Which day; hour is a clip of an hour a phone that holds twelve takes; heap is two phones' folders as they are copied, for gather: 40 takes in three set-ups under the names that phones give, with
    /// cards held crooked, clips missing and clips that belong to nothing; truth/heap.csv says what each is
    #[arg(long, default_value = "clinic", value_parser = names(DayKind::ALL))]
    pub days: String,
    /// Same seed, same bytes
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Light the markers from one side: degrees from behind the first phone round towards the second; absent, they are evenly bright
    #[arg(long, value_name = "DEGREES", value_parser = clap::value_parser!(u32).range(0..=180))]
    pub side_light: Option<u32>,
    /// Surface of the markers: even paint; seams and thin paint; thin plastic through which light comes; with mud on them
    #[arg(long, default_value = "even", value_parser = names(Skin::ALL))]
    pub balls: String,
    /// The line slaps the rod after three strokes of four, so many dB over the background; absent, it is not heard
    #[arg(long, value_name = "DB", allow_negative_numbers = true, value_parser = clap::value_parser!(i32).range(-20..=40))]
    pub slap_db: Option<i32>,
    /// What else is heard beside a breeze and the claps of the take
    #[arg(long, value_name = "NAMES", value_delimiter = ',', value_parser = ["wind", "voices", "claps"])]
    pub noises: Vec<String>,
}

#[derive(Debug, clap::Args)]
pub struct ScoreArgs {
    /// Results folder
    pub results: PathBuf,
    /// Truth folder
    pub truth: PathBuf,
    /// Folder for score.json and score.html
    #[arg(short, long)]
    pub output: Option<PathBuf>,
}

#[derive(Debug, clap::Args)]
pub struct CheckArgs {
    /// Session folder
    pub session: PathBuf,
    /// Only read the files, don't look into the clips
    #[arg(long)]
    pub files_only: bool,
    #[command(flatten)]
    pub stages: StageArgs,
}

#[derive(Debug, clap::Args)]
pub struct GatherArgs {
    /// Session folder
    pub session: PathBuf,
    /// Folder with a camera's clips, where they lie elsewhere than in the folder of its name; may be given several times
    #[arg(long, value_name = "NAME=DIR", value_parser = camera_folder)]
    pub from: Vec<(String, PathBuf)>,
    /// Phases that the cards were printed with, in their order
    #[arg(long, default_value = "before,after", value_delimiter = ',')]
    pub phases: Vec<String>,
}

/// `west=DIR` as name and folder.
fn camera_folder(text: &str) -> Result<(String, PathBuf), String> {
    let wrong = || format!("`{text}` is not of the form west=DIR: a camera's name and a folder");
    let (name, folder) = text.split_once('=').ok_or_else(wrong)?;
    if name.trim().is_empty() || folder.is_empty() {
        return Err(wrong());
    }
    Ok((name.trim().to_string(), PathBuf::from(folder)))
}

/// `west=-0.7,-8.3,1.3` as name and place.
fn camera_place(text: &str) -> Result<(String, [f64; 3]), String> {
    let wrong =
        || format!("`{text}` is not of the form west=-0.7,-8.3,1.3: a camera's name and three metres");
    let (name, place) = text.split_once('=').ok_or_else(wrong)?;
    let numbers: Vec<f64> =
        place.split(',').map(|n| n.trim().parse()).collect::<Result<_, _>>().map_err(|_| wrong())?;
    let place: [f64; 3] = numbers.try_into().map_err(|_| wrong())?;
    if place.iter().any(|x| !x.is_finite()) {
        return Err(wrong());
    }
    Ok((name.trim().to_string(), place))
}

/// A marker's colour by its name.
fn colour(text: &str) -> Result<Colour, String> {
    Colour::ALL
        .into_iter()
        .find(|c| c.to_string() == text.trim().to_lowercase())
        .ok_or_else(|| format!("`{text}` is none of {}", Colour::ALL.map(|c| c.to_string()).join(", ")))
}
