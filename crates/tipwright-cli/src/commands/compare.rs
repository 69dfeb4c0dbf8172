//! `compare RESULTS...`.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use tipwright::model::{Direction, FigureId, SessionResults};
use tipwright_day::day::read_results;
use tipwright_report::compare::{CompareBy, CompareChoice, compare, pair};

use crate::args::{By, CompareArgs, Way};
use crate::failure::Failure;
use crate::ui::Ui;

/// Puts results side by side.
pub fn run(args: &CompareArgs, ui: &Ui) -> Result<(), Failure> {
    check_folders(args)?;
    let sessions = args
        .results
        .iter()
        .map(|r| read_results(r))
        .collect::<Result<Vec<_>, _>>()
        .map_err(Failure::unusable)?;
    check_sessions(args, &sessions)?;
    if let Some([first, second]) = args.strokes.as_deref() {
        return two_strokes(args, [first, second], &sessions, ui);
    }
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
    let by = by(args.by, &sessions);
    check_phases(args, by, &sessions)?;
    let choice = CompareChoice {
        by,
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
    tell(args, ui);
    Ok(())
}

fn tell(args: &CompareArgs, ui: &Ui) {
    let page = args.output.join("index.html");
    ui.result_json(serde_json::json!({ "page": page.display().to_string() }));
    ui.result(&format!("Open {}", page.display()));
}

/// Two strokes over each other.
fn two_strokes(
    args: &CompareArgs,
    asked: [&String; 2],
    sessions: &[SessionResults],
    ui: &Ui,
) -> Result<(), Failure> {
    let place =
        |text: &str| pair::find(sessions, text).map_err(|why| Failure::Unusable(format!("--strokes: {why}")));
    let folders: Vec<&Path> = args.results.iter().map(AsRef::as_ref).collect();
    let choice = pair::PairChoice {
        folders: &folders,
        casts: [place(asked[0])?, place(asked[1])?],
        anonymous: args.anonymous,
    };
    pair::compare_pair(sessions, &choice, &args.output).map_err(Failure::other)?;
    tell(args, ui);
    Ok(())
}

/// One folder given twice would be compared with itself.
fn check_folders(args: &CompareArgs) -> Result<(), Failure> {
    let mut seen = BTreeSet::new();
    for folder in &args.results {
        if !seen.insert(folder.canonicalize().unwrap_or_else(|_| folder.clone())) {
            return Err(Failure::Unusable(format!(
                "is given twice; name each results folder once: {}",
                folder.display()
            )));
        }
    }
    Ok(())
}

/// Two results of one session would count its strokes twice.
fn check_sessions(args: &CompareArgs, sessions: &[SessionResults]) -> Result<(), Failure> {
    let mut seen: BTreeMap<&str, &Path> = BTreeMap::new();
    for (folder, session) in args.results.iter().zip(sessions) {
        let Some(id) = session.takes.iter().find_map(|t| t.keys.session_id.as_deref()) else { continue };
        if let Some(first) = seen.insert(id, folder) {
            return Err(Failure::Unusable(format!(
                "holds results of session {id}, as {} does, whose strokes would count twice; name one of the two. Sessions that are \
                 copies of each other need ids of their own in session.toml: {}",
                first.display(),
                folder.display()
            )));
        }
    }
    Ok(())
}

/// Phases asked for must be there, and differ.
fn check_phases(args: &CompareArgs, by: CompareBy, sessions: &[SessionResults]) -> Result<(), Failure> {
    let known: BTreeSet<&str> =
        sessions.iter().flat_map(|s| &s.takes).filter_map(|t| t.phase.as_deref()).collect();
    let names = || known.iter().copied().collect::<Vec<_>>().join(", ");
    for phase in args.phases.iter().flatten() {
        if !known.contains(phase.as_str()) {
            return Err(Failure::Unusable(format!(
                "no take has the phase `{phase}`; the phases are: {}",
                names()
            )));
        }
    }
    if let Some([first, second]) = args.phases.as_deref()
        && first == second
    {
        return Err(Failure::Unusable(format!(
            "--phases names `{first}` twice; the phases are: {}",
            names()
        )));
    }
    if by == CompareBy::Phase && known.len() < 2 {
        return Err(Failure::Unusable(format!(
            "--by phase needs takes of two phases, there are: {}",
            names()
        )));
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
