//! The loop as one camera alone has it: nose, looks about the standard moment, width, speed and their errors.

use super::LoopConfig;
use super::geometry::{Flat, dot};
use super::nose::{Front, Nose, fronts_along, robust_parabola, value};
use super::paths::NoseFit;
use super::reading::{Reading, narrowest, read};
use super::robust::{crossing_time, robust_line, root_sum};
use super::side::SidePoint;
use crate::math::median;
use crate::model::Measured;

/// Scatter of the nose about a parabola over the travel that counts: it does not speed up evenly.
const NOSE_SCATTER_M: f64 = 0.01;
/// Least width error from how a leg is placed in the picture.
const WIDTH_FLOOR_M: f64 = 0.005;
/// Difference of the legs' distances from the plane, one standard deviation: the rod leg hangs from the tip, the fly leg
/// runs where the tip ran before.
pub(super) const LEGS_APART_SD_M: f64 = 0.04;
/// A speed less certain than this share of itself is none.
pub(super) const LARGEST_SPEED_SD_SHARE: f64 = 0.15;
/// A nose's jerk, one standard deviation: how fast the slope of a parabola leaves its speed beside the middle of what was
/// seen (the simulator's noses, whose speed doubles over a metre where the loop is steep and narrow).
const NOSE_JERK_M_S3: f64 = 100.0;
/// Horizontal distances of fronts may be so much beyond the travel that counts.
const ASIDE_M: f64 = 0.55;
/// Least relative error of the nose's speed.
const SPEED_SHARE: f64 = 0.01;

/// All of one camera.
pub(super) struct OneView<'a> {
    pub name: &'a str,
    pub points: Vec<SidePoint>,
    pub nose: Nose,
    /// Mean absolute lever along the way: 0 is broadside.
    pub lever: Flat,
    pub distance_m: f64,
}

/// What one camera alone says of the loop.
pub(super) struct OfView {
    pub t_s: f64,
    pub width: Measured,
    pub speed: Measured,
    pub scatter_m: f64,
    pub narrowest: Measured,
    pub points: usize,
    pub readings: Vec<Reading>,
    pub nose: NoseFit,
}

/// What is known of distances from the plane that the points are laid into.
pub(super) struct Off<'a> {
    /// The tip's.
    pub tip_m: &'a dyn Fn(f64) -> f64,
    /// Error of the nose's, one standard deviation.
    pub sd_m: f64,
    /// Error of how fast the nose leaves the plane: what a camera that looks along the cast takes for travel.
    pub drift_sd_m_s: f64,
}

/// Reads one camera's looks about the standard moment.
///
/// # Errors
/// Why they say nothing.
pub(super) fn of_view(
    view: &OneView<'_>,
    way: Flat,
    tip: &dyn Fn(f64) -> Option<Flat>,
    off: &Off<'_>,
    config: &LoopConfig,
) -> Result<OfView, String> {
    // by the horizontal distance first, generously: a steep trajectory is longer
    let near = |f: &&Front| {
        tip(f.t_s).is_some_and(|p| {
            let ahead = f.at[0] - p[0];
            ahead > config.travel_m[0] - ASIDE_M && ahead < config.travel_m[1] + ASIDE_M
        })
    };
    let all: Vec<Front> = view.nose.fronts.iter().filter(near).copied().collect();
    let few = || "too little of the loop's nose is seen about the standard moment".to_string();
    let t0_s = all.get(all.len() / 2).ok_or_else(few)?.t_s;
    // then by the distance along the trajectory: a nose speeds up unevenly, and what is far from the standard moment
    // says nothing of it
    let all = fronts_along(&view.points, &all, way);
    let within = |aside_m: f64| -> Vec<(f64, Flat)> {
        let counts = |(t_s, at): &&(f64, Flat)| {
            tip(*t_s).is_some_and(|p| {
                let travel_m = at[0] - dot(p, way);
                travel_m > config.travel_m[0] - aside_m && travel_m < config.travel_m[1] + aside_m
            })
        };
        all.iter().filter(counts).copied().collect()
    };
    let travel = |along: [f64; 3], t_s: f64| tip(t_s).map(|p| value(along, t_s - t0_s) - dot(p, way));
    let motion = |places: &[(f64, Flat)]| {
        let rows = |axis: usize| places.iter().map(|(t_s, p)| (t_s - t0_s, p[axis])).collect::<Vec<_>>();
        let unsteady = || "the loop's nose cannot be followed".to_string();
        let along = robust_parabola(&rows(0), NOSE_SCATTER_M).ok_or_else(unsteady)?;
        let (across, _, _) = robust_parabola(&rows(1), NOSE_SCATTER_M).ok_or_else(unsteady)?;
        let (first_s, last_s) = (places[0].0, places[places.len() - 1].0);
        let t_s = crossing_time(
            &|t_s| travel(along.0, t_s),
            config.standard_travel_m,
            first_s - 0.03,
            last_s + 0.03,
        )
        .ok_or_else(|| {
            format!("the nose is not seen where it is {:.1} m ahead of the tip", config.standard_travel_m)
        })?;
        Ok::<_, String>((along, across, t_s))
    };
    // as narrowly as will do
    let mut moved = Err(few());
    let mut places = Vec::new();
    for aside_m in [0.1, 0.2] {
        places = within(aside_m);
        if places.len() >= config.fewest_moments {
            moved = motion(&places);
        }
        if moved.is_ok() {
            break;
        }
    }
    let ((along, along_scatter, weights), across, t_s) = moved?;
    let mut readings = Vec::new();
    for (at_s, _) in &places {
        let Some(ahead) = travel(along, *at_s) else { continue };
        if ahead < config.travel_m[0] - 0.1 || ahead > config.travel_m[1] + 0.1 {
            continue;
        }
        let shift = view.lever.map(|l| l * (off.tip_m)(*at_s));
        readings.extend(read(&view.points, *at_s, [along, across], t0_s, way, tip, shift, config));
    }
    if readings.len() < config.fewest_moments {
        return Err(format!("the legs of the loop are seen at {} instants only", readings.len()));
    }
    let trend: Vec<(f64, f64)> = readings.iter().map(|r| (r.look.travel_m, r.look.width_m)).collect();
    let line = robust_line(&trend, config.standard_travel_m).ok_or("the loop's width cannot be followed")?;
    let (width_m, scatter_m, kept) = (line.at, line.scatter, line.kept);
    let [share, floor_m] = config.largest_scatter;
    if scatter_m > (share * width_m.abs()).max(floor_m)
        || 2 * kept < trend.len()
        || kept < config.fewest_moments
    {
        return Err("the loop's width jumps from instant to instant".into());
    }
    let n = (kept as f64 / 2.0).max(1.0);
    let width_sd = [
        scatter_m / n.sqrt(),
        WIDTH_FLOOR_M,
        width_m.abs() * off.sd_m / view.distance_m,
        LEGS_APART_SD_M * view.lever[1].abs(),
        median(readings.iter().map(|r| r.look.section_sd_m)).unwrap_or(0.0),
    ];
    let readings: Vec<Reading> = readings
        .into_iter()
        .filter(|r| (r.look.width_m - width_m).abs() < 6.0 * scatter_m.max(0.02) + 0.4 * width_m.abs())
        .collect();
    let (narrowest_m, narrowest_sd_m) = narrowest(&readings, config.travel_m);
    let (times, w): (Vec<f64>, Vec<f64>) =
        places.iter().zip(&weights).map(|((t_s, _), w)| (t_s - t0_s, *w)).unzip();
    let sum_w: f64 = w.iter().sum();
    let mean_t = times.iter().zip(&w).map(|(t, w)| t * w).sum::<f64>() / sum_w;
    let spread_t2 = times.iter().zip(&w).map(|(t, w)| w * (t - mean_t).powi(2)).sum::<f64>();
    let speed = along[1] + 2.0 * along[2] * (t_s - t0_s);
    let speed_sd = [
        // a parabola's slope inside its span is about twice as uncertain as a line's
        2.0 * along_scatter / spread_t2.sqrt(),
        // a place off the plane is seen shifted by the lever times its distance; both change while the nose travels
        speed * off.sd_m * view.lever[0].hypot(1.0) / view.distance_m,
        view.lever[0] * off.drift_sd_m_s,
        speed * SPEED_SHARE,
        // what a cubic adds to the slope of the parabola that fits it best
        0.5 * NOSE_JERK_M_S3 * ((t_s - t0_s - mean_t).powi(2) - 0.6 * spread_t2 / sum_w).abs(),
    ];
    Ok(OfView {
        t_s,
        width: Measured::new(width_m.abs(), root_sum(&width_sd)),
        speed: Measured::new(speed, root_sum(&speed_sd)),
        scatter_m,
        narrowest: Measured::new(narrowest_m, narrowest_sd_m.hypot(root_sum(&width_sd))),
        points: readings.iter().map(|r| r.points).sum(),
        readings,
        nose: NoseFit { along, across, t0_s },
    })
}
