//! Writes a results folder from made-up strokes, to look at tables and pages without measuring anything:
//! `cargo run -p tipwright --example sample_results -- DIR [takes] [--ft] [--tip-only]`, or of a season of fifty evenings of a hundred
//! strokes the comparison: `-- DIR --season`, or a cast with copies of known shift: `-- DIR --shifted`.

mod clinic;

use std::path::PathBuf;

use tipwright_report::files::{FileMade, write_all};
use tipwright_report::page::{ids, pair};
use tipwright_report::{CompareBy, CompareChoice, ReportConfig, compare, session_files, take_files};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let folder = PathBuf::from(arguments.first().ok_or("say where to: sample_results DIR [takes]")?);
    let takes = arguments.get(1).and_then(|n| n.parse().ok()).unwrap_or(6);
    let has = |flag: &str| arguments.iter().any(|a| a == flag);
    if has("--season") {
        let choice = CompareChoice { by: CompareBy::Session, ..CompareChoice::default() };
        return Ok(compare(&clinic::several::season(50, 11), &choice, &folder)?);
    }
    if has("--shifted") {
        let session = clinic::several::shifted();
        let page = pair::of_day(&session, &ids::Book::of(&session)).ok_or("no two casts")?;
        return Ok(write_all(&[FileMade::new(format!("report/{}", pair::FILE), page)], &folder)?);
    }
    let session =
        clinic::session(&clinic::Wish { takes, feet: has("--ft"), butt: !has("--tip-only"), seed: 7 });
    for take in &session.takes {
        let own = folder.join("takes").join(&take.take);
        write_all(&take_files(take, &ReportConfig::of_session(&session))?, &own)?;
    }
    write_all(&session_files(&session, false)?, &folder)?;
    let later =
        clinic::session(&clinic::Wish { takes, feet: has("--ft"), butt: !has("--tip-only"), seed: 90 });
    let sessions = [session, clinic::several::renamed(later, "Alder Reach, a month later")];
    for (name, by) in
        [("phases", CompareBy::Phase), ("casters", CompareBy::Caster), ("sessions", CompareBy::Session)]
    {
        let some = if by == CompareBy::Session { &sessions[..] } else { &sessions[..1] };
        let choice = CompareChoice { by, anonymous: by == CompareBy::Session, ..CompareChoice::default() };
        compare(some, &choice, &folder.join("compare").join(name))?;
    }
    Ok(())
}
