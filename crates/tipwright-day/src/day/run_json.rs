//! run.json: version, settings, status of every take, seconds per stage, digests of the inputs.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;
use std::time::Duration;

use serde_json::json;

use super::{DayConfig, DayError, RESULTS_SCHEMA, SetUp, kept};
use crate::session::Session;
use tipwright::model::SessionResults;
use tipwright_report::ReportError;
use tipwright_report::files::write_atomic;

/// Seconds spent per stage, summed over threads.
#[derive(Debug, Default)]
pub(super) struct Watch {
    spent: Mutex<BTreeMap<&'static str, Duration>>,
}

impl Watch {
    pub(super) fn new() -> Self {
        Self::default()
    }

    pub(super) fn add(&self, stage: &'static str, spent: Duration) {
        if let Ok(mut map) = self.spent.lock() {
            *map.entry(stage).or_default() += spent;
        }
    }

    fn seconds(&self) -> BTreeMap<&'static str, f64> {
        let map = self.spent.lock().map(|m| m.clone()).unwrap_or_default();
        map.into_iter().map(|(stage, spent)| (stage, spent.as_secs_f64())).collect()
    }
}

/// Writes run.json, and keeps the session's results for `compare`.
pub(super) fn write(
    session: &Session,
    results: &SessionResults,
    set_up: &SetUp,
    watch: &Watch,
    wall: Duration,
    config: &DayConfig,
    out: &Path,
) -> Result<(), DayError> {
    let takes: BTreeMap<&str, serde_json::Value> = results
        .takes
        .iter()
        .map(|take| {
            let value = json!({
                "status": take.status,
                "caster": take.caster,
                "phase": take.phase,
                "strokes": take.strokes.len(),
                "clocks": take.clocks,
                "cameras": take.cameras,
                "observations": take.tally,
                "set_aside": take.set_aside.iter().map(|(start_s, end_s, reason)|
                    json!({"t_start_s": start_s, "t_end_s": end_s, "reason": reason})).collect::<Vec<_>>(),
                "missing_figures": take.missing,
                "missing_by_stroke": take.strokes.iter().map(|s| (s.stroke.to_string(), s.figures.missing.clone()))
                    .filter(|(_, missing)| !missing.is_empty()).collect::<BTreeMap<_, _>>(),
                "warnings": take.warnings,
                "input_digest": set_up.take_digests.lock().ok().and_then(|d| d.get(&take.take).cloned()),
            });
            (take.take.as_str(), value)
        })
        .collect();
    let value = json!({
        "schema": RESULTS_SCHEMA,
        "tipwright_version": env!("CARGO_PKG_VERSION"),
        "session": session.title,
        "session_id": session.id,
        "settings": config.settings(),
        "evidence_rules": config.evidence,
        "stage_seconds": watch.seconds(),
        "wall_seconds": wall.as_secs_f64(),
        "input_digests": set_up.digests,
        "scene_warnings": results.warnings,
        "takes": takes,
    });
    let path = out.join("run.json");
    let bytes = serde_json::to_vec_pretty(&value)
        .map_err(|e| ReportError::Table { reason: e.to_string(), path: path.clone() })?;
    write_atomic(&path, &bytes)?;
    kept::write(out, "session", "", results)?;
    Ok(())
}
