//! `new DIR`: a session folder to fill in.

use std::path::Path;

use rand::RngExt;
use tipwright_day::session::{Date, blank_session, session_id};

use crate::args::NewArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// casters.csv with one example row.
const CASTERS: &str = "id,alias,hand,rod_length_m,note,key,class\n01,Heron,right,2.743,example row: one per caster; alias is what pages show; key (may be empty): the same person in every session of a school; class (may be empty): what seasons are also shown by,,\n";

/// Writes the folder; never overwrites a file.
pub fn run(args: &NewArgs, ui: &Ui) -> Result<(), Failure> {
    let dir = &args.dir;
    let session = dir.join("session.toml");
    if session.exists() {
        return Err(Failure::Unusable(format!(
            "there is a session.toml here already; choose another folder, or take it away first: {}",
            session.display()
        )));
    }
    for folder in ["west", "east"] {
        let folder = dir.join(folder);
        std::fs::create_dir_all(&folder).map_err(|e| cannot_write(&folder, &e))?;
    }
    // `.` has a name only once it is there
    let named = dir.canonicalize().ok();
    let title = named.as_deref().unwrap_or(dir).file_name().map_or("clinic".into(), |n| n.to_string_lossy());
    let date = Date::today();
    let id = session_id(&title, date, |n| rand::rng().random_range(0..n));
    write(&session, &blank_session(&title, &id, date))?;
    let casters = dir.join("casters.csv");
    if !casters.exists() {
        write(&casters, CASTERS)?;
    }
    ui.result_json(serde_json::json!({ "session": session.display().to_string(), "id": id }));
    ui.say(&format!(
        "Wrote {}. Put the clips into west/ and east/, fill in the file, then: tipwright check {}",
        session.display(),
        dir.display()
    ));
    Ok(())
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    std::fs::write(path, text).map_err(|e| cannot_write(path, &e))
}

fn cannot_write(path: &Path, error: &std::io::Error) -> Failure {
    Failure::Unusable(format!(
        "cannot be written ({error}); choose a folder you may write to: {}",
        path.display()
    ))
}
