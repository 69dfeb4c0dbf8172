//! The loop of one stroke.

use nalgebra::{Isometry3, Point3};

use super::geometry::{Flat, dot, upper_normal};
use super::nose::track;
use super::one_view::{LARGEST_SPEED_SD_SHARE, LEGS_APART_SD_M, OfView, Off, OneView, of_view};
use super::paths::{LegStart, Legs, legs};
use super::reading::{Reading, dip_of, leg_shape};
use super::robust::agreed;
use super::shape::{Crossings, crossings_of};
use super::side::{Rays, SidePlane, View};
use super::trajectory::{apart, trajectories};
use super::views::OffPlane;
use super::{LineView, LoopConfig, LoopSettings, tip_at, views};
use crate::fitted::loop_width_sd_m;
use crate::math::median;
use crate::model::line::{LoopMoment, LoopView, StrokeLoop};
use crate::model::stroke::LoopShape;
use crate::model::{FigureId, Figures, MarkerPath, Measured, Stroke};

/// Figures that need the line.
pub(super) const FIGURES: &[FigureId] = &[
    FigureId::LoopWidth,
    FigureId::LoopNarrowest,
    FigureId::LoopSpeed,
    FigureId::LoopAngle,
    FigureId::FlyLegSpeed,
    FigureId::FlyLegDip,
    FigureId::LoopCrossings,
    FigureId::LoopSymmetry,
];

/// Least error of a trajectory: how high the foremost point of a blunt nose lies is known to a few centimetres, over a
/// travel of 1.5 m.
const TRAJECTORY_SD_DEG: f64 = 1.0;
/// Relative change of a width by a turn of the trajectory: about this on the simulator's lopsided loops.
const WIDTH_PER_RAD: f64 = 0.8;
/// Least relative error of the relation that the fly leg's speed rests on: a bent fly leg does not move as one. Set on the filmed clinic
/// day of seed 5 (68 loops, 84 % inside with 6 %: -11 % for one caster, +8 for another). Checked on a careless day, seed 6, which set
/// nothing: 95 % of ten loops lie within 14.5 %.
const RELATION_SHARE: f64 = 0.08;
/// The same of wide loops, times the square of their width in metres: a wide nose is slower than half of the fly leg. Set on the filmed
/// clinic days of seeds 5 and 13: root mean squares of 9 % at 1.0 to 1.3 m, 14 to 1.6 and 24 beyond, where two of thirteen loops lay inside
/// what 8 % states. Checked on clinic days 7 and 8 and careless days 6, 9 and 12: 9, 15 and 13 % of 19, 12 and 5 loops, all but one inside.
const WIDE_SHARE_M2: f64 = 0.07;
/// How far from the tip the line is looked for, along the way and in height.
const REACH_M: [f64; 2] = [4.5, 3.0];
/// Looks this near to the standard moment speak for the shape then.
const NEAR_STANDARD_M: f64 = 0.35;

/// Figures of a stroke's line.
pub(super) struct LoopFigures {
    pub of_stroke: StrokeLoop,
    values: Vec<(FigureId, Result<Measured, String>)>,
    crossed: Option<Crossings>,
}

impl LoopFigures {
    pub fn enter(&self, figures: &mut Figures) {
        for (id, value) in &self.values {
            match value {
                Ok(measured) => figures.set(*id, *measured),
                Err(reason) => figures.set_missing(*id, reason.clone()),
            }
        }
        match self.crossed {
            Some(c) => figures.set_count(FigureId::LoopCrossings, c.likeliest().0 as usize, &c.probability),
            None => figures
                .set_missing(FigureId::LoopCrossings, "the legs cannot be followed from the nose to the tip"),
        }
    }
}

pub(super) fn measure(
    line_views: &[LineView<'_>],
    tip: &MarkerPath,
    stroke: &Stroke,
    next_s: Option<f64>,
    settings: &LoopSettings,
) -> Result<LoopFigures, String> {
    let config = &settings.read;
    let from_s = stroke.figures.get(FigureId::TRsp).ok_or("the stroke has no end")?.value;
    let until_s = next_s.map_or(f64::INFINITY, |n| n + 0.2).min(from_s + config.longest_s);
    let world_from_cast = stroke.cast_from_world.inverse();
    let [start, end] = stroke.chord_in_cast.map(|p| world_from_cast * p);
    let tips: Vec<Point3<f64>> = (0..30).filter_map(|k| tip_at(tip, from_s + 0.01 * f64::from(k))).collect();
    if tips.len() < 10 {
        return Err("the tip is not known after the stop".into());
    }
    let swung = swung(tip, stroke, from_s);
    let plane = SidePlane::through(&swung, end - start).ok_or("the stroke has no direction")?;
    let flat_tip = |t_s: f64| tip_at(tip, t_s).map(|p| plane.flat(&p));
    let views_of: Vec<(View<'_>, Vec<Rays>)> = line_views
        .iter()
        .map(|v| {
            let view = View { camera: &v.camera, clock: &v.clock, ridges: v.ridges };
            let rays = view.rays(&plane, [from_s - 0.02, until_s], &flat_tip, REACH_M);
            (view, rays)
        })
        .collect();
    let see = |off_m: &dyn Fn(f64) -> f64| -> (Vec<OneView<'_>>, Vec<String>) {
        let (mut seen, mut reasons) = (Vec::new(), Vec::new());
        for (v, rays) in &views_of {
            let points = v.points(&plane, rays, off_m);
            match track(&points, &flat_tip) {
                Ok(nose) => {
                    let n = nose.fronts.len() as f64;
                    let lever = nose
                        .fronts
                        .iter()
                        .fold([0.0, 0.0], |m, f| [m[0] + f.lever[0] / n, m[1] + f.lever[1] / n]);
                    let distance_m = points.iter().map(|p| p.distance_m).sum::<f64>() / points.len() as f64;
                    seen.push(OneView { name: &v.camera.name, points, nose, lever, distance_m });
                }
                Err(reason) => reasons.push(format!("camera {}: {reason}", v.camera.name)),
            }
        }
        // the most broadside first
        seen.sort_by(|a, b| a.lever[0].abs().total_cmp(&b.lever[0].abs()).then(a.name.cmp(b.name)));
        (seen, reasons)
    };
    let (seen, reasons) = see(&|_| 0.0);
    // the pair of cameras that knows it best: two that see the nose at the same time, from different sides
    let off_plane = (0..seen.len())
        .flat_map(|i| (i + 1..seen.len()).map(move |k| (i, k)))
        .filter_map(|(i, k)| {
            views::off_plane(&seen[i].nose.fronts, &seen[k].nose.fronts, &flat_tip, config.travel_m)
        })
        .min_by(|a, b| a.value.sd.hypot(a.drift_sd_m_s).total_cmp(&b.value.sd.hypot(b.drift_sd_m_s)));
    let of = Of { tip, stroke, plane: &plane, flat_tip: &flat_tip, settings };
    // a nose that is lost where that distance would lay it is still seen where it was found
    let with_distance = off_plane.and_then(|off| {
        let (seen, reasons) = see(&|t_s| off.at(t_s));
        of.figures(&seen, reasons, off_plane).ok()
    });
    with_distance.map_or_else(|| of.figures(&seen, reasons, None), Ok)
}

/// What the cameras say along one trajectory, and why the others say nothing.
struct Along<'a, 'b> {
    way: Flat,
    way_sd_rad: f64,
    one_by_one: Vec<(&'a OneView<'b>, OfView)>,
    said: Vec<String>,
}

impl Along<'_, '_> {
    fn looks(&self) -> usize {
        self.one_by_one.iter().map(|(_, r)| r.readings.len()).sum()
    }
}

/// What the figures of one stroke's loop rest on besides what the cameras see.
struct Of<'a> {
    tip: &'a MarkerPath,
    stroke: &'a Stroke,
    plane: &'a SidePlane,
    flat_tip: &'a dyn Fn(f64) -> Option<Flat>,
    settings: &'a LoopSettings,
}

impl Of<'_> {
    fn figures(
        &self,
        seen: &[OneView<'_>],
        mut reasons: Vec<String>,
        off_plane: Option<OffPlane>,
    ) -> Result<LoopFigures, String> {
        let Self { tip, stroke, plane, flat_tip, settings } = *self;
        let config = &settings.read;
        // the tip's distance from the plane that the points are laid into: the rod leg ends there
        let tip_off_m = |t_s: f64| match (&off_plane, tip_at(tip, t_s)) {
            (Some(off), Some(p)) => plane.off_m(&p) - off.at(t_s),
            _ => 0.0,
        };
        let off_sd_m = off_plane.map_or(config.off_plane_sd_m, |o| o.value.sd);
        let off = Off {
            tip_m: &tip_off_m,
            sd_m: off_sd_m,
            drift_sd_m_s: off_plane.map_or(config.off_plane_drift_sd_m_s, |o| o.drift_sd_m_s),
        };
        if seen.is_empty() {
            return Err(reasons.join("; "));
        }
        let (ways, own_ways) = trajectories(seen, flat_tip, config);
        let mut best: Option<Along<'_, '_>> = None;
        for (way, way_sd_rad) in ways {
            let (mut one_by_one, mut said) = (Vec::new(), Vec::new());
            for (view, own) in seen.iter().zip(&own_ways) {
                if own.is_some_and(|own| apart(own, (way, way_sd_rad))) {
                    said.push(format!("camera {}: what moves there goes another way", view.name));
                    continue;
                }
                match of_view(view, way, flat_tip, &off, config) {
                    Ok(result) => one_by_one.push((view, result)),
                    Err(reason) => said.push(format!("camera {}: {reason}", view.name)),
                }
            }
            // something that only looks like a nose has no legs
            let along = Along { way, way_sd_rad, one_by_one, said };
            if best.as_ref().is_none_or(|b| along.looks() > b.looks()) {
                best = Some(along);
            }
        }
        let Along { way, way_sd_rad, mut one_by_one, said } =
            best.ok_or("the loop's nose is not seen far enough to know which way it goes")?;
        reasons.extend(said);
        // a width is read across the trajectory: what a turn of that does to it
        for (_, result) in &mut one_by_one {
            result.width.sd = result.width.sd.hypot(WIDTH_PER_RAD * result.width.value * way_sd_rad);
        }
        let (main_view, main) = one_by_one.first().ok_or_else(|| reasons.join("; "))?;
        let widths: Vec<Measured> = one_by_one.iter().map(|(_, r)| r.width).collect();
        let width = agreed(&widths).ok_or_else(|| {
            let said: Vec<String> =
                one_by_one.iter().map(|(v, r)| format!("{} {:.2} m", v.name, r.width.value)).collect();
            format!("the cameras disagree about the loop's width: {}", said.join(", "))
        })?;
        let width = Measured::new(width.value, width.sd.hypot(loop_width_sd_m(width.value)));
        let speed =
            agreed(&one_by_one.iter().map(|(_, r)| r.speed).collect::<Vec<_>>()).unwrap_or(main.speed);
        let speed = if speed.sd <= LARGEST_SPEED_SD_SHARE * speed.value.abs() {
            Ok(speed)
        } else {
            Err(format!(
                "camera {} alone saw the nose and looks along the cast: {:.1} m/s give or take {:.1}",
                main_view.name, speed.value, speed.sd
            ))
        };
        let to_cast = |p: Flat| cast_point(plane, &stroke.cast_from_world, p);
        let crossed = crossed(&one_by_one, way, flat_tip, &tip_off_m, config);
        let (count, shape_probability) = crossed.map_or((0, 0.0), |c| c.likeliest());
        let shape =
            crossed.filter(|_| shape_probability >= config.least_probability).and_then(|_| match count {
                0 => leg_shape(&main.readings, config),
                1 => Some(LoopShape::Crossing),
                _ => Some(LoopShape::Tailing),
            });
        let middle = main
            .readings
            .iter()
            .min_by(|a, b| (a.t_s - main.t_s).abs().total_cmp(&(b.t_s - main.t_s).abs()))
            .ok_or("no look near the standard moment")?;
        let way_end = to_cast([way[0], way[1] + plane.origin.z]);
        let way_start = to_cast([0.0, plane.origin.z]);
        let mut rod_leg: Vec<Flat> = middle.rod_leg.curve.iter().map(|p| to_cast(*p)).collect();
        rod_leg.reverse();
        let of_stroke = StrokeLoop {
            stroke: stroke.stroke,
            t_s: main.t_s,
            shape,
            shape_probability,
            tail_probability: crossed.map(|c| c.probability[2]),
            size: settings.sizes.size(width.value.abs()),
            way_in_cast: [way_end[0] - way_start[0], way_end[1] - way_start[1]],
            rod_leg_in_cast_m: rod_leg,
            fly_leg_in_cast_m: middle.fly_leg.iter().map(|p| to_cast(*p)).collect(),
            section_in_cast_m: middle.look.section.map(to_cast),
            moments: main
                .readings
                .iter()
                .map(|r| LoopMoment {
                    t_s: r.t_s,
                    travel_m: r.look.travel_m,
                    nose_in_cast_m: to_cast(r.look.front),
                    width_m: Measured::new(r.look.width_m.abs(), main.width.sd.hypot(main.scatter_m)),
                })
                .collect(),
            views: one_by_one
                .iter()
                .map(|(v, r)| LoopView {
                    camera: v.name.to_owned(),
                    width_m: r.width,
                    points: r.points as u32,
                })
                .collect(),
            off_plane_m: off_plane
                .map(|o| if way_end[0] < way_start[0] { o.value.scaled(-1.0) } else { o.value }),
        };
        let tip_speed = tip_speed_along(tip, main.t_s, plane, way);
        let angle_deg = way[1].atan2(way[0].abs()).to_degrees();
        let angle_sd_deg = TRAJECTORY_SD_DEG
            + way_sd_rad.to_degrees()
            + (off_sd_m * main_view.lever[1].abs() / main_view.distance_m).atan().to_degrees();
        let meet = crossed.map_or(1.0, |c| 1.0 - c.probability[0]);
        let dip = dip_of(&main.readings, meet, config).ok_or("too little of the fly leg is seen".to_string());
        let values = vec![
            (FigureId::LoopWidth, Ok(width)),
            (
                FigureId::LoopNarrowest,
                Ok(Measured::new(main.narrowest.value, main.narrowest.sd.hypot(width.sd))),
            ),
            (FigureId::LoopSpeed, speed.clone()),
            (FigureId::LoopAngle, Ok(Measured::new(angle_deg, angle_sd_deg))),
            (
                FigureId::FlyLegSpeed,
                speed.and_then(|nose| {
                    let tip_m_s = tip_speed.ok_or("the tip is not known at the standard moment")?;
                    let share = RELATION_SHARE.max(WIDE_SHARE_M2 * width.value * width.value);
                    let sd = (2.0 * nose.sd).hypot(share * 2.0 * nose.value);
                    Ok(Measured::new(2.0 * nose.value - tip_m_s, sd))
                }),
            ),
            (FigureId::FlyLegDip, dip),
        ];
        Ok(LoopFigures { of_stroke, values, crossed })
    }
}

/// Crossings by all cameras together.
fn crossed(
    one_by_one: &[(&OneView<'_>, OfView)],
    way: Flat,
    tip: &dyn Fn(f64) -> Option<Flat>,
    tip_off_m: &dyn Fn(f64) -> f64,
    config: &LoopConfig,
) -> Option<Crossings> {
    let up = upper_normal(way);
    let mut looks: Vec<(Legs, LegStart, f64)> = Vec::new();
    let mut lever = 0.0;
    let behind_m = one_by_one.first()?.1.readings.first()?.look.section_m;
    for (view, of) in one_by_one {
        lever += view.lever[1].abs() / one_by_one.len() as f64;
        let height = |end: usize| {
            let over = |r: &Reading| dot(r.look.section[end], up) - of.nose.at(r.t_s)[1];
            median(of.readings.iter().map(over)).unwrap_or(f64::NAN)
        };
        let heights_m = [height(0), height(1)];
        let start = LegStart { behind_m, heights_m, standard_m: config.standard_travel_m };
        // where the nose was seen, or a width was read without it
        let mut times: Vec<f64> = view.nose.fronts.iter().map(|f| f.t_s).collect();
        times.extend(of.readings.iter().map(|r| r.t_s));
        times.sort_by(f64::total_cmp);
        times.dedup();
        for t_s in times {
            let near = tip(t_s).is_some_and(|p| {
                let travel_m = of.nose.at(t_s)[0] - dot(p, way);
                (travel_m - config.standard_travel_m).abs() < NEAR_STANDARD_M
            });
            if near {
                let seen = legs(&view.points, t_s, &of.nose, way, tip, &start, tip_off_m(t_s));
                looks.extend(seen.map(|l| (l, start, (1.0 + (0.5 * view.lever[0]).powi(2)).recip())));
            }
        }
    }
    crossings_of(&looks, LEGS_APART_SD_M * lever, config)
}

/// Places of the tip from the stroke's start until the tip has swung back after the stop.
fn swung(tip: &MarkerPath, stroke: &Stroke, rsp_s: f64) -> Vec<Point3<f64>> {
    let start_s = stroke.figures.get(FigureId::TStart).map_or(rsp_s - 0.4, |m| m.value);
    let steps = ((rsp_s + 0.3 - start_s) / 0.01).max(1.0) as u32;
    (0..=steps).filter_map(|k| tip_at(tip, start_s + 0.01 * f64::from(k))).collect()
}

/// A place of the side view in the cast frame: X, Z.
fn cast_point(plane: &SidePlane, cast_from_world: &Isometry3<f64>, p: Flat) -> [f64; 2] {
    let flat = plane.origin + p[0] * plane.way;
    let in_cast = cast_from_world * Point3::new(flat.x, flat.y, p[1]);
    [in_cast.x, in_cast.z]
}

fn tip_speed_along(tip: &MarkerPath, t_s: f64, plane: &SidePlane, way: Flat) -> Option<f64> {
    let (a, b) = (tip_at(tip, t_s - 0.01)?, tip_at(tip, t_s + 0.01)?);
    let (a, b) = (plane.flat(&a), plane.flat(&b));
    Some(((b[0] - a[0]) * way[0] + (b[1] - a[1]) * way[1]) / 0.02)
}
