//! `scene --points POINTS.toml -o DIR`: scene and path of one moving point, without video.

use std::path::Path;

use tipwright::scene::points::solve_points;
use tipwright::scene::points_file::read_points;
use tipwright::strokes::write_path;
use tipwright_report::files::write_atomic;

use crate::args::SceneArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Writes scene.toml and path.csv.
pub fn run(points: &Path, args: &SceneArgs, ui: &Ui) -> Result<(), Failure> {
    let config = super::settings::config(&args.stages)?.points;
    let mut input = read_points(points).map_err(Failure::unusable)?;
    input.length_m = args.baseline_m.or(input.length_m);
    let solved =
        solve_points(&input, &config).map_err(|e| Failure::Unusable(format!("{e}: {}", points.display())))?;
    for warning in &solved.warnings {
        ui.warn(warning);
    }
    let scene = toml::to_string(&solved.scene).map_err(Failure::other)?;
    write_atomic(&args.output.join("scene.toml"), scene.as_bytes()).map_err(Failure::other)?;
    write_path(&args.output.join("path.csv"), &solved.path).map_err(Failure::other)?;
    ui.result_json(
        serde_json::json!({ "scene": solved.scene, "labels": solved.counts, "warnings": solved.warnings }),
    );
    for labels in &solved.counts {
        ui.result(&format!(
            "camera {}: {} labels used, {} set aside, each good to {:.2} px (one standard deviation)",
            labels.camera,
            labels.accepted,
            labels.outliers + labels.off_path,
            labels.sigma_px
        ));
    }
    ui.result(&format!(
        "{} path points, unit {}: {}",
        solved.path.samples.len(),
        solved.scene.length_unit,
        args.output.display()
    ));
    Ok(())
}
