//! The list of figures with their definitions, the same text as in the documentation and the tables.

use std::fmt::Write;

use super::figures::{GROUPS, dual_units};
use crate::plot::svg::escape;
use tipwright::model::figures::Needs;

/// The section at the end of a page.
#[must_use]
pub fn section() -> String {
    let mut out = String::from(
        "<section id=\"glossary\" aria-labelledby=\"glossary-h\"><p class=\"where\">Glossary</p>\
         <h2 id=\"glossary-h\">What the figures mean</h2>",
    );
    for (title, ids) in GROUPS {
        let _ = write!(out, "<h3>{title}</h3><dl class=\"glossary\">");
        for id in *ids {
            let info = id.info();
            let needs = match info.needs {
                Needs::Tip => "",
                Needs::Butt => " Needs butt markers.",
                Needs::Line => " Needs the line in the picture.",
            };
            let _ = write!(
                out,
                "<div id=\"def-{}\"><dt>{} <code>{}</code></dt><dd>{}{needs}</dd></div>",
                info.key,
                escape(info.name),
                info.key,
                dual_units(info.definition)
            );
        }
        out.push_str("</dl>");
    }
    out.push_str("</section>");
    out
}
