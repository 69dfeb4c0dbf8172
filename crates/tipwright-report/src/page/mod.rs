//! The pages of a session. The day's page: every caster in a glance. A page a caster: the story first, then figures and
//! strokes, folded. A handout a caster, to give away. Any two casts
//! together, to pick. Each is one HTML file with everything inside (style, script, data,
//! drawings), so that it can be copied, mailed and opened without a network.
//!
//! The HTML stands in `templates/`, escaped unless a field is [`crate::text::Html`]. Every number that has a length in it is
//! written twice, in metres and in feet and inches; the page's switch hides one of them. Drawings come from [`crate::plot`];
//! the script moves one cursor through film and drawings of a stroke, turns the path in space, sorts tables and shows
//! definitions.

pub mod caster;
pub mod data;
pub mod day;
pub mod evidence;
pub mod figures;
pub mod film;
pub mod glossary;
pub mod handout;
pub mod ids;
pub mod notes;
pub mod overlays;
pub mod pair;
pub mod set_up;
pub mod shell;
pub mod steady;
pub mod story;
pub mod stroke;
pub mod table;
pub mod take;
pub mod warnings;

pub use ids::slug;

use crate::files::FileMade;
use ids::Book;
use tipwright::model::results::SessionResults;

/// The pages of a session, with their places below the results folder, each given to `put` as soon as it is made.
///
/// # Errors
/// What `put` says.
pub fn write_pages<E>(
    session: &SessionResults,
    put: &mut dyn FnMut(FileMade) -> Result<(), E>,
) -> Result<(), E> {
    let book = Book::of(session);
    let stories = caster::stories(session, &book);
    put(FileMade::new("report/index.html", day::page(session, &book, &stories)))?;
    if let Some(pairs) = pair::of_day(session, &book) {
        put(FileMade::new(format!("report/{}", pair::FILE), pairs))?;
    }
    for story in &stories {
        for (file, html) in caster::pages(session, &book, story) {
            put(FileMade::new(format!("report/{file}"), html))?;
        }
        let file = format!("report/handout/{}", story.handout_file());
        let paper = format!("report/handout/{}", story.handout_paper());
        put(FileMade::new(file, handout::handout(session, story)))?;
        put(FileMade::new(paper, handout::handout_on_paper(session, story)))?;
    }
    Ok(())
}

/// The pages of [`write_pages`], all held at once.
#[must_use]
pub fn session_pages(session: &SessionResults) -> Vec<FileMade> {
    let mut pages = Vec::new();
    let Ok(()) = write_pages(session, &mut |page| {
        pages.push(page);
        Ok::<(), std::convert::Infallible>(())
    });
    pages
}
