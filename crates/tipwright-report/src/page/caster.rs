//! One caster: takes in order.

use super::{evidence, overlays, slug, steady, take, take_id};
use crate::ReportConfig;
use crate::plot::loops;
use crate::plot::svg::escape;
use tipwright::model::results::{SessionResults, TakeResults};

/// Id of a caster's section.
#[must_use]
pub fn id(caster: &str) -> String {
    format!("caster-{}", slug(caster))
}

/// The section.
#[must_use]
pub fn section(
    session: &SessionResults,
    caster: &str,
    takes: &[&TakeResults],
    config: &ReportConfig,
) -> String {
    let own = id(caster);
    let alias = takes.first().map_or(caster, |t| t.alias.as_str());
    let mut out = format!(
        "<section class=\"caster\" id=\"{own}\" aria-labelledby=\"{own}-h\"><p class=\"where\">Caster {}</p>\
         <h2 id=\"{own}-h\">{}</h2>",
        escape(caster),
        escape(alias)
    );
    out.push_str(&evidence::of_caster(session, takes));
    out.push_str(&overlays::of_caster(takes));
    let links = loops::links(takes.iter().flat_map(|t| &t.strokes), overlays::FORMAT);
    if !links.is_empty() {
        out.push_str("<h3>What the tip does to the loop</h3>");
        out.push_str(&overlays::multiples(&links));
    }
    out.push_str(&steady::section(session, caster, alias));
    for t in takes {
        out.push_str(&take::section(&take_id(session, t), t, config));
    }
    out.push_str("</section>");
    out
}
