//! The samples of a stroke as compact JSON for the page's script: columns of numbers, rounded to what can be seen.

use serde_json::{Value, json};

use crate::plot::geometry::{Geometry, speed};
use crate::plot::zero_time_s;

fn rounded(value: f64, step: f64) -> Value {
    let v = (value / step).round() * step;
    // Through text, so that 0.1 stays 0.1.
    let places = usize::try_from((-step.log10()).ceil().max(0.0) as i64).unwrap_or(0);
    serde_json::from_str(&format!("{v:.places$}")).unwrap_or(Value::Null)
}

fn column(values: impl Iterator<Item = Option<f64>>, step: f64) -> Value {
    Value::Array(
        values.map(|v| v.filter(|v| v.is_finite()).map_or(Value::Null, |v| rounded(v, step))).collect(),
    )
}

/// The data of a stroke. Times are from the zero of its time axes.
#[must_use]
pub fn of_stroke(geometry: &Geometry<'_>) -> String {
    let samples = &geometry.stroke.samples;
    let zero = zero_time_s(geometry);
    let mm = 1e-4;
    let col = |get: &dyn Fn(usize) -> Option<f64>, step: f64| column((0..samples.len()).map(get), step);
    let mut data = json!({
        "zero": rounded(zero, 1e-4),
        "w": [geometry.window.start, geometry.window.end],
        "way": geometry.ink(),
        "t": col(&|k| Some(samples[k].t_s - zero), 1e-4),
        "u": col(&|k| Some(geometry.side(&samples[k])[0]), mm),
        "x": col(&|k| Some(samples[k].tip_in_cast.x), mm),
        "y": col(&|k| Some(samples[k].tip_in_cast.y), mm),
        "z": col(&|k| Some(samples[k].tip_in_cast.z), mm),
        "s": col(&|k| Some(samples[k].s_m), mm),
        "h": col(&|k| Some(samples[k].h_m), mm),
        "o": col(&|k| Some(samples[k].off_plane_m), mm),
        "v": col(&|k| Some(speed(&samples[k])), 1e-3),
        "chord": geometry.stroke.chord_in_cast.map(|p| [p.x, p.y, p.z].map(|v| rounded(v, mm))),
    });
    if let Some(object) = data.as_object_mut() {
        if samples.iter().any(|p| p.bend_m.is_some()) {
            object.insert("b".into(), col(&|k| samples[k].bend_m, mm));
        }
        if samples.iter().any(|p| p.butt_angle_deg.is_some()) {
            object.insert("a".into(), col(&|k| samples[k].butt_angle_deg, 1e-2));
        }
    }
    // `<` cannot end the element it stands in.
    data.to_string().replace('<', "\\u003c")
}
