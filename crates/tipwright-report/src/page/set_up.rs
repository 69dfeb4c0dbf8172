//! How good the set-up is.

use askama::Template;

use super::figures::{dual, dual_units, full};
use crate::text::Html;
use crate::units::{FOOT_M, Kind, number};
use tipwright::model::results::{SessionResults, SolvedSetUp};

/// A list of facts: name and what is said of it.
#[derive(Template)]
#[template(path = "facts.html")]
pub struct Facts {
    /// What opens it.
    pub summary: String,
    /// Names and texts.
    pub rows: Vec<(String, Html)>,
}

/// The set-ups and the lenses; empty where nothing is known of them.
#[must_use]
pub fn section(session: &SessionResults) -> Html {
    let mut out = String::new();
    let mut facts = |summary: String, rows: Vec<(String, Html)>| {
        if !rows.is_empty() {
            out += Html::of(&Facts { summary, rows }).0.as_str();
        }
    };
    match session.set_ups.as_slice() {
        [only] => facts("The set-up".into(), [of_one(only), lenses(session)].concat()),
        several => {
            for set_up in several {
                facts(
                    set_up.name.as_ref().map_or("The set-up".into(), |n| format!("Set-up {n}")),
                    of_one(set_up),
                );
            }
            facts("Lenses".into(), lenses(session));
        }
    }
    Html(out)
}

fn of_one(set_up: &SolvedSetUp) -> Vec<(String, Html)> {
    let quality = &set_up.scene.quality;
    let mut rows: Vec<(String, Html)> = Vec::new();
    let mut add = |name: &str, html: String| rows.push((name.to_owned(), Html(html)));
    if let Some(wand) = set_up.wand_length_m {
        add("wand as its markers were measured, and spread", full(Kind::Length, wand));
    } else if let Some(rms_mm) = quality.wand_rms_mm {
        let (metric, imperial) = (number(rms_mm, 1), number(rms_mm / 25.4, 2));
        add(
            "wand, spread of its length",
            dual(&format!("{metric}\u{a0}<small>mm</small>"), &format!("{imperial}\u{a0}<small>in</small>")),
        );
    }
    if let Some(px) = quality.reprojection_rms_px {
        add("distance of spots from their prediction", format!("{}\u{a0}<small>px</small>", number(px, 2)));
    }
    if let Some(scale) = quality.scale_sd_relative {
        add("scale known to", format!("{}\u{a0}<small>%</small>", number(1.96 * scale * 100.0, 2)));
    }
    if let Some(angle) = set_up.convergence_deg {
        add("angle between the cameras", format!("{}\u{b0}", number(angle, 0)));
    }
    if let Some(hung) = &set_up.scene.hung {
        let told = format!("told by a wand hung at two places, not by the casts: {}", hung.shown());
        add("plane of the casts", dual_units(&told));
    }
    if let Some(g) = quality.gravity_m_s2 {
        let half = 1.96 * quality.gravity_sd_m_s2.unwrap_or(0.0);
        let one = |by: f64, unit: &str| {
            format!(
                "{}<span class=\"pm\"> \u{b1}\u{a0}{}</span>\u{a0}<small>{unit}/s\u{b2}</small>",
                number(g / by, 2),
                number(half / by, 2)
            )
        };
        add("gravity from the toss", dual(&one(1.0, "m"), &one(FOOT_M, "ft")));
    }
    let (used, aside) = (quality.observations_accepted, quality.observations_rejected);
    if used + aside > 0 {
        add("observations of the set-up", format!("{} seen = {used} used + {aside} set aside", used + aside));
    }
    rows
}

fn lenses(session: &SessionResults) -> Vec<(String, Html)> {
    let mut rows = Vec::new();
    for lens in &session.lenses {
        let mut text = format!("focal length {}", number(lens.fx_px, 1));
        if let Some(sd) = lens.fx_sd_px {
            text += &format!(" \u{b1}\u{a0}{}", number(1.96 * sd, 1));
        }
        text.push_str("\u{a0}<small>px</small>");
        if let Some(rms) = lens.rms_px {
            text += &format!(", residual {}\u{a0}<small>px</small>", number(rms, 2));
        }
        if let (Some(used), Some(out)) = (lens.views_used, lens.views_left_out) {
            text += &format!(", {used} views used, {out} left out");
        }
        rows.push((format!("lens of {}", lens.camera), Html(text)));
    }
    rows
}
