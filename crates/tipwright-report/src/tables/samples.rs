//! Tables over time: path, rod and loop of a take, each row with its session, caster and stroke, so that one query over
//! `*/takes/*/path.parquet` spans many sessions; and the plain CSV tables of a take beside them.

use super::keys::{self, OfTake};
use super::table::{Column, Kind, Table, Value};
use tipwright::model::FigureId;
use tipwright::model::line::{LoopMoment, StrokeLoop};
use tipwright::model::results::{PathPoint, RodSample, TakeResults};

/// A sample of a take at some instant.
#[derive(Debug, Clone, Copy)]
pub struct SampleRow<'a, S> {
    pub(super) take: &'a TakeResults,
    pub(super) stroke: Option<u32>,
    pub(super) sample: S,
}

impl<S> OfTake for SampleRow<'_, S> {
    fn take(&self) -> &TakeResults {
        self.take
    }

    fn stroke(&self) -> Option<u32> {
        self.stroke
    }
}

/// Number of the stroke that holds an instant: from its start to its stop, or to rod straight where no stop was found.
pub(super) fn stroke_at(take: &TakeResults, t_s: f64) -> Option<u32> {
    let holds = |s: &&tipwright::model::Stroke| {
        let value = |id| s.figures.get(id).map(|m| m.value);
        let end = value(FigureId::TStop).or_else(|| value(FigureId::TRsp));
        value(FigureId::TStart).zip(end).is_some_and(|(from, to)| from <= t_s && t_s <= to)
    };
    take.strokes.iter().find(holds).map(|s| s.stroke)
}

/// Rows of the path.
#[must_use]
pub fn path_rows<'a>(takes: &[&'a TakeResults]) -> Vec<SampleRow<'a, PathPoint>> {
    let of = |take: &'a TakeResults| {
        take.path.iter().map(move |p| SampleRow { take, stroke: stroke_at(take, p.t_s), sample: *p })
    };
    takes.iter().copied().flat_map(of).collect()
}

/// Rows of the rod.
#[must_use]
pub fn rod_rows(take: &TakeResults) -> Vec<SampleRow<'_, RodSample>> {
    take.rod.iter().map(|r| SampleRow { take, stroke: stroke_at(take, r.t_s), sample: *r }).collect()
}

/// Rows of the loops, over time.
#[must_use]
pub fn loop_rows(take: &TakeResults) -> Vec<SampleRow<'_, (LoopMoment, bool)>> {
    let of = |l: &'_ StrokeLoop| -> Vec<SampleRow<'_, (LoopMoment, bool)>> {
        let standard = |m: &LoopMoment| (m.t_s - l.t_s).abs() < 1e-9;
        l.moments
            .iter()
            .map(|m| SampleRow { take, stroke: Some(l.stroke), sample: (*m, standard(m)) })
            .collect()
    };
    take.loops.iter().flat_map(of).collect()
}

/// `path.parquet`.
#[must_use]
pub fn path<'a>() -> Table<SampleRow<'a, PathPoint>> {
    type Row<'r> = SampleRow<'r, PathPoint>;
    let mut columns = keys::columns();
    let at = columns.len() - 1;
    let stroke = columns.remove(at);
    columns.push(stroke.since(2).meaning(
        "Number of the stroke that holds this instant, from its start to its stop; empty between strokes.",
    ));
    columns.extend([
        Column::number("t_s", "s", "Session time: the first camera's clock.", |r: &Row<'_>| r.sample.t_s),
        Column::number("x_m", "m", "Tip in the world frame, x.", |r: &Row<'_>| r.sample.position_m[0]),
        Column::number("y_m", "m", "Tip in the world frame, y.", |r: &Row<'_>| r.sample.position_m[1]),
        Column::number("z_m", "m", "Tip in the world frame, z, up.", |r: &Row<'_>| r.sample.position_m[2]),
        Column::number("vx_m_s", "m/s", "Velocity of the tip along x.", |r: &Row<'_>| {
            r.sample.velocity_m_s[0]
        }),
        Column::number("vy_m_s", "m/s", "Velocity of the tip along y.", |r: &Row<'_>| {
            r.sample.velocity_m_s[1]
        }),
        Column::number("vz_m_s", "m/s", "Velocity of the tip along z.", |r: &Row<'_>| {
            r.sample.velocity_m_s[2]
        }),
        Column::number("sx_m", "m", "Standard deviation of x_m.", |r: &Row<'_>| r.sample.sd_m[0]),
        Column::number("sy_m", "m", "Standard deviation of y_m.", |r: &Row<'_>| r.sample.sd_m[1]),
        Column::number("sz_m", "m", "Standard deviation of z_m.", |r: &Row<'_>| r.sample.sd_m[2]),
        Column::new(
            Kind::Count,
            "views",
            "Cameras that saw the tip within half a frame; 0: a short gap was bridged.",
            |r: &Row<'_>| Value::Count(u32::from(r.sample.views)),
        ),
    ]);
    Table {
        name: "path",
        files: "takes/<take>/path.parquet; without the keys takes/<take>/path.csv",
        about: "The tip's path in the world frame: one row per frame time of the first camera inside the tracked span, and between them in the step of a faster camera beside a slow first one. Those of all results compared: comparison_points.parquet.",
        columns,
    }
}

/// `rod.parquet`; its own four columns are those of `rod.csv`.
#[must_use]
pub fn rod<'a>() -> Table<SampleRow<'a, RodSample>> {
    let mut columns = keys::columns();
    columns.extend(rod_columns().into_iter().map(|c| c.since(2)));
    Table {
        name: "rod",
        files: "takes/<take>/rod.parquet; without the keys takes/<take>/rod.csv",
        about: "Bend and butt angle over time, where butt markers are worn.",
        columns,
    }
}

/// A row with a sample of the rod in it.
trait HasRod {
    fn rod(&self) -> &RodSample;
}

impl HasRod for RodSample {
    fn rod(&self) -> &RodSample {
        self
    }
}

impl HasRod for SampleRow<'_, RodSample> {
    fn rod(&self) -> &RodSample {
        &self.sample
    }
}

fn rod_columns<R: HasRod>() -> Vec<Column<R>> {
    vec![
        Column::number("t_s", "s", "Session time: the first camera's clock.", |r: &R| r.rod().t_s),
        Column::number(
            "butt_angle_deg",
            "deg",
            "Elevation of the butt's axis: 0 level the way the forward cast travels, 90 upright, more leaning back.",
            |r: &R| r.rod().butt_angle_deg,
        ),
        Column::number(
            "bend_m",
            "m",
            "Signed offset of the tip from the butt's axis in the cast plane; positive: the tip lies behind it, seen the way the \
             forward cast travels.",
            |r: &R| r.rod().bend_m,
        ),
        Column::number("bend_sigma_m", "m", "Standard deviation of bend_m.", |r: &R| r.rod().bend_sigma_m),
    ]
}

/// `rod.csv`.
#[must_use]
pub fn rod_csv() -> Table<RodSample> {
    Table { name: "rod", files: "", about: "", columns: rod_columns() }
}

/// `loop.parquet`.
#[must_use]
pub fn loops<'a>() -> Table<SampleRow<'a, (LoopMoment, bool)>> {
    type Row<'r> = SampleRow<'r, (LoopMoment, bool)>;
    let mut columns = keys::columns();
    let own = [
        Column::number("t_s", "s", "Session time: the first camera's clock.", |r: &Row<'_>| r.sample.0.t_s),
        Column::number(
            "nose_travel_m",
            "m",
            "Front of the loop's nose ahead of the tip, along the loop's trajectory.",
            |r: &Row<'_>| r.sample.0.travel_m,
        ),
        Column::number("nose_x_m", "m", "Front of the nose in the cast frame, X.", |r: &Row<'_>| {
            r.sample.0.nose_in_cast_m[0]
        }),
        Column::number("nose_z_m", "m", "Front of the nose in the cast frame, Z.", |r: &Row<'_>| {
            r.sample.0.nose_in_cast_m[1]
        }),
        Column::number("width_m", "m", "Separation of the legs at the section.", |r: &Row<'_>| {
            r.sample.0.width_m.value
        }),
        Column::number("width_m_sd", "m", "One standard deviation of width_m.", |r: &Row<'_>| {
            r.sample.0.width_m.sd
        }),
        Column::new(
            Kind::Flag,
            "standard",
            "The moment at which the loop's figures of the stroke are taken.",
            |r: &Row<'_>| Value::Flag(r.sample.1),
        ),
    ];
    columns.extend(own.into_iter().map(|c| c.since(2)));
    Table {
        name: "loop",
        files: "takes/<take>/loop.parquet",
        about: "The loop over time, of the strokes whose line was measured.",
        columns,
    }
}
