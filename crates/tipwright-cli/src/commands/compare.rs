//! `compare RESULTS...`.

use std::collections::BTreeSet;

use tipwright::model::{Direction, FigureId, SessionResults};
use tipwright_day::day::read_results;
use tipwright_report::compare::{CompareBy, CompareChoice, compare};

use crate::args::{By, CompareArgs, Way};
use crate::failure::Failure;
use crate::ui::Ui;

/// Puts results side by side.
pub fn run(args: &CompareArgs, ui: &Ui) -> Result<(), Failure> {
    let sessions = args
        .results
        .iter()
        .map(|r| read_results(r))
        .collect::<Result<Vec<_>, _>>()
        .map_err(Failure::Unusable)?;
    let rank = match &args.rank {
        None => None,
        Some(column) => Some(FigureId::from_key(column).ok_or_else(|| {
            let known: Vec<&str> = FigureId::ALL.iter().map(|id| id.info().key).collect();
            Failure::Unusable(format!(
                "there is no figure `{column}`; give one of the columns of strokes.csv: {}",
                known.join(", ")
            ))
        })?),
    };
    let choice = CompareChoice {
        by: by(args.by, &sessions),
        phases: args.phases.as_ref().and_then(|p| Some((p.first()?.clone(), p.get(1)?.clone()))),
        direction: args.direction.map(|d| match d {
            Way::Forward => Direction::Forward,
            Way::Back => Direction::Back,
        }),
        rank,
        anonymous: args.anonymous,
        ..CompareChoice::default()
    };
    compare(&sessions, &choice, &args.output).map_err(Failure::other)?;
    let page = args.output.join("index.html");
    if ui.json() {
        ui.result_json(&serde_json::json!({ "page": page }));
    } else {
        ui.result(&format!("Open {}", page.display()));
    }
    Ok(())
}

/// What the results lend themselves to, unless said.
fn by(asked: By, sessions: &[SessionResults]) -> CompareBy {
    let phases: BTreeSet<&str> =
        sessions.iter().flat_map(|s| &s.takes).filter_map(|t| t.phase.as_deref()).collect();
    match asked {
        By::Caster => CompareBy::Caster,
        By::Phase => CompareBy::Phase,
        By::Session => CompareBy::Session,
        By::Best if sessions.len() > 1 => CompareBy::Session,
        By::Best if phases.len() > 1 => CompareBy::Phase,
        By::Best => CompareBy::Caster,
    }
}
