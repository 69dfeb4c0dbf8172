//! The film of a stroke beside its drawings: the clip, and four stills.

use std::fmt::Write;

use crate::plot::svg::escape;
use crate::units::number as number_text;
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

/// The film, empty without one. `zero_s`: zero of the drawings' time axes.
#[must_use]
pub fn of_stroke(take: &TakeResults, stroke: u32, zero_s: f64, name: &str) -> String {
    let Some(film) = take.film.iter().find(|f| f.stroke == stroke) else { return String::new() };
    let times: Vec<String> = film.frame_t_s.iter().map(|t| format!("{:.4}", t - zero_s)).collect();
    let poster = poster(film);
    let mut out = format!(
        "<div class=\"film\"><figure class=\"clip\"><video controls muted playsinline preload=\"none\" src=\"{}\"{poster} \
         data-fps=\"{}\" data-t=\"{}\" aria-label=\"Film of {}, camera {}, the path of the tip drawn in\"></video>\
         <figcaption>Camera {}, slowed down; the path of the tip so far, its chord and its dip are drawn in. It runs with \
         the moment of the drawings.</figcaption></figure><div class=\"stills\">",
        escape(&film.clip),
        film.played_fps,
        times.join(" "),
        escape(name),
        escape(&film.camera),
        escape(&film.camera),
    );
    for still in &film.stills {
        let word = moment_word(still.moment);
        let since = number_text(still.t_s - zero_s, 3);
        let _ = write!(
            out,
            "<figure class=\"still\"><img loading=\"lazy\" src=\"{}\" alt=\"{} at {word}, {since} s from rod straight, with the \
             path of the tip so far\"><figcaption>{word}, {since}\u{a0}s</figcaption></figure>",
            escape(&still.file),
            escape(name),
        );
    }
    out.push_str("</div></div>");
    out
}

fn poster(film: &StrokeFilm) -> String {
    film.stills
        .iter()
        .find(|s| s.moment == FilmMoment::RodStraight)
        .map(|s| format!(" data-poster=\"{}\"", escape(&s.file)))
        .unwrap_or_default()
}
