//! Tables: keys in every row, facts in every file, nothing where nothing can be had.
#![allow(clippy::unwrap_used, reason = "a test: it may stop")]

#[path = "../examples/sample_results/clinic.rs"]
#[allow(dead_code, reason = "what other tests and the example need")]
mod clinic;

use std::collections::BTreeMap;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, UInt32Type};
use arrow_array::{Array, RecordBatch};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use tipwright::model::results::PathPoint;
use tipwright::model::{FigureId, Measured, PathDraw, PathDraws, PathSample, Role};
use tipwright_report::dictionary;
use tipwright_report::tables::rekey;
use tipwright_report::tables::spots::SpotRow;
use tipwright_report::{ReportConfig, clip_files, session_files, take_files};

/// The rows of a Parquet file and its own metadata.
fn read(bytes: Vec<u8>) -> (RecordBatch, BTreeMap<String, String>) {
    // A reader wants a file: one in memory would need a crate of its own.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.parquet");
    std::fs::write(&path, bytes).unwrap();
    let reader = ParquetRecordBatchReaderBuilder::try_new(std::fs::File::open(path).unwrap()).unwrap();
    let facts = reader.metadata().file_metadata().key_value_metadata().unwrap();
    let facts = facts.iter().map(|kv| (kv.key.clone(), kv.value.clone().unwrap())).collect();
    let schema = std::sync::Arc::clone(reader.schema());
    let batches: Vec<RecordBatch> = reader.build().unwrap().map(Result::unwrap).collect();
    (arrow_select::concat::concat_batches(&schema, &batches).unwrap(), facts)
}

#[test]
fn every_table_says_whose_it_is() {
    let session = clinic::session(&clinic::Wish { takes: 2, feet: false, butt: true, seed: 7 });
    let mut files = session_files(&session, false).unwrap();
    files.extend(take_files(&session.takes[0], &ReportConfig::default()).unwrap());
    let tables: Vec<_> = files.into_iter().filter(|f| f.place.ends_with(".parquet")).collect();
    let names: Vec<&str> = tables.iter().map(|f| f.place.as_str()).collect();
    assert_eq!(names, ["strokes.parquet", "evidence.parquet", "path.parquet", "rod.parquet"]);
    for file in tables {
        let (rows, facts) = read(file.bytes);
        for key in ["session_id", "date", "caster_key", "take"] {
            let column = rows.column_by_name(key).unwrap_or_else(|| panic!("{}: {key}", file.place));
            assert_eq!(column.null_count(), 0, "{}: {key}", file.place);
        }
        assert_eq!(rows["caster_key"].as_string::<i32>().value(0), "alder-reach-2026-05-09-m4x7/01");
        for (key, wanted) in [
            ("tipwright.schema", "2"),
            ("tipwright.session_id", "alder-reach-2026-05-09-m4x7"),
            ("tipwright.date", "2026-05-09"),
        ] {
            assert_eq!(facts.get(key).map(String::as_str), Some(wanted), "{}", file.place);
        }
        for key in [
            "tipwright.program",
            "tipwright.units",
            "tipwright.frames",
            "tipwright.definitions",
            "tipwright.columns",
        ] {
            assert!(facts.contains_key(key), "{}: {key}", file.place);
        }
    }
}

/// A point of the path belongs to the stroke between whose start and stop it lies, and to none between strokes.
#[test]
fn a_path_knows_its_stroke() {
    let session = clinic::session(&clinic::Wish { takes: 1, feet: false, butt: true, seed: 7 });
    let take = &session.takes[0];
    let files = take_files(take, &ReportConfig::default()).unwrap();
    let path = files.into_iter().find(|f| f.place == "path.parquet").unwrap();
    let (rows, _) = read(path.bytes);
    let times = rows["t_s"].as_primitive::<Float64Type>();
    let strokes = rows["stroke"].as_primitive::<UInt32Type>();
    let mut between = 0;
    for k in 0..rows.num_rows() {
        let t_s = times.value(k);
        let holds = |s: &&tipwright::model::Stroke| {
            let at = |id| s.figures.get(id).unwrap().value;
            (at(FigureId::TStart)..=at(FigureId::TStop)).contains(&t_s)
        };
        let wanted = take.strokes.iter().find(holds).map(|s| s.stroke);
        assert_eq!((!strokes.is_null(k)).then(|| strokes.value(k)), wanted, "{t_s}");
        between += u32::from(wanted.is_none());
    }
    assert!(between > 10 && between < rows.num_rows() as u32);
}

/// Tables that only clips tell get the names of today, to the byte as if they were made with them.
#[test]
fn a_table_renamed_is_the_table_made_with_those_names() {
    let session = clinic::session(&clinic::Wish { takes: 1, feet: false, butt: true, seed: 7 });
    let mut take = session.takes[0].clone();
    let spot =
        SpotRow { frame_idx: 3, pts_s: 0.025, x_px: 10.5, y_px: 20.25, sigma_px: 0.1, role: Role::Tip };
    let spots = vec![("west".to_owned(), vec![spot]), ("east".to_owned(), vec![spot, spot])];
    let at = |p: &PathPoint| PathSample {
        t_s: p.t_s,
        position_in_world: p.position_m.into(),
        velocity_in_world_m_s: p.velocity_m_s.into(),
        position_sd_m: p.sd_m.into(),
        views: p.views,
    };
    let samples: Vec<PathSample> = take.path.iter().map(at).collect();
    // more rows than are put into columns at a time
    let mut draws = PathDraws::default();
    (0..200).for_each(|_| draws.push(&samples, &PathDraw::of(&samples)));
    let before = clip_files(&take, &spots, &draws).unwrap();
    (take.session, take.phase, take.caster) = ("Another title".into(), None, "07".into());
    take.keys.caster_key = Some("school-7".into());
    let after = clip_files(&take, &spots, &draws).unwrap();
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(before.len(), 2);
    for (before, after) in before.into_iter().zip(after) {
        let path = folder.path().join(&before.place);
        std::fs::write(&path, &before.bytes).unwrap();
        assert!(before.bytes != after.bytes, "{}", before.place);
        assert_eq!(rekey::renamed(&path, &before.place, &take).unwrap(), after);
        let (rows, facts) = read(after.bytes);
        assert!(rows.num_rows() == 3 || rows.num_rows() > 8192, "{}", rows.num_rows());
        assert_eq!(rows["caster_key"].as_string::<i32>().value(0), "school-7");
        assert_eq!(rows["phase"].null_count(), rows.num_rows());
        assert_eq!(facts["tipwright.session"], "Another title");
    }
}

#[test]
fn what_is_no_number_is_empty() {
    let mut session = clinic::session(&clinic::Wish { takes: 1, feet: false, butt: true, seed: 7 });
    session.takes[0].strokes[0].figures.set(FigureId::DipDepth, Measured::new(f64::NAN, f64::INFINITY));
    let files = session_files(&session, false).unwrap();
    for file in files {
        if file.place == "strokes.csv" {
            let text = String::from_utf8(file.bytes).unwrap();
            assert!(!text.contains("NaN") && !text.contains("inf"));
        } else if file.place == "strokes.parquet" {
            let (rows, _) = read(file.bytes);
            assert!(rows["dip_depth_m"].is_null(0) && rows["dip_depth_m_sd"].is_null(0));
            assert!(!rows["dip_depth_m"].is_null(1));
        }
    }
}

#[test]
fn the_dictionary_has_every_column_with_its_definition() {
    let entries = dictionary::entries();
    let text = dictionary::markdown();
    for table in &entries {
        assert!(!table.columns.is_empty() && text.contains(&format!("## {}", table.name)));
        for column in &table.columns {
            assert!(column.definition.len() > 3, "{} {}", table.name, column.name);
            assert!((1..=2).contains(&column.since));
            let unit = [
                ("_m_s", "m/s"),
                ("_ms", "ms"),
                ("_m", "m"),
                ("_deg", "deg"),
                ("_s", "s"),
                ("_px", "px"),
                ("_hz", "Hz"),
                ("_db", "dB"),
            ]
            .iter()
            .find(|(end, _)| column.name.trim_end_matches("_sd").ends_with(end))
            .map_or("", |u| u.1);
            if !matches!(table.name, "comparison_means" | "comparison_differences") {
                assert_eq!(column.unit, unit, "{} {}", table.name, column.name);
            }
        }
    }
    let strokes = entries.iter().find(|t| t.name == "strokes").unwrap();
    let since = |name: &str| strokes.columns.iter().find(|c| c.name == name).unwrap().since;
    assert_eq!(
        [since("dip_depth_m"), since("session"), since("session_id"), since("caster_key")],
        [1, 1, 2, 2]
    );
    let json = dictionary::json();
    assert_eq!(json["schema"], 2);
    assert_eq!(json["tables"].as_array().unwrap().len(), entries.len());
}
