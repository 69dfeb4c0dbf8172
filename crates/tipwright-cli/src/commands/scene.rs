//! `scene SESSION -o DIR` and `scene --points POINTS.toml -o DIR`.

use tipwright_day::day::{self, SetUp};
use tipwright_footage::Reader;

use super::day::{Screen, as_failure};
use super::scene_points;
use crate::args::SceneArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Solves the set-up of a session, or of point tracks.
pub fn run(args: &SceneArgs, ui: &Ui) -> Result<(), Failure> {
    if let Some(points) = &args.points {
        return scene_points::run(points, args, ui);
    }
    let Some(session) = &args.session else {
        return Err(Failure::Unusable("name a session folder, or --points POINTS.toml".into()));
    };
    let config = super::settings::config(&args.stages)?;
    let screen = Screen::new(ui, "scene");
    let set_ups = day::run_scene(session, &args.output, &Reader::default(), &config, &|event| {
        screen.show(&event);
    });
    screen.close();
    let set_ups = set_ups.map_err(as_failure)?;
    let all: Vec<&SetUp> = set_ups.solved().collect();
    let json = |set_up: &SetUp| serde_json::json!({ "name": set_up.name, "scene": set_up.scene, "warnings": set_up.warnings });
    let mut answer = all.first().map(|first| json(first)).unwrap_or_default();
    if all.len() > 1 {
        answer["set_ups"] = all.iter().map(|s| json(s)).collect();
    }
    ui.result_json(answer);
    for set_up in all {
        let q = &set_up.scene.quality;
        let name = set_up.name.as_ref().map_or_else(String::new, |n| format!("set-up {n}: "));
        let file = args.output.join(&set_up.file);
        if let Some(hung) = &set_up.scene.hung {
            ui.result(&format!("{name}{}: {}", hung.shown(), file.display()));
            continue;
        }
        ui.result(&format!(
            "{name}wand rms {:.2} mm, reprojection {:.2} px, cameras {:.0} degrees apart: {}",
            q.wand_rms_mm.unwrap_or(f64::NAN),
            q.reprojection_rms_px.unwrap_or(f64::NAN),
            set_up.convergence_deg().unwrap_or(f64::NAN),
            file.display()
        ));
    }
    Ok(())
}
