//! How the rod stood at instants of a stroke.

use super::geometry::Geometry;
use super::side::RodPose;
use tipwright::model::Direction;
use tipwright::model::stroke::CastSample;

/// The rod at equal steps of time over the stroke, rod straight position among them, from the butt angle and bend
/// of its samples; empty without butt markers. The hand's end follows from the rod's length, whose shortening by
/// the bend is taken from the circle through bend and length.
#[must_use]
pub fn rod_poses(geometry: &Geometry<'_>, (length_m, rods_drawn): (f64, usize)) -> Vec<RodPose> {
    let samples = &geometry.stroke.samples;
    let (Some(first), Some(last)) = (samples.get(geometry.window.start), samples.last()) else {
        return Vec::new();
    };
    let anchor_s = geometry.t_rsp_s.unwrap_or(last.t_s);
    // From the start of W to as long after rod straight as W's last third, stepping so that it is hit.
    let end_s = (anchor_s + (anchor_s - first.t_s) / 3.0).min(last.t_s);
    let steps = rods_drawn.saturating_sub(3).max(1) as f64;
    let step_s = (anchor_s - first.t_s) / steps;
    if !(step_s > 0.0) {
        return Vec::new();
    }
    let mut out = Vec::new();
    let mut t_s = first.t_s;
    while t_s <= end_s + 1e-9 {
        let snapped = if (t_s - anchor_s).abs() < 1e-6 { anchor_s } else { t_s };
        out.extend(geometry.at(snapped).and_then(|sample| rod_pose(geometry, &sample, length_m)));
        t_s += step_s;
    }
    out
}

fn rod_pose(geometry: &Geometry<'_>, sample: &CastSample, length_m: f64) -> Option<RodPose> {
    let (bend_m, angle) = (sample.bend_m?, sample.butt_angle_deg?.to_radians());
    let axis = [angle.cos(), angle.sin()];
    // The side the tip lags to: behind the stroke.
    let behind = match geometry.stroke.direction {
        Direction::Forward => [-axis[1], axis[0]],
        Direction::Back => [axis[1], -axis[0]],
    };
    let tip = geometry.side(sample);
    // Offset b of a circular arc of length L turns by about 2 b / L; its reach along the axis is L sin(t) / t.
    let turn = (2.0 * bend_m.abs() / length_m).min(2.0);
    let reach = if turn > 1e-6 { length_m * turn.sin() / turn } else { length_m };
    let butt = [0, 1].map(|k| tip[k] - reach * axis[k] - bend_m * behind[k]);
    Some(RodPose { t_s: sample.t_s, butt, axis, tip })
}
