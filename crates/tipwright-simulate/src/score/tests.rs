//! Folders made by hand whose errors are known.

use std::fmt::Write as _;
use std::path::Path;

use super::{ScoreError, score};

/// A take along a bent path, turned and shifted, with a stroke whose dip is off by `dip_off_m`.
fn folder(dir: &Path, yaw_rad: f64, off_m: f64, dip_off_m: f64, with_second: bool) {
    let take = dir.join("takes/01");
    std::fs::create_dir_all(&take).unwrap();
    let (s, c) = yaw_rad.sin_cos();
    let mut path = String::from("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views\n");
    for i in 0..1000 {
        let t = f64::from(i) * 0.002;
        let (x, y, z) = (2.0 * (3.0 * t).sin(), 0.3 * t, 3.0 + 0.2 * (5.0 * t).cos());
        let (vx, vy, vz) = (6.0 * (3.0 * t).cos(), 0.3, -(5.0 * t).sin());
        // an error that neither a turn nor a shift can take out: up and down by turns
        let z = z + if i % 2 == 0 { off_m } else { -off_m };
        let _ = writeln!(
            path,
            "{t},{},{},{z},{},{},{vz},0.01,0.01,0.01,2",
            c * x - s * y + 1.0,
            s * x + c * y - 2.0,
            c * vx - s * vy,
            s * vx + c * vy
        );
    }
    std::fs::write(take.join("path.csv"), path).unwrap();
    let stroke = |n: u32, start: f64| {
        format!(
            r#"{{"stroke":{n},"direction":"forward","t_start_s":{start},"t_start_s_sd":0.001,"t_rsp_s":{},"t_rsp_s_sd":0.001,
            "t_stop_s":{},"t_stop_s_sd":0.001,"dip_depth_m":{},"dip_depth_m_sd":0.002}}"#,
            start + 0.3,
            start + 0.4,
            0.012 + dip_off_m
        )
    };
    let mut strokes = vec![stroke(1, 0.2)];
    if with_second {
        strokes.push(stroke(2, 1.2));
    }
    std::fs::write(take.join("strokes.json"), format!(r#"{{"schema":1,"strokes":[{}]}}"#, strokes.join(",")))
        .unwrap();
}

#[test]
fn known_errors_come_back() {
    let (truth, results) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    folder(truth.path(), 0.0, 0.0, 0.0, true);
    folder(results.path(), 0.7, 0.005, 0.005, false);
    let report = score(results.path(), truth.path()).unwrap();
    assert!((report.world.yaw_deg + 0.7_f64.to_degrees()).abs() < 1e-6);
    assert!((report.path_rmse_mm.unwrap() - 5.0).abs() < 0.01, "{:?}", report.path_rmse_mm);
    assert_eq!((report.strokes.there, report.strokes.found, report.strokes.missed), (2, 1, 1));
    let dip = report.figures.iter().find(|f| f.key == "dip_depth_m").unwrap();
    assert!((dip.rmse - 0.005).abs() < 1e-12 && dip.inside == 0 && dip.with_interval == 1);
    let start = report.figures.iter().find(|f| f.key == "t_start_s").unwrap();
    assert!(start.rmse < 1e-12 && start.inside == 1);
    assert!(report.to_text().contains("dip_depth_m"));
    assert!(report.to_html().contains("<svg"));
    assert!(report.to_json().unwrap().contains("\"path_rmse_mm\""));
    // the other way round the second stroke is an invention
    let report = score(truth.path(), results.path()).unwrap();
    assert_eq!((report.strokes.invented, report.strokes.missed), (1, 0));
}

#[test]
fn a_count_that_agrees_without_an_interval_is_no_interval_that_held() {
    let (truth, results) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    for (folder, hesitations) in [(truth.path(), [0, 0]), (results.path(), [0, 1])] {
        let take = folder.join("takes/01");
        std::fs::create_dir_all(&take).unwrap();
        let rows: Vec<String> = [0.2, 1.2]
            .iter()
            .zip(hesitations)
            .enumerate()
            .map(|(i, (start, n))| {
                format!(
                    r#"{{"stroke":{},"direction":"forward","t_start_s":{start},"t_start_s_sd":0.001,"acceleration_sign_changes":{n},"acceleration_sign_changes_sd":0.0}}"#,
                    i + 1
                )
            })
            .collect();
        std::fs::write(
            take.join("strokes.json"),
            format!(r#"{{"schema":1,"strokes":[{}]}}"#, rows.join(",")),
        )
        .unwrap();
    }
    let report = score(results.path(), truth.path()).unwrap();
    let count = report.figures.iter().find(|f| f.key == "acceleration_sign_changes").unwrap();
    assert_eq!((count.count, count.with_interval, count.inside), (2, 1, 0), "{count:?}");
}

#[test]
fn a_stroke_whose_rod_straight_position_fell_into_a_gap_is_found() {
    let (truth, results) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    folder(truth.path(), 0.0, 0.0, 0.0, true);
    folder(results.path(), 0.0, 0.0, 0.0, true);
    let file = results.path().join("takes/01/strokes.json");
    let text = std::fs::read_to_string(&file).unwrap().replacen("t_rsp_s\":", "t_rsp_unseen\":", 1);
    std::fs::write(&file, text).unwrap();
    let report = score(results.path(), truth.path()).unwrap();
    assert_eq!((report.strokes.found, report.strokes.missed, report.strokes.invented), (2, 0, 0));
}

#[test]
fn a_stroke_by_the_speed_in_a_take_with_butt_markers_has_no_true_creep() {
    let (truth, results) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let write = |folder: &Path, file: &str, first: (&str, f64, f64), second: (&str, f64, f64)| {
        let take = folder.join("takes/01");
        std::fs::create_dir_all(&take).unwrap();
        let row = |n: u32, start: f64, (source, creep_m, dip_m): (&str, f64, f64)| {
            format!(
                r#"{{"stroke":{n},"direction":"forward","rsp_source":"{source}","t_start_s":{start},"t_start_s_sd":0.001,
                "creep_m":{creep_m},"creep_m_sd":0.01,"dip_depth_m":{dip_m},"dip_depth_m_sd":0.001}}"#
            )
        };
        let rows = [row(1, 0.2, first), row(2, 1.2, second)].join(",");
        std::fs::write(take.join(file), format!(r#"{{"schema":1,"strokes":[{rows}]}}"#)).unwrap();
    };
    let errors = |results: &Path| {
        let report = score(results, truth.path()).unwrap();
        ["creep_m", "dip_depth_m"].map(|key| report.figures.iter().find(|f| f.key == key).unwrap().worst_abs)
    };
    // of the butt 0.3 m, of the tip 0.1 m; the dip up to the bend's moment 20 mm, up to the speed's 5 mm
    write(truth.path(), "strokes.json", ("bend", 0.3, 0.020), ("bend", 0.3, 0.020));
    write(truth.path(), "strokes_by_tip.json", ("speed", 0.1, 0.005), ("speed", 0.1, 0.005));
    write(results.path(), "strokes.json", ("bend", 0.3, 0.020), ("speed", 0.33, 0.005));
    assert_eq!(errors(results.path()), [0.0, 0.0]);
    // no butt marker in the whole take: the tip's creep
    write(results.path(), "strokes.json", ("speed", 0.1, 0.005), ("speed", 0.1, 0.005));
    assert_eq!(errors(results.path()), [0.0, 0.0]);
}

#[test]
fn folders_without_takes_are_refused() {
    let empty = tempfile::tempdir().unwrap();
    assert!(matches!(score(empty.path(), empty.path()), Err(ScoreError::Missing { .. })));
}
