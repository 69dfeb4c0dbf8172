//! The films of a stroke beside its drawings: a clip of each camera, and four stills of the one that looks most squarely at it.

use std::borrow::Cow;

use askama::Template;

use crate::text::{Html, visible};
use crate::units::number;
use tipwright::model::film::FilmMoment;
use tipwright::model::results::TakeResults;

/// What a moment is called.
#[must_use]
pub fn moment_word(moment: FilmMoment) -> &'static str {
    match moment {
        FilmMoment::Start => "start",
        FilmMoment::LargestBend => "largest bend",
        FilmMoment::RodStraight => "rod straight",
        FilmMoment::Counterflex => "counterflex",
    }
}

struct Still<'a> {
    file: &'a str,
    word: &'static str,
    since: String,
}

struct Clip<'a> {
    camera: Cow<'a, str>,
    src: &'a str,
    width_px: u32,
    height_px: u32,
    poster: &'a str,
    fps: f64,
    times: String,
}

#[derive(Template)]
#[template(path = "film.html")]
struct FilmView<'a> {
    clips: Vec<Clip<'a>>,
    stills: Vec<Still<'a>>,
    name: &'a str,
}

/// The films, empty without one. `zero_s`: zero of the drawings' time axes.
#[must_use]
pub fn of_stroke(take: &TakeResults, stroke: u32, zero_s: f64, name: &str) -> Html {
    let films: Vec<_> = take.film.iter().filter(|f| f.stroke == stroke).collect();
    let Some(first) = films.first() else { return Html::default() };
    let clips = films.iter().map(|film| {
        let times: Vec<String> = film.frame_t_s.iter().map(|t| format!("{:.4}", t - zero_s)).collect();
        Clip {
            camera: visible(&film.camera),
            src: &film.clip,
            width_px: film.size_px[0],
            height_px: film.size_px[1],
            poster: film.poster().map_or("", |s| s.file.as_str()),
            fps: film.played_fps,
            times: times.join(" "),
        }
    });
    Html::of(&FilmView {
        clips: clips.collect(),
        stills: first
            .stills
            .iter()
            .map(|s| Still { file: &s.file, word: moment_word(s.moment), since: number(s.t_s - zero_s, 3) })
            .collect(),
        name,
    })
}
