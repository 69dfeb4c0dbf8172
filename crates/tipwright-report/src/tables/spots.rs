//! Spots as they were used: `spots.parquet` of a take with the keys, `spots_<camera>.csv` of each camera without.

use super::keys;
use super::samples::{SampleRow, stroke_at};
use super::table::{Column, Kind, Table, Value};
use tipwright::model::results::TakeResults;
use tipwright::model::{RawPixel, Role};

/// A spot as it was used. Upright pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpotRow {
    /// Position in the clip, from 0.
    pub frame_idx: u32,
    /// Presentation time after re-timing, seconds.
    pub pts_s: f64,
    /// Centre, x.
    pub x_px: f64,
    /// Centre, y.
    pub y_px: f64,
    /// Standard deviation per axis.
    pub sigma_px: f64,
    /// Which marker it was taken for.
    pub role: Role,
}

/// A spot with its camera and the moment at which the shutter passed it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeenSpot<'a> {
    camera: &'a str,
    t_s: Option<f64>,
    spot: SpotRow,
}

/// A row with a spot in it.
trait HasSpot {
    fn spot(&self) -> &SpotRow;
}

impl HasSpot for SpotRow {
    fn spot(&self) -> &SpotRow {
        self
    }
}

impl HasSpot for SampleRow<'_, SeenSpot<'_>> {
    fn spot(&self) -> &SpotRow {
        &self.sample.spot
    }
}

/// Rows of a take's spots, by camera.
#[must_use]
pub fn rows<'a>(
    take: &'a TakeResults,
    spots: &'a [(String, Vec<SpotRow>)],
) -> Vec<SampleRow<'a, SeenSpot<'a>>> {
    let moment = |camera: &str, spot: &SpotRow| {
        let clock = take.clocks.iter().find(|c| c.camera == camera)?;
        let picture = take.cameras.iter().find(|c| c.camera == camera)?.picture;
        let at = RawPixel { x_px: spot.x_px, y_px: spot.y_px };
        Some(clock.clock.session_s(spot.pts_s, picture.shutter_fraction(at)))
    };
    let of = |(camera, spots): &'a (String, Vec<SpotRow>)| {
        spots.iter().map(move |spot| {
            let t_s = moment(camera, spot);
            let stroke = t_s.and_then(|t_s| stroke_at(take, t_s));
            SampleRow { take, stroke, sample: SeenSpot { camera, t_s, spot: *spot } }
        })
    };
    spots.iter().flat_map(of).collect()
}

/// `spots_<camera>.csv`.
#[must_use]
pub fn csv() -> Table<SpotRow> {
    Table { name: "spots", files: "", about: "", columns: columns() }
}

/// `spots.parquet`.
#[must_use]
pub fn table<'a>() -> Table<SampleRow<'a, SeenSpot<'a>>> {
    type Row<'r> = SampleRow<'r, SeenSpot<'r>>;
    let mut all = keys::columns();
    let own = [
        Column::new(Kind::Text, "camera", "Camera that saw it.", |r: &Row<'_>| {
            Value::text(Some(r.sample.camera))
        }),
        Column::new(
            Kind::Number,
            "t_s",
            "Session time at which the shutter passed it, by the take's own clocks.",
            |r: &Row<'_>| Value::number(r.sample.t_s),
        )
        .unit("s"),
    ];
    all.extend(own.into_iter().chain(columns()).map(|c| c.since(2)));
    Table {
        name: "spots",
        files: "takes/<take>/spots.parquet; without the keys, camera and t_s takes/<take>/spots_<camera>.csv",
        about: "One row per spot that was used.",
        columns: all,
    }
}

fn columns<R: HasSpot>() -> Vec<Column<R>> {
    vec![
        Column::new(Kind::Count, "frame", "Position of the frame in the clip, from 0.", |r: &R| {
            Value::Count(r.spot().frame_idx)
        }),
        Column::number("pts_s", "s", "Presentation time after re-timing.", |r: &R| r.spot().pts_s),
        Column::number("x_px", "px", "Centre of the spot, to the right; upright picture.", |r: &R| {
            r.spot().x_px
        }),
        Column::number("y_px", "px", "Centre of the spot, downward.", |r: &R| r.spot().y_px),
        Column::number("sigma_px", "px", "Standard deviation of the centre per axis.", |r: &R| {
            r.spot().sigma_px
        }),
        Column::new(Kind::Text, "role", "Marker it was taken for: tip, butt1, butt2.", |r: &R| {
            Value::text(Some(match r.spot().role {
                Role::Tip => "tip",
                Role::Butt1 => "butt1",
                Role::Butt2 => "butt2",
            }))
        }),
    ]
}
