//! Files as they should not be.

use std::path::Path;

use super::planned::{Fault, PlannedTake};
use super::{SimulateError, truth};

/// Spoils a clip that has been filmed.
pub fn spoil(path: &Path, fault: Fault) -> Result<(), SimulateError> {
    let fail = |reason: std::io::Error| SimulateError::Write { reason, path: path.to_path_buf() };
    match fault {
        Fault::EmptyFile => std::fs::write(path, []).map_err(fail),
        Fault::CutOffFile => {
            let bytes = std::fs::read(path).map_err(fail)?;
            std::fs::write(path, &bytes[..bytes.len() * 3 / 5]).map_err(fail)
        }
        Fault::TextFile => {
            std::fs::write(path, "Battery died during the second cast. Ask Otter for hers.\n").map_err(fail)
        }
        Fault::OneFrame | Fault::NoMarkers | Fault::OneCamera | Fault::Cropped => Ok(()),
    }
}

/// Things people leave in the folders of their clips.
pub fn write_strays(out: &Path) -> Result<(), SimulateError> {
    truth::write(&out.join("west").join("notes.txt"), "wind from the left after lunch\n")?;
    truth::write(&out.join("east").join(".hidden"), "")?;
    truth::write(&out.join("shopping list.md"), "- tippet\n- bread\n")
}

/// faults.csv: which take, which camera, what is wrong. `None` when nothing is.
pub fn list(takes: &[PlannedTake], camera: &str) -> Option<String> {
    let mut out = String::from("take,camera,fault\n");
    let mut any = false;
    for take in takes {
        if let Some(fault) = take.fault {
            let camera = if fault == Fault::NoMarkers { "" } else { camera };
            out.push_str(&format!("{},{camera},{}\n", take.name, fault.key()));
            any = true;
        }
    }
    any.then_some(out)
}
