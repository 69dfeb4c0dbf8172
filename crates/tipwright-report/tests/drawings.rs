//! Drawings of strokes find room for their names; drawings of a plan and of a lens.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

mod made;

use nalgebra::Point3;
use tipwright::lens::{Coverage, LeftOut, ViewReport};
use tipwright::model::{RawPixel, ReportUnits};
use tipwright::plan::{PlanCamera, PlanConfig, lens_of_field, plan};
use tipwright_report::lens_page::coverage_svg;
use tipwright_report::plan_page;
use tipwright_report::plot::geometry::Geometry;
use tipwright_report::plot::rods::rod_poses;
use tipwright_report::plot::{Format, bend, side, speed};

fn phone(name: &str, position_m: [f64; 3]) -> PlanCamera {
    PlanCamera {
        name: name.into(),
        position_m: position_m.into(),
        look_at_m: Point3::new(0.1, 0.0, 2.6),
        lens: lens_of_field(65.0, [1920, 1080]),
        readout_s: None,
    }
}

#[test]
fn a_plan_is_drawn_with_its_title_escaped_and_one_row_a_cell() {
    let cameras = [phone("west", [-0.7, -8.3, 1.3]), phone("east", [7.6, -3.0, 2.2])];
    let config = PlanConfig { fps: 120.0, strokes: 3, wand_s: 12.0, cell_m: 1.0, ..PlanConfig::default() };
    let good = plan(&cameras, &config, &|_| ()).unwrap();
    let page = plan_page::body(&good, "a <b>", ReportUnits::Ft);
    assert!(page.contains("a &lt;b&gt;"));
    // whatever is measured stands there in both systems: as many texts of one as of the other
    assert_eq!(page.matches("u-m\"").count(), page.matches("u-ft\"").count());
    assert!(page.contains("sd in inches, from above") && page.contains("sd in mm, from above"));
    assert_eq!(plan_page::csv(&good).lines().count(), 1 + good.above.len() + good.beside.len());
}

#[test]
fn a_lens_picture_counts_views_and_names_empty_parts() {
    let view = |corners: Vec<RawPixel>, left_out| ViewReport {
        name: "still".into(),
        left_out,
        rms_px: None,
        tilt_deg: Some(20.0),
        edge_width_px: None,
        corners,
        camera_from_board: None,
    };
    let views = [
        view(vec![RawPixel::new(100.0, 100.0)], None),
        view(vec![RawPixel::new(900.0, 500.0)], Some(LeftOut::CornerCount { needed: 54, got: 53 })),
    ];
    let svg = coverage_svg(&Coverage::of([1920, 1080], &views), &views, "west & co");
    assert!(svg.contains("1 views used, 1 with a board left out"), "{svg}");
    assert!(svg.contains("west &amp; co"));
    assert_eq!(svg.matches("no corner here").count(), 8, "only the top left part has a corner in use");
}

/// No name is left out for want of room, on a laptop or on a phone, with rods and without.
#[test]
fn every_name_of_a_stroke_finds_its_place() {
    let has_all = |body: &str, names: &[&str], what: &str| {
        for name in names {
            assert!(body.contains(&format!(">{name}")), "{what}: no {name}");
        }
    };
    let moments = ["start", "rod straight", "stop"];
    let of = |butt| made::clinic::session(&made::clinic::Wish { takes: 6, feet: true, butt, seed: 7 }).takes;
    for take in of(true).iter().chain(&of(false)) {
        for stroke in &take.strokes {
            let geometry = Geometry::of(stroke);
            let what = format!("{}, {}", take.take, stroke.stroke);
            for format in [Format::PAGE, Format::PHONE] {
                let rods = rod_poses(&geometry, (2.743, 9));
                let drawn = side::panel(&geometry, &rods, format).body;
                let what = format!("{what}, {} wide, {} rods", format.width, rods.len());
                has_all(&drawn, &["dip", "dome", "chord", "peak speed"], &what);
                has_all(&drawn, &moments, &what);
                let drawn = speed::panel(&geometry, format).body;
                has_all(&drawn, &moments, &what);
                has_all(&drawn, &["peak"], &what);
                if let Some(drawn) = bend::panel(&geometry, format) {
                    has_all(&drawn.body, &["largest", "lead", "counterflex"], &what);
                }
            }
        }
    }
}
