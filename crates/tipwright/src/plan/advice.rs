//! Set-ups with one thing changed, and which changes help.

use nalgebra::{Point3, Rotation3, Vector3};
use serde::Serialize;

use super::expect::{Cell, Expected, SetUp};
use super::{CameraReport, PlanCamera, PlanConfig};
use crate::model::{Severity, Warning};

/// What is changed about one camera.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// Walk round the caster, degrees; positive is anticlockwise seen from above.
    SwingDeg(f64),
    /// Raise (or lower) the tripod, metres.
    RaiseM(f64),
    /// Come closer (or step back), metres.
    CloserM(f64),
}

/// A change with what it would do in the middle of the volume.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Advice {
    /// Whom it is about.
    pub camera: String,
    /// What to change.
    pub change: Change,
    /// In words.
    pub what: String,
    /// New place.
    pub to_m: [f64; 3],
    /// Position now and then.
    pub position_mm: [f64; 2],
    /// Dip depth now and then.
    pub dip_mm: [f64; 2],
    /// Share of the map's cells that every camera sees, now and then.
    pub seen_share: [f64; 2],
}

/// A change must be worth this share of position's or dip depth's standard deviation to be told.
const WORTH: f64 = 0.08;
/// Most pieces of advice.
const MOST: usize = 5;
/// Lens heights that tripods reach.
const HEIGHTS_M: [f64; 2] = [0.8, 2.6];

pub(super) fn advise(
    cameras: &[PlanCamera],
    config: &PlanConfig,
    now: &Expected,
    seen_now: f64,
    progress: &dyn Fn(f64),
) -> Vec<Advice> {
    let changes = [
        Change::SwingDeg(-30.0),
        Change::SwingDeg(-15.0),
        Change::SwingDeg(15.0),
        Change::SwingDeg(30.0),
        Change::RaiseM(0.7),
        Change::RaiseM(-0.7),
        Change::CloserM(1.0),
        Change::CloserM(-1.5),
    ];
    let mut out = Vec::new();
    let total = (cameras.len() * changes.len()) as f64;
    for (k, camera) in cameras.iter().enumerate() {
        for (i, change) in changes.into_iter().enumerate() {
            progress((k * changes.len() + i) as f64 / total);
            let Some(moved) = changed(camera, change, config) else { continue };
            let mut others = cameras.to_vec();
            others[k] = moved;
            let Ok(set_up) = SetUp::expect(&others, config) else { continue };
            let Ok((then, _)) = set_up.middle(config) else { continue };
            let seen_then = set_up.seen_share(config);
            out.push(Advice {
                camera: camera.name.clone(),
                change,
                what: words(cameras, k, change, config),
                to_m: others[k].position_m.coords.into(),
                position_mm: [now.position_mm, then.position_mm],
                dip_mm: [now.dip_mm, then.dip_mm],
                seen_share: [seen_now, seen_then],
            });
        }
    }
    select(out)
}

/// What it is worth: gains of both figures, and room in the picture first of all.
fn worth(a: &Advice) -> f64 {
    let gain = |[now, then]: [f64; 2]| (now / then).ln();
    gain(a.position_mm) + gain(a.dip_mm) + 4.0 * (a.seen_share[1] - a.seen_share[0])
}

fn select(mut all: Vec<Advice>) -> Vec<Advice> {
    all.retain(|a| worth(a) > WORTH && a.seen_share[1] >= a.seen_share[0] - 0.02);
    all.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    // one of a kind: the best swing of a camera, not two
    let mut out: Vec<Advice> = Vec::new();
    for a in all {
        let same = |b: &Advice| {
            a.camera == b.camera && std::mem::discriminant(&a.change) == std::mem::discriminant(&b.change)
        };
        if out.len() < MOST && !out.iter().any(same) {
            out.push(a);
        }
    }
    out
}

fn changed(camera: &PlanCamera, change: Change, config: &PlanConfig) -> Option<PlanCamera> {
    let mut moved = camera.clone();
    let away = camera.position_m - config.middle_m;
    let level = Vector3::new(away.x, away.y, 0.0);
    match change {
        Change::SwingDeg(angle_deg) => {
            let turn = Rotation3::from_axis_angle(&Vector3::z_axis(), angle_deg.to_radians());
            let level = turn * level;
            moved.position_m =
                Point3::new(config.middle_m.x + level.x, config.middle_m.y + level.y, camera.position_m.z);
        }
        Change::RaiseM(by_m) => moved.position_m.z += by_m,
        Change::CloserM(by_m) => {
            if level.norm() - by_m < 4.0 {
                return None;
            }
            moved.position_m -= level.normalize() * by_m;
        }
    }
    let z = moved.position_m.z;
    (z >= HEIGHTS_M[0].min(camera.position_m.z) && z <= HEIGHTS_M[1].max(camera.position_m.z))
        .then_some(moved)
}

fn words(cameras: &[PlanCamera], k: usize, change: Change, config: &PlanConfig) -> String {
    let name = &cameras[k].name;
    match change {
        Change::SwingDeg(angle_deg) => {
            let level = |p: &Point3<f64>| Vector3::new(p.x - config.middle_m.x, p.y - config.middle_m.y, 0.0);
            let (own, other) =
                (level(&cameras[k].position_m), level(&cameras[usize::from(k == 0)].position_m));
            let turned = Rotation3::from_axis_angle(&Vector3::z_axis(), angle_deg.to_radians()) * own;
            let apart = turned.angle(&other) > own.angle(&other);
            let metres = own.norm() * angle_deg.to_radians().abs();
            let way = if angle_deg > 0.0 { "anticlockwise" } else { "clockwise" };
            format!(
                "Move the two {}: walk {name} {metres:.1} m {way} round the caster, seen from above ({:.0} degrees)",
                if apart { "apart" } else { "together" },
                angle_deg.abs()
            )
        }
        Change::RaiseM(by_m) if by_m > 0.0 => format!("Raise {name} by {by_m:.1} m"),
        Change::RaiseM(by_m) => format!("Lower {name} by {:.1} m", -by_m),
        Change::CloserM(by_m) if by_m > 0.0 => format!("Bring {name} {by_m:.1} m closer"),
        Change::CloserM(by_m) => format!("Take {name} {:.1} m farther back", -by_m),
    }
}

/// What is wrong whatever the numbers say. Angles: 60 to 100 degrees serve all three axes of two crossing rays; below 40
/// depth is twice as unsure as height (law of intersecting rays: depth goes with 1 / sin of half the angle).
pub(super) fn warn(
    cameras: &[CameraReport],
    convergence_deg: f64,
    middle: &Expected,
    seen_share: f64,
    above: &[Cell],
    beside: &[Cell],
) -> Vec<Warning> {
    let mut out = Vec::new();
    if !(40.0..=130.0).contains(&convergence_deg) {
        out.push(Warning::new(
            Severity::Warning,
            "set-up",
            format!("the cameras look at the caster {convergence_deg:.0} degrees apart"),
            "Set them 60 to 100 degrees apart",
        ));
    }
    if middle.offset_ms > 0.2 {
        out.push(Warning::new(
            Severity::Warning,
            "clocks",
            format!(
                "they can be told to {:.2} ms only, {:.1} mm at 20 m/s: the tip runs along the line between the cameras",
                middle.offset_ms,
                20.0 * middle.offset_ms
            ),
            "Raise one camera, so that the path crosses the lines between them",
        ));
    }
    for c in cameras.iter().filter(|c| c.marker_px < 4.0) {
        out.push(Warning::new(
            Severity::Warning,
            &c.name,
            format!("the tip marker is {:.1} px across", c.marker_px),
            "Come closer or take a larger marker: five pixels or more",
        ));
    }
    if seen_share < 1.0 {
        let mut names: Vec<&str> =
            above.iter().chain(beside).flat_map(|c| c.unseen_by.iter().map(String::as_str)).collect();
        names.sort_unstable();
        names.dedup();
        out.push(Warning::new(
            if seen_share < 0.7 { Severity::Warning } else { Severity::Note },
            "picture",
            format!(
                "{:.0} % of the casting volume is out of the picture of {}",
                100.0 * (1.0 - seen_share),
                names.join(" and ")
            ),
            "Step back, or look there",
        ));
    }
    out
}
