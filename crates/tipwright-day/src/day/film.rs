//! Film with drawing for every stroke of a day: one more look at the clips, only where strokes are; finished takes are
//! not filmed again.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::run::Run;
use super::{DayError, Event, SetUps, inputs};
use crate::session::Session;
use crate::store::{self, Files, Place};
use tipwright::model::film::{
    DrawFrame, DrawnLine, FilmConfig, FilmError, FilmMaker, FilmMoment, FilmSpan, FilmStill, FilmedSpan,
    StrokeFilm,
};
use tipwright::model::line::StrokeLoop;
use tipwright::model::results::PathPoint;
use tipwright::model::{Clock, SessionResults, Severity, Stroke, TakeResults, Warning};
use tipwright_report::film::{FilmCamera, StrokeDrawing, moments, span_s};
use tipwright_report::page::{film::moment_word, slug};

/// Layout of films; raised when drawings change, so that a later run makes them anew.
const LAYOUT: u32 = 5;

/// What is kept of a take's film.
#[derive(Debug, Clone, Default, serde::Serialize, serde::Deserialize)]
pub(super) struct KeptFilm {
    /// By stroke, the camera that looks most squarely at it first.
    pub films: Vec<StrokeFilm>,
    /// What its clips do not hold.
    pub warnings: Vec<Warning>,
}

/// Makers and settings of films.
#[derive(Clone, Copy)]
pub struct Filming<'a> {
    /// Maker.
    pub maker: &'a dyn FilmMaker,
    /// Settings.
    pub config: FilmConfig,
}

/// Films all takes into `report/film` of the results folder. What cannot be filmed becomes a warning of its take.
pub(super) fn add(
    run: &Run<'_>,
    set_ups: &SetUps,
    results: &mut SessionResults,
    film: Filming<'_>,
) -> Result<(), DayError> {
    results.takes.par_iter_mut().enumerate().try_for_each(|(idx, take)| -> Result<(), DayError> {
        let Some(own) = run.session.take.iter().find(|t| t.name == *take.take) else { return Ok(()) };
        let share = run.share(run.film_work(own));
        if take.strokes.is_empty() {
            return Ok(());
        }
        let about = format!("film of take {}", take.take);
        let kept_place = Place::kept_film(&own.name);
        let digest = digest_of(set_ups, take, idx, &film.config);
        if !run.config.anew
            && let Some(found) = run.store.kept::<KeptFilm>(&kept_place, &digest)
            && run.store.is_whole(&found.files)
        {
            run.tell(Event::Kept(&about));
            take.film = found.value.films;
            run.warn(&found.value.warnings);
            take.warnings.extend(found.value.warnings);
            return Ok(());
        }
        run.tell(Event::Began(&about));
        // all takes are held without their paths
        let path = store::read::<TakeResults>(run.store.root(), &Place::kept_take(&own.name))?.path;
        let made = run.watch.time("film", || of_take(run, (take, &path), idx, film));
        share.done();
        let mut files = Files::new();
        for file in made.kept.films.iter().flat_map(files_of) {
            let place = Place::new(format!("report/{file}"))?;
            run.store.take_in(&run.store.workshop().join(file), &place, &mut files)?;
        }
        let frames: usize = made.kept.films.iter().map(|f| f.frame_t_s.len()).sum();
        run.tell(Event::Done(&about, &format!("{} clips, {frames} frames", made.kept.films.len())));
        // what could not be written is tried again
        if made.is_written {
            run.store.keep(&kept_place, &digest, "", &files, &made.kept)?;
        }
        run.warn(&made.kept.warnings);
        take.film = made.kept.films;
        take.warnings.extend(made.kept.warnings);
        Ok(())
    })
}

fn digest_of(set_ups: &SetUps, take: &TakeResults, idx: usize, config: &FilmConfig) -> String {
    inputs::joint_digest([
        ("take", set_ups.take_digest(&take.take).unwrap_or_default()),
        ("film", format!("{config:?} {idx}")),
        ("layout", LAYOUT.to_string()),
    ])
}

/// Clip and stills, relative to the page's folder.
fn files_of(film: &StrokeFilm) -> impl Iterator<Item = &String> {
    film.stills.iter().map(|s| &s.file).chain([&film.clip])
}

/// A camera of a take as its own solution has it, ready to project.
struct TakeCamera {
    name: String,
    /// As it stands in names of files: no two of a take are alike.
    slug: String,
    clip: PathBuf,
    capture_fps: Option<f64>,
    camera: FilmCamera,
}

/// Those that measured the take: one of a take that one alone saw.
fn cameras(session: &Session, take: &TakeResults) -> Vec<TakeCamera> {
    let Some(own) = session.take.iter().find(|t| t.name == *take.take) else { return Vec::new() };
    let mut out: Vec<TakeCamera> = Vec::new();
    for (k, clock) in take.clocks.iter().enumerate() {
        let Some(fit) = take.cameras.iter().find(|c| c.camera == clock.camera) else { continue };
        let Some(clip) = own.clips.get(clock.camera.as_str()).map(|c| session.resolve(c)) else { continue };
        if take.one_view.as_ref().is_some_and(|alone| alone.camera != clock.camera) {
            continue;
        }
        let mut slug = slug(&clock.camera);
        if slug.is_empty() || out.iter().any(|c| c.slug == slug) {
            slug = format!("camera-{}", k + 1);
        }
        out.push(TakeCamera {
            name: clock.camera.clone(),
            slug,
            clip,
            capture_fps: session.capture_fps(&clock.camera),
            camera: FilmCamera { camera: fit.camera(), clock: clock.clock },
        });
    }
    out
}

/// A take's film as it was made.
struct Made {
    kept: KeptFilm,
    /// No file was missed for want of room or the like.
    is_written: bool,
}

fn of_take(run: &Run<'_>, (take, path): (&TakeResults, &[PathPoint]), idx: usize, film: Filming<'_>) -> Made {
    let cameras = cameras(run.session, take);
    let workshop = run.store.workshop();
    let mut made = Made { kept: KeptFilm::default(), is_written: true };
    let strokes: Vec<&Stroke> = take.strokes.iter().filter(|s| span_s(s, None, 0.0).is_some()).collect();
    for (k, of) in cameras.iter().enumerate() {
        let drawings: Vec<StrokeDrawing<'_>> =
            strokes.iter().map(|s| StrokeDrawing::new(&of.camera, path, s, loop_of(take, s))).collect();
        let draws: Vec<Draw<'_>> =
            drawings.iter().map(|d| Box::new(|pts_s: f64| d.lines(pts_s)) as Draw<'_>).collect();
        let jobs: Vec<Job<'_>> = strokes
            .iter()
            .zip(&drawings)
            .map(|(stroke, drawing)| {
                let job = Job::of(stroke, drawing, take, idx, of, &film.config);
                if squarest(&cameras, stroke) == Some(k) { job } else { job.with_one_still() }
            })
            .collect();
        let spans: Vec<FilmSpan<'_>> =
            jobs.iter().zip(&draws).map(|(job, draw)| job.span(&workshop, draw.as_ref())).collect();
        let filmed = film.maker.film(&of.clip, of.capture_fps, &spans, &film.config);
        let mut failures: Vec<(u32, FilmError)> = Vec::new();
        for (job, ended) in jobs.iter().zip(filmed) {
            match ended {
                Ok(filmed) => made.kept.films.push(job.film(&of.name, &filmed, &film.config)),
                Err(error) => failures.push((job.stroke, error)),
            }
        }
        made.is_written &= !failures.iter().any(|(_, e)| matches!(e, FilmError::Write { .. }));
        made.kept.warnings.extend(warnings(take, &of.name, strokes.len(), &failures));
    }
    let is_second = |f: &StrokeFilm| {
        let best = strokes.iter().find(|s| s.stroke == f.stroke).and_then(|s| squarest(&cameras, s));
        best.is_none_or(|best| cameras[best].name != f.camera)
    };
    made.kept.films.sort_by_key(|f| (f.stroke, is_second(f)));
    made
}

/// The camera that looks at a stroke most squarely.
fn squarest(cameras: &[TakeCamera], stroke: &Stroke) -> Option<usize> {
    let square = |k: &usize| cameras[*k].camera.squareness(stroke);
    (0..cameras.len()).max_by(|a, b| square(a).total_cmp(&square(b)))
}

/// What a camera's clip gave no film of, once for each reason.
fn warnings(take: &TakeResults, camera: &str, of: usize, failures: &[(u32, FilmError)]) -> Vec<Warning> {
    let mut by_reason: BTreeMap<String, Vec<u32>> = BTreeMap::new();
    for (stroke, error) in failures {
        by_reason.entry(error.to_string()).or_default().push(*stroke);
    }
    by_reason
        .into_iter()
        .map(|(reason, strokes)| {
            let numbers = strokes.iter().map(u32::to_string).collect::<Vec<_>>().join(", ");
            let what = match strokes.len() {
                n if n == of => "this take".to_owned(),
                1 => format!("stroke {numbers}"),
                _ => format!("strokes {numbers}"),
            };
            let remedy = format!(
                "there is no film of {what} by camera {camera}; other films and all figures are complete"
            );
            Warning::new(Severity::Warning, format!("film of take {}", take.take), reason, remedy)
        })
        .collect()
}

/// The stroke's loop where the line was measured.
fn loop_of<'a>(take: &'a TakeResults, stroke: &Stroke) -> Option<&'a StrokeLoop> {
    take.loops.iter().find(|l| l.stroke == stroke.stroke)
}

/// The drawing of a stroke as the maker calls it.
type Draw<'a> = Box<dyn Fn(f64) -> Vec<DrawnLine> + Sync + 'a>;

/// One stroke to be filmed.
struct Job<'a> {
    stroke: u32,
    drawing: &'a StrokeDrawing<'a>,
    clock: Clock,
    from_pts_s: f64,
    to_pts_s: f64,
    crop_px: [f64; 4],
    stem: String,
    stills: Vec<(FilmMoment, f64)>,
}

impl<'a> Job<'a> {
    fn of(
        stroke: &Stroke,
        drawing: &'a StrokeDrawing<'a>,
        take: &TakeResults,
        idx: usize,
        of: &TakeCamera,
        config: &FilmConfig,
    ) -> Self {
        let (from_s, to_s) = span_s(stroke, loop_of(take, stroke), config.margin_s).unwrap_or((0.0, 0.0));
        let clock = of.camera.clock;
        Self {
            stroke: stroke.stroke,
            drawing,
            clock,
            from_pts_s: clock.pts_s(from_s),
            to_pts_s: clock.pts_s(to_s),
            crop_px: drawing.region_px(from_s, to_s),
            stem: format!("film/{:02}-{}-stroke-{:02}-{}", idx + 1, slug(&take.take), stroke.stroke, of.slug),
            stills: moments(stroke).into_iter().map(|(m, t_s)| (m, clock.pts_s(t_s))).collect(),
        }
    }

    /// With the still alone that stands for the film until it plays.
    fn with_one_still(mut self) -> Self {
        let shown = self.stills.iter().position(|(m, _)| *m == FilmMoment::RodStraight).unwrap_or(0);
        self.stills = self.stills.get(shown).copied().into_iter().collect();
        self
    }

    fn clip(&self) -> String {
        format!("{}.mp4", self.stem)
    }

    fn still(&self, moment: FilmMoment) -> String {
        format!("{}-{}.jpg", self.stem, moment_word(moment).replace(' ', "-"))
    }

    fn span<'b>(&self, folder: &Path, draw: DrawFrame<'b>) -> FilmSpan<'b> {
        FilmSpan {
            from_pts_s: self.from_pts_s,
            to_pts_s: self.to_pts_s,
            crop_px: self.crop_px,
            clip: folder.join(self.clip()),
            stills: self.stills.iter().map(|(m, pts_s)| (*pts_s, folder.join(self.still(*m)))).collect(),
            draw,
        }
    }

    fn film(&self, camera: &str, made: &FilmedSpan, config: &FilmConfig) -> StrokeFilm {
        let seen_s = |pts_s: f64| {
            self.drawing.tip(pts_s).map_or_else(|| self.clock.session_s(pts_s, 0.0), |(t_s, _)| t_s)
        };
        StrokeFilm {
            stroke: self.stroke,
            camera: camera.to_owned(),
            clip: self.clip(),
            size_px: made.size_px,
            played_fps: f64::from(config.played_fps),
            frame_t_s: made.frame_pts_s.iter().map(|p| seen_s(*p)).collect(),
            stills: self
                .stills
                .iter()
                .zip(&made.still_pts_s)
                .filter_map(|((moment, _), pts_s)| {
                    Some(FilmStill { moment: *moment, t_s: seen_s((*pts_s)?), file: self.still(*moment) })
                })
                .collect(),
        }
    }
}
