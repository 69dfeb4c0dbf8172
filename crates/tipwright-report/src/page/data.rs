//! The samples of a stroke as compact JSON for the page's script: columns of whole numbers, each the change since the last,
//! in steps of what can be seen. What follows from the tip's place by a straight line (side view, along, above and beside the
//! chord) is not written again: the script has the plane.

use serde_json::{Map, Value, json};

use crate::plot::geometry::{Geometry, speed};
use crate::plot::side::RodPose;
use crate::plot::zero_time_s;
use tipwright::model::line::StrokeLoop;

/// A column: step, then differences; `null` where there is nothing (the next difference is from the last number).
pub fn column(values: impl Iterator<Item = Option<f64>>, step: f64) -> Value {
    let mut last = 0_i64;
    let mut out = vec![json!(step)];
    for value in values {
        out.push(match value.filter(|v| v.is_finite()) {
            None => Value::Null,
            Some(v) => {
                #[allow(clippy::cast_possible_truncation)] // metres and seconds in ten-thousandths
                let now = (v / step).round() as i64;
                let difference = now - last;
                last = now;
                json!(difference)
            }
        });
    }
    Value::Array(out)
}

/// Ten-thousandths.
fn fine(v: f64) -> f64 {
    (v * 1e4).round() / 1e4
}

/// The data of a stroke as text for a page.
#[must_use]
pub fn of_stroke(geometry: &Geometry<'_>, rods: &[RodPose], found: Option<&StrokeLoop>) -> String {
    text(Value::Object(values(geometry, rods, found)))
}

/// JSON that stands in an element of a page: `<` cannot end the element.
#[must_use]
pub fn text(data: Value) -> String {
    data.to_string().replace('<', "\\u003c")
}

/// The data of a stroke. Times are from the zero of its time axes.
#[must_use]
pub fn values(geometry: &Geometry<'_>, rods: &[RodPose], found: Option<&StrokeLoop>) -> Map<String, Value> {
    let samples = &geometry.stroke.samples;
    let zero = zero_time_s(geometry);
    let col = |get: &dyn Fn(usize) -> Option<f64>, step: f64| column((0..samples.len()).map(get), step);
    let [a, b] = geometry.along;
    let chord = geometry.stroke.chord_in_cast;
    let start = chord[0];
    let Value::Object(mut object) = json!({
        "w": [geometry.window.start, geometry.window.end],
        "way": geometry.ink(),
        "along": [a, b],
        "chord": chord.map(|p| [p.x, p.y, p.z].map(fine)),
        "chordway": geometry.chord_way,
        "normal": geometry.normal(),
        "t": col(&|k| Some(samples[k].t_s - zero), 1e-4),
        "x": col(&|k| Some(samples[k].tip_in_cast.x), 1e-4),
        "y": col(&|k| Some(samples[k].tip_in_cast.y), 1e-4),
        "z": col(&|k| Some(samples[k].tip_in_cast.z), 1e-4),
        "v": col(&|k| Some(speed(&samples[k])), 1e-2),
    }) else {
        return Map::new();
    };
    if samples.iter().any(|p| p.bend_m.is_some()) {
        object.insert("b".into(), col(&|k| samples[k].bend_m, 1e-4));
    }
    if samples.iter().any(|p| p.butt_angle_deg.is_some()) {
        object.insert("a".into(), col(&|k| samples[k].butt_angle_deg, 0.1));
    }
    let rods: Vec<Value> = rods.iter().filter_map(|r| rod_in_space(geometry, r)).collect();
    if !rods.is_empty() {
        object.insert("rods".into(), Value::Array(rods));
    }
    if let Some(line) = found {
        let legs = [&line.rod_leg_in_cast_m, &line.fly_leg_in_cast_m];
        // Legs are measured in the cast plane.
        let slope = if a.abs() > 0.1 { b / a } else { 0.0 };
        let place = |p: &[f64; 2]| [fine(p[0]), fine(start.y + (p[0] - start.x) * slope), fine(p[1])];
        let legs = legs.map(|leg| leg.iter().step_by(1 + leg.len() / 40).map(place).collect::<Vec<_>>());
        object.insert("loop".into(), json!(legs));
    }
    let marks: Vec<Value> = crate::plot::timed_marks(geometry)
        .into_iter()
        .filter_map(|(_, t_s, name)| {
            let p = geometry.at(t_s)?.tip_in_cast;
            Some(json!([name, fine(p.x), fine(p.y), fine(p.z)]))
        })
        .collect();
    object.insert("marks".into(), Value::Array(marks));
    object
}

/// Butt, knee and tip of the rod in the cast frame: in the upright plane through the tip along the cast.
fn rod_in_space(geometry: &Geometry<'_>, rod: &RodPose) -> Option<Value> {
    let [a, b] = geometry.along;
    let tip = geometry.at(rod.t_s)?.tip_in_cast;
    let across = -b * tip.x + a * tip.y;
    let reach = (rod.tip[0] - rod.butt[0]).hypot(rod.tip[1] - rod.butt[1]);
    let knee = [0, 1].map(|k| rod.butt[k] + 0.55 * reach * rod.axis[k]);
    let place = |p: [f64; 2]| [fine(p[0] * a - across * b), fine(p[0] * b + across * a), fine(p[1])];
    Some(json!([place(rod.butt), place(knee), place(rod.tip)]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_column_is_its_step_and_its_changes() {
        let values = [Some(1.0), None, Some(1.25), Some(f64::NAN), Some(1.0)];
        assert_eq!(column(values.into_iter(), 0.25).to_string(), "[0.25,4,null,1,null,-1]");
    }
}
