//! run.json: version, build, settings, status of every take, seconds per stage, digests of the inputs.

use std::collections::BTreeMap;

use serde_json::json;

use super::run::Run;
use super::{DayError, RESULTS_SCHEMA, SetUps};
use crate::store::{BUILD, Files, Fixed, Place, StoreError};
use tipwright::model::{SessionResults, TakeResults};

/// Writes run.json.
pub(super) fn write(
    run: &Run<'_>,
    results: &SessionResults,
    set_ups: &SetUps,
    wall_s: f64,
) -> Result<(), DayError> {
    let config = run.config;
    let takes: BTreeMap<&str, serde_json::Value> =
        results.takes.iter().map(|take| (take.take.as_str(), of_take(take, set_ups))).collect();
    let value = json!({
        "schema": RESULTS_SCHEMA,
        "tipwright_version": env!("CARGO_PKG_VERSION"),
        "build": BUILD,
        "session": results.title,
        "session_id": run.keys.session_id,
        "date": run.keys.date,
        "settings": config.settings(),
        "evidence_rules": config.evidence,
        "stage_seconds": run.watch.seconds(),
        "wall_seconds": wall_s,
        "input_digests": set_ups.digests(),
        "scene_warnings": results.warnings,
        "takes": takes,
    });
    let place = Place::fixed(Fixed::Run);
    let bytes = serde_json::to_vec_pretty(&value)
        .map_err(|e| StoreError::Unkeepable { reason: e.to_string(), place: place.clone() })?;
    Ok(run.store.put(&place, &bytes, &mut Files::new())?)
}

fn of_take(take: &TakeResults, set_ups: &SetUps) -> serde_json::Value {
    let set_aside: Vec<_> = take
        .set_aside
        .iter()
        .map(|(start_s, end_s, reason)| json!({"t_start_s": start_s, "t_end_s": end_s, "reason": reason}))
        .collect();
    let missing_by_stroke: BTreeMap<String, _> = take
        .strokes
        .iter()
        .map(|s| (s.stroke.to_string(), &s.figures.missing))
        .filter(|(_, missing)| !missing.is_empty())
        .collect();
    json!({
        "status": take.status,
        "caster": take.caster,
        "phase": take.phase,
        "set_up": take.set_up,
        "strokes": take.strokes.len(),
        "clocks": take.clocks,
        "cameras": take.cameras,
        "observations": take.tally,
        "set_aside": set_aside,
        "missing_figures": take.missing,
        "missing_by_stroke": missing_by_stroke,
        "one_view": take.one_view,
        "warnings": take.warnings,
        "input_digest": set_ups.take_digest(&take.take),
    })
}
