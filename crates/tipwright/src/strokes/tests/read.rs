//! path.csv in and out.

use nalgebra::Point3;

use crate::model::FigureId as F;

use super::made::{FPS, Push, path, tip_only};
use super::{PathFileError, StrokesConfig, measure, read_path, write_path};

fn written(text: &str) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("path.csv");
    std::fs::write(&file, text).unwrap();
    (folder, file)
}

fn message(text: &str) -> String {
    let (_folder, file) = written(text);
    let e: PathFileError = read_path(&file).unwrap_err();
    let message = e.to_string();
    assert!(message.ends_with("path.csv"), "{message}");
    message
}

fn rows(n: usize, row: impl Fn(usize) -> String) -> String {
    (0..n).map(|i| row(i) + "\n").collect()
}

#[test]
fn written_and_read_is_the_same() {
    let push = Push { peak_m_s: 18.0, rise_s: 0.35, fall_s: 0.1 };
    let marker = path(FPS, 3.0, 6.0, |t| Point3::new(push.at(t - 4.0), 0.2, 3.1));
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("path.csv");
    write_path(&file, &marker).unwrap();
    let got = read_path(&file).unwrap();
    assert!(got.warnings.is_empty());
    assert_eq!(got.path.samples.len(), marker.samples.len());
    for (a, b) in got.path.samples.iter().zip(&marker.samples) {
        // rounded to a tenth of a microsecond and a micrometre
        assert!((a.t_s - b.t_s).abs() < 1e-7 && (a.position_in_world - b.position_in_world).norm() < 2e-6);
        assert!((a.velocity_in_world_m_s - b.velocity_in_world_m_s).norm() < 2e-5 && a.views == b.views);
        assert!((a.position_sd_m - b.position_sd_m).norm() < 1e-6);
    }
    let names: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names, ["path.csv"]);
}

#[test]
fn positions_alone_are_smoothed_and_said_to_be() {
    let push = Push { peak_m_s: 18.0, rise_s: 0.35, fall_s: 0.15 };
    let text = rows(720, |i| {
        let t = i as f64 / FPS;
        // 2 mm of scatter without a pattern
        let shake = 0.002 * ((i * i) as f64 * 0.7).sin();
        format!("{},{},{},3.0,left", t, push.at(t - 1.0) + shake, shake)
    });
    let (_folder, file) = written(&format!("t_s, x_m, y_m, z_m, remark\n{text}"));
    let got = read_path(&file).unwrap();
    assert_eq!(got.warnings.len(), 1);
    let outcome = measure(&tip_only(got.path), &StrokesConfig::default()).unwrap();
    assert_eq!(outcome.strokes.len(), 1, "{:?}", outcome.set_aside);
    let peak = outcome.strokes[0].figures.get(F::PeakSpeed).unwrap();
    // the corner of the profile is rounded by smoothing
    assert!((peak.value - 18.0).abs() < 0.5, "{peak:?}");
    assert!(peak.sd > 0.01);
}

#[test]
fn without_deviations_a_stated_one_is_taken() {
    let text = rows(20, |i| format!("{},{},0,3,1,0,0", i as f64 / FPS, i as f64 / FPS));
    let (_folder, file) = written(&format!("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s\n{text}"));
    let got = read_path(&file).unwrap();
    assert!(got.path.samples.iter().all(|s| s.position_sd_m.x == super::read_path::ASSUMED_SD_M));
    assert!(got.warnings[0].what.contains("5 mm"));
}

#[test]
fn what_is_wrong_is_said_with_its_line() {
    let good = "t_s,x_m,y_m,z_m\n";
    assert!(message("").contains("no column t_s"));
    assert!(message("time,x,y\n1,2,3\n").contains("line 1: the header has no column t_s"));
    assert!(message("t_s,x_m,y_m,z_m,vx_m_s\n").contains("vy_m_s is missing"));
    let line_4 = format!("{good}0.0,1,2,3\n0.1,1,2,3\n0.2,1,NaN,3\n");
    assert!(message(&line_4).contains("line 4: y_m is NaN"), "{}", message(&line_4));
    assert!(message(&format!("{good}0.0,1,2,3\n0.1,1,2\n")).contains("line 3: z_m is missing"));
    assert!(message(&format!("{good}0.0,1,2,3\n0.1,1,two,3\n")).contains("\"two\", not a number"));
    assert!(
        message(&format!("{good}0.1,1,2,3\n0.1,1,2,3\n")).contains("line 3: t_s is 0.1, not later than 0.1")
    );
    assert!(message(&format!("{good}0.1,1,2,3\n0.2,1,2,3\n")).contains("2 rows"));
    assert!(
        read_path(std::path::Path::new("/nowhere/path.csv"))
            .unwrap_err()
            .to_string()
            .contains("cannot be read")
    );
    let (_folder, file) = written("x");
    std::fs::write(&file, [0xff, 0xfe, 0x00]).unwrap();
    assert!(read_path(&file).unwrap_err().to_string().contains("not UTF-8"));
}

/// One place half a kilometre off makes movements that overlap, with nothing between them.
#[test]
fn movements_that_overlap_are_measured_or_refused() {
    let text = String::from("t_s,x_m,y_m,z_m,vx_m_s,vy_m_s,vz_m_s,sx_m,sy_m,sz_m,views\n")
        + &rows(60, |i| {
            let t_s = i as f64 / 120.0;
            let (x, v) = ((12.0 * t_s).sin(), 12.0 * (12.0 * t_s).cos());
            match i {
                30 => format!("{t_s:.5},{x:.4},0.0,3.1,{v:.4},0,0,0,0.002,0.002,0"),
                33 => format!("{t_s:.5},-2,577,0.0,3.1,-11.8498,0,0,0.002,577,0"),
                _ => format!("{t_s:.5},{x:.4},0.0,3.1,{v:.4},0,0,0.002,0.002,0.002,2"),
            }
        });
    let (_folder, file) = written(&text);
    let paths = crate::model::RodPaths { tip: read_path(&file).unwrap().path, butts: Vec::new() };
    // strokes or a reason, whichever
    if let Ok(outcome) = measure(&paths, &StrokesConfig::default()) {
        assert!(outcome.strokes.iter().all(|s| s.kind_p.is_finite()));
    }
}
