//! `plan SESSION`: before filming, what the cameras at their rough places will be able to tell.

use std::path::Path;

use tipwright::lens::read_lens;
use tipwright::model::Lens;
use tipwright::plan::{self, PlanCamera, PlanConfig, lens_of_field};
use tipwright_day::session::{Finding, ReadoutMs, Session, parse};
use tipwright_report::files::write_atomic;
use tipwright_report::page::shell;
use tipwright_report::plan_page;
use tipwright_report::plot::style;

use crate::args::PlanArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Resolution assumed when there is no lens file.
const RESOLUTION_PX: [u32; 2] = [1920, 1080];

/// Writes plan.html, plan.svg, plan.csv and plan.json.
pub fn run(args: &PlanArgs, ui: &Ui) -> Result<(), Failure> {
    let session = read(args, ui)?;
    let config = config(args, &session);
    let cameras = cameras(args, &session, &config)?;
    let bar = ui.steps_bar("reckoning", 100);
    let found = plan::plan(&cameras, &config, &|share| bar.set_position((100.0 * share) as u64))
        .map_err(Failure::unusable)?;
    bar.finish_and_clear();
    let value = serde_json::to_value(&found).map_err(Failure::other)?;
    let json = serde_json::to_string_pretty(&value).map_err(Failure::other)?;
    let files = [
        (
            "plan.html",
            shell::document(
                &format!("Plan: {}", session.title),
                session.report_units,
                &plan_page::body(&found, &session.title, session.report_units),
            ),
        ),
        ("plan.svg", plan_page::svg(&found, &style::standalone_rules(), session.report_units)),
        ("plan.csv", plan_page::csv(&found)),
        ("plan.json", json),
    ];
    for (name, text) in &files {
        write_atomic(&args.output.join(name), text.as_bytes()).map_err(Failure::other)?;
    }
    for warning in &found.warnings {
        ui.warn(warning);
    }
    ui.result_json(value);
    let m = &found.middle;
    ui.result(&format!(
        "In the middle of the volume: position {:.1} mm (along {:.1}, across {:.1}, up {:.1}), dip depth {:.1} mm, clocks {:.2} ms; {:.0} degrees apart",
        m.position_mm, m.along_mm, m.across_mm, m.up_mm, m.dip_mm, m.offset_ms, found.convergence_deg
    ));
    for a in &found.advice {
        ui.result(&format!(
            "{}: position {:.1} to {:.1} mm, dip depth {:.1} to {:.1} mm, volume seen {:.0} to {:.0} %",
            a.what,
            a.position_mm[0],
            a.position_mm[1],
            a.dip_mm[0],
            a.dip_mm[1],
            100.0 * a.seen_share[0],
            100.0 * a.seen_share[1]
        ));
    }
    ui.result(&format!("Maps: {}", args.output.join("plan.html").display()));
    Ok(())
}

/// The session as far as its text goes: clips need not be there yet.
fn read(args: &PlanArgs, ui: &Ui) -> Result<Session, Failure> {
    let parsed = parse(&args.session);
    parsed.session.ok_or_else(|| {
        let problems = parsed.findings.iter().filter(|f| f.is_problem() && f.subject.take_idx().is_none());
        let list: Vec<String> = problems.map(Finding::to_string).collect();
        ui.say("the whole list: tipwright check --files-only");
        Failure::Unusable(format!("the session cannot be used: {}", list.join("; ")))
    })
}

fn config(args: &PlanArgs, session: &Session) -> PlanConfig {
    let base = PlanConfig::default();
    PlanConfig {
        fps: args.fps,
        sigma_px: args.sigma_px,
        marker_m: 1e-3 * session.marker.tip.diameter_mm.get(),
        middle_m: [0.0, 0.0, args.tip_height_m].into(),
        wand_length_m: [session.wand.length_m.get(), base.wand_length_m[1]],
        ..base
    }
}

fn cameras(args: &PlanArgs, session: &Session, config: &PlanConfig) -> Result<Vec<PlanCamera>, Failure> {
    for (name, _) in &args.camera {
        if !session.camera.iter().any(|c| c.name == *name) {
            return Err(Failure::Unusable(format!(
                "--camera {name}: session.toml has no camera of that name: {}",
                args.session.display()
            )));
        }
    }
    // a little below the tip: the rod and the caster belong in the picture too
    let middle_m = [0.0, 0.0, 0.75 * config.middle_m.z];
    let mut out = Vec::new();
    for c in &session.camera {
        let given = args.camera.iter().rev().find(|(name, _)| c.name == *name).map(|(_, at)| *at);
        let Some(position_m) = given.or(c.rough_position_m) else { continue };
        out.push(PlanCamera {
            name: c.name.to_string(),
            position_m: position_m.into(),
            look_at_m: c.rough_look_at_m.unwrap_or(middle_m).into(),
            lens: lens_at(&session.resolve(&c.lens), args)?,
            readout_s: c.readout_ms.map(|ms| 1e-3 * ReadoutMs::get(ms)),
        });
    }
    Ok(out)
}

/// The lens file where there is one, else a lens of the stated field of view.
fn lens_at(path: &Path, args: &PlanArgs) -> Result<Lens, Failure> {
    if path.extension().is_some_and(|e| e == "toml") && path.is_file() {
        return read_lens(path).map_err(Failure::unusable);
    }
    if !(args.field_deg >= 5.0 && args.field_deg <= 170.0) {
        return Err(Failure::Unusable(format!(
            "--field-deg {}: a phone sees 40 to 120 degrees across; give 5 to 170",
            args.field_deg
        )));
    }
    Ok(lens_of_field(args.field_deg, RESOLUTION_PX))
}
