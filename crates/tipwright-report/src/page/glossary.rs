//! The list of figures with their definitions, the same text as in the documentation and the tables.

use askama::Template;

use super::figures::{GROUPS, dual_units};
use crate::text::Html;
use tipwright::model::figures::Needs;

struct Entry {
    key: &'static str,
    name: &'static str,
    definition: Html,
    needs: &'static str,
}

#[derive(Template)]
#[template(path = "glossary.html")]
struct Glossary {
    groups: Vec<(&'static str, Vec<Entry>)>,
}

/// The section at the end of a page.
#[must_use]
pub fn section() -> Html {
    let entry = |id: &tipwright::model::FigureId| {
        let info = id.info();
        Entry {
            key: info.key,
            name: info.name,
            definition: Html(dual_units(info.definition)),
            needs: match info.needs {
                Needs::Tip => "",
                Needs::Butt => " Needs butt markers.",
                Needs::Line => " Needs the line in the picture.",
                Needs::Model => " Needs [line] in session.toml.",
                Needs::Sound => " Needs sound in the clips.",
            },
        }
    };
    let groups = GROUPS.iter().map(|(title, ids)| (*title, ids.iter().map(entry).collect())).collect();
    Html::of(&Glossary { groups })
}
