//! Lenses from pictures of boards that other people took, against what they and OpenCV published.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test: it may stop, and it prints its figures"
)]

mod common;

use std::path::{Path, PathBuf};

use common::{Stills, open_data};
use tipwright::lens::{LensCalibration, LensConfig, calibrate, from_source, stereo};
use tipwright::model::Board;
use tipwright_report::lens_page::coverage_svg;

/// Debian's opencv-doc (Apache-2.0).
const OPENCV_DOC: &str = "/usr/share/doc/opencv-doc/examples/data";

fn describe(name: &str, c: &LensCalibration) {
    let l = &c.lens;
    println!(
        "{name}: views {} of {}, rms {:.4} px, fx {:.2} (sd {:.2}), fy {:.2}, cx {:.2}, cy {:.2}, spread {:.2}, parts {}, tilt {:.0} deg",
        c.used_count(),
        c.views.len(),
        l.rms_px.unwrap(),
        l.fx_px,
        l.fx_sd_px.unwrap(),
        l.fy_px,
        l.cx_px,
        l.cy_px,
        c.spread_factor,
        c.coverage.parts(),
        c.coverage.tilt_max_deg
    );
    for v in c.views.iter().filter(|v| v.left_out.is_some()) {
        println!("   {} left out: {}", v.name, v.left_out.as_ref().unwrap());
    }
    for w in &c.warnings {
        println!("   {w}");
    }
    if let Some(folder) = std::env::var_os("TIPWRIGHT_PICTURES") {
        let path = Path::new(&folder).join(format!("{name}.svg"));
        std::fs::write(path, coverage_svg(&c.coverage, &c.views, name)).unwrap();
    }
}

fn run(folder: &Path, board: &Board) -> LensCalibration {
    from_source(&Stills, folder, board, None, &LensConfig::default(), &|_| ()).unwrap()
}

/// Copies of one side's pictures in a folder of their own.
fn side(which: &str) -> Option<(tempfile::TempDir, PathBuf)> {
    if !Path::new(OPENCV_DOC).exists() {
        eprintln!("SKIPPED: opencv-doc is not installed ({OPENCV_DOC})");
        return None;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(which);
    std::fs::create_dir(&path).unwrap();
    for i in 1..=14 {
        let name = format!("{which}{i:02}.jpg");
        let from = Path::new(OPENCV_DOC).join(&name);
        if from.exists() {
            std::fs::copy(from, path.join(name)).unwrap();
        }
    }
    Some((folder, path))
}

#[test]
fn truth_opencv_doc_pairs_give_opencv_lenses_and_baseline() {
    let board = Board::chessboard(9, 6, 25.0);
    let (Some((_a, left)), Some((_b, right))) = (side("left"), side("right")) else { return };
    let (left, right) = (run(&left, &board), run(&right, &board));
    describe("opencv-doc-left", &left);
    describe("opencv-doc-right", &right);
    // OpenCV 5.0 calibrateCamera on the same pictures; left_intrinsics.yml of opencv-doc for the 535.916.
    for (got, wanted) in [
        (left.lens.fx_px, 532.83),
        (left.lens.fy_px, 532.95),
        (right.lens.fx_px, 537.45),
        (right.lens.fy_px, 536.97),
    ] {
        assert!((got / wanted - 1.0).abs() < 0.005, "{got} against OpenCV's {wanted}");
    }
    for got in [left.lens.fx_px, left.lens.fy_px] {
        assert!((got / 535.916 - 1.0).abs() < 0.01, "{got} against the published 535.916");
    }
    assert!(left.lens.rms_px.unwrap() <= 0.20 && right.lens.rms_px.unwrap() <= 0.21);

    // The same pictures, both lenses held: OpenCV's stereoCalibrate finds 3.3282 squares, 83.2 mm, rms 0.2168 px.
    let pairs: Vec<stereo::BoardPair> = left
        .views
        .iter()
        .zip(&right.views)
        .filter(|(a, b)| !a.corners.is_empty() && !b.corners.is_empty())
        .map(|(a, b)| {
            assert_eq!(a.name[4..], b.name[5..]);
            stereo::BoardPair { first: a.corners.clone(), second: b.corners.clone() }
        })
        .collect();
    let pose = stereo::relative_pose([&left.lens, &right.lens], &board, &pairs).unwrap();
    println!(
        "opencv-doc stereo: {} pairs, baseline {:.2} mm (sd {:.2}), rms {:.4} px",
        pairs.len(),
        1000.0 * pose.baseline_m.value,
        1000.0 * pose.baseline_m.sd,
        pose.rms_px
    );
    assert!((1000.0 * pose.baseline_m.value - 83.2).abs() < 0.3);
    assert!(pose.rms_px < 0.25);
}

#[test]
fn truth_phone_stills_in_the_hand_give_the_published_lenses() {
    // Published lens and plain OpenCV's rms over every view with a board, from the notes that come with the data.
    for (phone, published_fx_px, published_fy_px, opencv_rms_px) in
        [("mate7", 1569.213, 1572.008, 0.63), ("p20pro", 1918.685, 1914.768, 1.94)]
    {
        let Some(folder) = open_data(&format!("phones/{phone}")) else { return };
        let c = run(&folder, &Board::chessboard(7, 6, 30.0));
        describe(phone, &c);
        println!(
            "   {phone}: fx off the published by {:+.2} %, fy by {:+.2} %",
            100.0 * (c.lens.fx_px / published_fx_px - 1.0),
            100.0 * (c.lens.fy_px / published_fy_px - 1.0)
        );
        assert!((c.lens.fx_px / published_fx_px - 1.0).abs() < 0.01);
        assert!((c.lens.fy_px / published_fy_px - 1.0).abs() < 0.01);
        assert!(c.lens.rms_px.unwrap() < opencv_rms_px);
        // published.json is in the folder and is no picture.
        assert!(c.views.iter().any(|v| v.name == "published.json" && v.left_out.is_some()));
        // The solution over the views named as used is plain least squares: started from them alone it is the same.
        let used: Vec<_> = c
            .views
            .iter()
            .filter(|v| v.left_out.is_none())
            .map(|v| tipwright::lens::BoardView::new(v.name.clone(), v.corners.clone()))
            .collect();
        let config = LensConfig { leave_out_factor: 1e9, ..LensConfig::default() };
        let board = Board::chessboard(7, 6, 30.0);
        let again = calibrate(&used, &board, c.lens.resolution_px, &config).unwrap();
        assert!((again.lens.fx_px / c.lens.fx_px - 1.0).abs() < 1e-8);
    }
}
