//! The film of a stroke beside its drawings: the clip, and four stills.

use askama::Template;

use crate::text::Html;
use crate::units::number;
use tipwright::model::film::{FilmMoment, StrokeFilm};
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

#[derive(Template)]
#[template(path = "film.html")]
struct FilmView<'a> {
    film: &'a StrokeFilm,
    poster: &'a str,
    fps: f64,
    times: String,
    stills: Vec<Still<'a>>,
    name: &'a str,
}

/// The film, empty without one. `zero_s`: zero of the drawings' time axes.
#[must_use]
pub fn of_stroke(take: &TakeResults, stroke: u32, zero_s: f64, name: &str) -> Html {
    let Some(film) = take.film.iter().find(|f| f.stroke == stroke) else { return Html::default() };
    let times: Vec<String> = film.frame_t_s.iter().map(|t| format!("{:.4}", t - zero_s)).collect();
    let rod_straight = film.stills.iter().find(|s| s.moment == FilmMoment::RodStraight);
    Html::of(&FilmView {
        film,
        poster: rod_straight.map_or("", |s| s.file.as_str()),
        fps: film.played_fps,
        times: times.join(" "),
        stills: film
            .stills
            .iter()
            .map(|s| Still { file: &s.file, word: moment_word(s.moment), since: number(s.t_s - zero_s, 3) })
            .collect(),
        name,
    })
}
