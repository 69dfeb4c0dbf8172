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
    DrawFrame, DrawnLine, FilmConfig, FilmMaker, FilmMoment, FilmSpan, FilmStill, FilmedSpan, StrokeFilm,
};
use tipwright::model::line::StrokeLoop;
use tipwright::model::results::PathPoint;
use tipwright::model::{Clock, SessionResults, Severity, Stroke, TakeResults, Warning};
use tipwright_report::film::{FilmCamera, StrokeDrawing, moments, span_s};
use tipwright_report::page::{film::moment_word, slug};

/// Layout of films; raised when drawings change, so that a later run makes them anew.
const LAYOUT: u32 = 4;

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
            && let Some(found) = run.store.kept::<Vec<StrokeFilm>>(&kept_place, &digest)
            && run.store.is_whole(&found.files)
        {
            run.tell(Event::Kept(&about));
            take.film = found.value;
            return Ok(());
        }
        run.tell(Event::Began(&about));
        let mut warnings = Vec::new();
        // all takes are held without their paths
        let path = store::read::<TakeResults>(run.store.root(), &Place::kept_take(&own.name))?.path;
        let made = run.watch.time("film", || of_take(run, (take, &path), idx, film, &mut warnings));
        share.done();
        let mut files = Files::new();
        for file in made.iter().flat_map(files_of) {
            let place = Place::new(format!("report/{file}"))?;
            run.store.take_in(&run.store.workshop().join(file), &place, &mut files)?;
        }
        take.film = made;
        run.warn(&warnings);
        let frames: usize = take.film.iter().map(|f| f.frame_t_s.len()).sum();
        run.tell(Event::Done(&about, &format!("{} clips, {frames} frames", take.film.len())));
        if warnings.is_empty() {
            run.store.keep(&kept_place, &digest, "", &files, &take.film)?;
        }
        take.warnings.extend(warnings);
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

/// Cameras of a take as its own solution has them, ready to project.
fn cameras(
    run: &Run<'_>,
    take: &TakeResults,
    warnings: &mut Vec<Warning>,
) -> Vec<(String, PathBuf, Option<f64>, FilmCamera)> {
    let session: &Session = run.session;
    let Some(own) = session.take.iter().find(|t| t.name == *take.take) else { return Vec::new() };
    let mut out = Vec::new();
    for clock in &take.clocks {
        let Some(fit) = take.cameras.iter().find(|c| c.camera == clock.camera) else { continue };
        let Some(clip) = own.clips.get(clock.camera.as_str()).map(|c| session.resolve(c)) else { continue };
        let capture_fps = session.capture_fps(&clock.camera);
        match run.footage.probe(&clip) {
            Ok(_) => {
                let camera = FilmCamera { camera: fit.camera(), clock: clock.clock };
                out.push((clock.camera.clone(), clip, capture_fps, camera));
            }
            Err(error) => warnings.push(Warning::new(
                Severity::Warning,
                format!("film of take {}", take.take),
                error.to_string(),
                "the film is made from the other camera",
            )),
        }
    }
    out
}

fn of_take(
    run: &Run<'_>,
    (take, path): (&TakeResults, &[PathPoint]),
    idx: usize,
    film: Filming<'_>,
    warnings: &mut Vec<Warning>,
) -> Vec<StrokeFilm> {
    let cameras = cameras(run, take, warnings);
    let workshop = run.store.workshop();
    // Each stroke by the camera that looks at it most squarely.
    let mut by_camera: BTreeMap<usize, Vec<&Stroke>> = BTreeMap::new();
    for stroke in &take.strokes {
        let best = (0..cameras.len())
            .max_by(|&a, &b| cameras[a].3.squareness(stroke).total_cmp(&cameras[b].3.squareness(stroke)));
        if let (Some(best), true) = (best, span_s(stroke, None, 0.0).is_some()) {
            by_camera.entry(best).or_default().push(stroke);
        }
    }
    let mut films = Vec::new();
    for (camera_idx, strokes) in by_camera {
        let (name, clip, capture_fps, camera) = &cameras[camera_idx];
        let drawings: Vec<StrokeDrawing<'_>> =
            strokes.iter().map(|s| StrokeDrawing::new(camera, path, s, loop_of(take, s))).collect();
        let draws: Vec<Draw<'_>> =
            drawings.iter().map(|d| Box::new(|pts_s: f64| d.lines(pts_s)) as Draw<'_>).collect();
        let jobs: Vec<Job<'_>> = strokes
            .iter()
            .zip(&drawings)
            .map(|(stroke, drawing)| Job::of(stroke, drawing, take, idx, camera, &film.config))
            .collect();
        let spans: Vec<FilmSpan<'_>> =
            jobs.iter().zip(&draws).map(|(job, draw)| job.span(&workshop, draw.as_ref())).collect();
        match film.maker.film(clip, *capture_fps, &spans, &film.config) {
            Ok(filmed) => {
                films.extend(jobs.iter().zip(filmed).map(|(job, made)| job.film(name, &made, &film.config)));
            }
            Err(error) => warnings.push(Warning::new(
                Severity::Warning,
                format!("film of take {}", take.take),
                error.to_string(),
                "the page of this take has no film; everything else is complete",
            )),
        }
    }
    films.sort_by_key(|f| f.stroke);
    films
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
        camera: &FilmCamera,
        config: &FilmConfig,
    ) -> Self {
        let (from_s, to_s) = span_s(stroke, loop_of(take, stroke), config.margin_s).unwrap_or((0.0, 0.0));
        let clock = camera.clock;
        Self {
            stroke: stroke.stroke,
            drawing,
            clock,
            from_pts_s: clock.pts_s(from_s),
            to_pts_s: clock.pts_s(to_s),
            crop_px: drawing.region_px(from_s, to_s),
            stem: format!("film/{:02}-{}-stroke-{:02}", idx + 1, slug(&take.take), stroke.stroke),
            stills: moments(stroke).into_iter().map(|(m, t_s)| (m, clock.pts_s(t_s))).collect(),
        }
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
            played_fps: f64::from(config.played_fps),
            frame_t_s: made.frame_pts_s.iter().map(|p| seen_s(*p)).collect(),
            stills: self
                .stills
                .iter()
                .zip(&made.still_pts_s)
                .map(|((moment, _), pts_s)| FilmStill {
                    moment: *moment,
                    t_s: seen_s(*pts_s),
                    file: self.still(*moment),
                })
                .collect(),
        }
    }
}
