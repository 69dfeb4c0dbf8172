//! What other takes say of the plane of a take that nobody has measured yet.

use nalgebra::{Point3, Vector3};

use crate::model::{ButtBeside, Role, TipPlane};

/// How a caster's plane differs from take to take, beforehand: aside, metres; turned, as a slope; leaning, as a slope. People step up to
/// the same mark to a foot's length and cast at the same target; no source.
const OF_A_CASTER: [f64; 3] = [0.10, 0.06, 0.05];
/// How casters differ from each other in one set-up, the same way.
const OF_CASTERS: [f64; 3] = [0.25, 0.14, 0.10];
/// Takes that those are worth.
const WORTH: f64 = 3.0;
/// How far the butt markers' mean place beside the plane differs from take to take beforehand, metres.
const BUTTS_SD_M: f64 = 0.05;
/// The same where no butt marker was ever measured: an arm's width.
pub(super) const BUTTS_UNKNOWN_SD_M: f64 = 0.15;
/// How long what a tip does off its plane may last, seconds: part of a stroke, a stroke, a stroke and its pause.
pub(super) const LASTS_S: [f64; 3] = [0.05, 0.15, 0.5];
/// Of casters whom nobody saw by two cameras so many bow the rod sideways and swing it round (a tracking error). A guess: teachers know it well
/// (common practice), how often it is nobody has counted; one in nine of the study's habits. How wide intervals are goes by it: on set-ups 106 to
/// 124 of the coverage study (others' planes) a tenth put 97 % of dips inside at an sd of 28 mm, so it was halved; on 700 to 729, which set
/// nothing, 93.5 % are inside at 22 mm ...
const BOWED_SHARE: f64 = 0.05;
/// ... and their tips stray from their planes like this, while nobody else's does by more than 3 cm: two such casters of the coverage study
/// (set-ups 115 and 124).
const BOWED: [Strays; 2] =
    [Strays { lasts_s: 0.05, variance_m2: 0.016 }, Strays { lasts_s: 0.15, variance_m2: 0.021 }];
/// Least that a tip strays from a plane, metres (standard deviation): no path of a hand is a plane's.
const LEAST_OFF_M: f64 = 0.005;

/// What told of the plane.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlaneFrom {
    /// Of the same caster, so many.
    OwnTakes(usize),
    /// Of so many other casters.
    OtherCasters(usize),
    /// Nobody's: a wand hung at two places told it.
    HungWands,
}

/// What a tip does off its plane: a smooth random movement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Strays {
    /// It goes together over this long, seconds (the standard deviation of its Gaussian correlation).
    pub lasts_s: f64,
    /// Its variance, square metres.
    pub variance_m2: f64,
}

/// A way to stray, and how likely a tip does so.
#[derive(Debug, Clone, PartialEq)]
pub struct StraysLike {
    /// Probability; of all ways 1 together.
    pub share: f64,
    /// Movements that add up.
    pub movements: Vec<Strays>,
}

impl StraysLike {
    /// As what was told of somebody, or as a caster does who bows the rod sideways.
    pub(super) fn or_bowed(told: Vec<Vec<Strays>>) -> Vec<Self> {
        let share = (1.0 - BOWED_SHARE) / told.len() as f64;
        let bowed = Self { share: BOWED_SHARE, movements: BOWED.to_vec() };
        told.into_iter().map(|movements| Self { share, movements }).chain([bowed]).collect()
    }
}

/// The plane of a take, as far as it is known: from the origin, `left = aside + turned * along + leaning * up`.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanePrior {
    /// A point of the mean plane, world.
    pub origin: Point3<f64>,
    /// Level unit vector along the mean plane.
    pub along: Vector3<f64>,
    /// Mean of aside (metres), turned and leaning (slopes).
    pub mean: [f64; 3],
    /// Their standard deviations.
    pub sd: [f64; 3],
    /// Degrees of freedom that those rest on.
    pub dof: f64,
    /// What the tip may do off it.
    pub strays: Vec<StraysLike>,
    /// Mean places of butt markers beside it: role, to the left, metres.
    pub butts: Vec<(Role, f64)>,
    /// Standard deviation of those.
    pub butts_sd_m: f64,
    /// What told.
    pub from: PlaneFrom,
}

/// Level frame that planes are compared in.
struct Level {
    origin: Point3<f64>,
    along: Vector3<f64>,
    left: Vector3<f64>,
}

impl Level {
    fn of(planes: &[&TipPlane]) -> Self {
        let n = planes.len().max(1) as f64;
        let origin = planes.iter().map(|p| Vector3::from(p.middle_m)).sum::<Vector3<f64>>() / n;
        // directions without a sign: their double angles have a mean
        let (mut cos, mut sin) = (0.0, 0.0);
        for p in planes {
            let twice = 2.0 * p.normal[1].atan2(p.normal[0]);
            (cos, sin) = (cos + twice.cos(), sin + twice.sin());
        }
        let left_rad = 0.5 * f64::atan2(sin, cos);
        let left = Vector3::new(left_rad.cos(), left_rad.sin(), 0.0);
        Self { origin: Point3::from(origin), along: left.cross(&Vector3::z()), left }
    }

    /// Aside, turned, leaning.
    fn coordinates(&self, plane: &TipPlane) -> [f64; 3] {
        let normal = Vector3::from(plane.normal);
        let from_origin = Vector3::from(plane.middle_m) - self.origin.coords;
        let by_left = normal.dot(&self.left);
        let (turned, leaning) = (-normal.dot(&self.along) / by_left, -normal.z / by_left);
        [normal.dot(&from_origin) / by_left, turned, leaning]
    }

    fn butt_m(&self, plane: &TipPlane, butt: &ButtBeside) -> f64 {
        butt.mean_m * Vector3::from(plane.normal).dot(&self.left).signum()
    }
}

impl PlanePrior {
    /// From the planes of the caster's own other takes, or else from those of other casters, each caster's together; `all` are the
    /// planes of every caster of the set-up, the own among them. `None` where nobody was measured.
    #[must_use]
    pub fn of_takes(own: &[&TipPlane], others: &[Vec<&TipPlane>]) -> Option<Self> {
        let by_caster: Vec<&[&TipPlane]> = std::iter::once(own)
            .chain(others.iter().map(Vec::as_slice))
            .filter(|planes| !planes.is_empty())
            .collect();
        let told: Vec<&TipPlane> = if own.is_empty() { by_caster.concat() } else { own.to_vec() };
        if told.is_empty() {
            return None;
        }
        let level = Level::of(&told);
        let means: Vec<([f64; 3], Vec<[f64; 3]>)> = by_caster
            .iter()
            .map(|planes| {
                let each: Vec<[f64; 3]> = planes.iter().map(|p| level.coordinates(p)).collect();
                (mean_of(&each), each)
            })
            .collect();
        let (mean, groups, prior) = if own.is_empty() {
            let of_casters: Vec<[f64; 3]> = means.iter().map(|(mean, _)| *mean).collect();
            (mean_of(&of_casters), vec![(mean_of(&of_casters), of_casters)], OF_CASTERS)
        } else {
            (means[0].0, means, OF_A_CASTER)
        };
        let of_mean = if own.is_empty() { groups[0].1.len() } else { own.len() } as f64;
        let dof = WORTH + groups.iter().map(|(_, each)| each.len() as f64 - 1.0).sum::<f64>();
        let sd = std::array::from_fn(|i| {
            let squares: f64 = groups
                .iter()
                .flat_map(|(mean, each)| each.iter().map(move |c| (c[i] - mean[i]).powi(2)))
                .sum();
            ((WORTH * prior[i] * prior[i] + squares) / dof * (1.0 + 1.0 / of_mean)).sqrt()
        });
        let from = if own.is_empty() {
            PlaneFrom::OtherCasters(by_caster.len())
        } else {
            PlaneFrom::OwnTakes(own.len())
        };
        let (butts, butts_sd_m) = butts(&level, &told);
        let strays = if own.is_empty() {
            StraysLike::or_bowed(by_caster.iter().map(|planes| strays(planes)).collect())
        } else {
            vec![StraysLike { share: 1.0, movements: strays(own) }]
        };
        let (origin, along) = (level.origin, level.along);
        Some(Self { origin, along, mean, sd, dof, strays, butts, butts_sd_m, from })
    }

    /// How far a tip strays from it, root mean square, metres.
    #[must_use]
    pub fn strays_m(&self) -> f64 {
        let of = |like: &StraysLike| like.share * like.movements.iter().map(|m| m.variance_m2).sum::<f64>();
        self.strays.iter().map(of).sum::<f64>().sqrt()
    }

    /// Level unit vector to its left.
    #[must_use]
    pub fn left(&self) -> Vector3<f64> {
        Vector3::z().cross(&self.along)
    }

    /// A plane with these coordinates as `normal . (x - origin) = distance`, the normal not quite of unit length.
    #[must_use]
    pub fn with(&self, [aside, turned, leaning]: [f64; 3]) -> (Vector3<f64>, f64) {
        (self.left() - self.along * turned - Vector3::z() * leaning, aside)
    }

    /// The mean plane that a marker lies in: unit normal, distance from the world's origin along it.
    #[must_use]
    pub fn held(&self, role: Role) -> (Vector3<f64>, f64) {
        let (normal, aside_m) = self.with(self.mean);
        let size = normal.norm();
        let unit = normal / size;
        (unit, (aside_m + self.beside_m(role)) / size + unit.dot(&self.origin.coords))
    }

    /// How far to its left a marker goes on average, metres.
    #[must_use]
    pub fn beside_m(&self, role: Role) -> f64 {
        self.butts.iter().find(|(r, _)| *r == role).map_or(0.0, |(_, m)| *m)
    }
}

fn mean_of(each: &[[f64; 3]]) -> [f64; 3] {
    std::array::from_fn(|i| each.iter().map(|c| c[i]).sum::<f64>() / each.len().max(1) as f64)
}

/// Mean places of the butt markers, and their standard deviation in a new take.
fn butts(level: &Level, told: &[&TipPlane]) -> (Vec<(Role, f64)>, f64) {
    let of = |role: Role| -> Vec<f64> {
        let own = |p: &&TipPlane| Some(level.butt_m(p, p.butts.iter().find(|b| b.role == role)?));
        told.iter().filter_map(own).collect()
    };
    let (mut means, mut squares, mut dof) = (Vec::new(), 0.0, 0.0);
    for role in [Role::Butt1, Role::Butt2] {
        let each = of(role);
        let n = each.len() as f64;
        if each.is_empty() {
            continue;
        }
        let mean = each.iter().sum::<f64>() / n;
        squares += each.iter().map(|m| (m - mean).powi(2)).sum::<f64>();
        dof += n - 1.0;
        means.push((role, mean));
    }
    if means.is_empty() {
        return (means, BUTTS_UNKNOWN_SD_M);
    }
    let variance = (WORTH * BUTTS_SD_M * BUTTS_SD_M + squares) / (WORTH + dof);
    (means, (variance * (1.0 + 1.0 / told.len() as f64)).sqrt())
}

/// Movements whose covariances together come nearest to what the tips did, none of them negative.
fn strays(told: &[&TipPlane]) -> Vec<Strays> {
    let mut lags: Vec<(f64, f64, f64)> = Vec::new();
    for off in told.iter().flat_map(|p| &p.off_plane) {
        match lags.iter_mut().find(|l| l.0 == off.lag_s) {
            Some(l) => (l.1, l.2) = (l.1 + off.covariance_m2, l.2 + 1.0),
            None => lags.push((off.lag_s, off.covariance_m2, 1.0)),
        }
    }
    let at: Vec<(f64, f64)> = lags.iter().map(|l| (l.0, l.1 / l.2)).collect();
    let whole = at.iter().find(|a| a.0 == 0.0).map_or(0.0, |a| a.1).max(LEAST_OFF_M * LEAST_OFF_M);
    let kind = |lasts_s: f64, lag_s: f64| (-0.5 * (lag_s / lasts_s).powi(2)).exp();
    let mut variances = [whole / 3.0; LASTS_S.len()];
    // least squares with none below zero, one after the other
    for _ in 0..500 {
        for k in 0..variances.len() {
            let (mut top, mut bottom) = (0.0, 0.0);
            for (lag_s, covariance) in &at {
                let rest: f64 = (0..variances.len())
                    .filter(|j| *j != k)
                    .map(|j| variances[j] * kind(LASTS_S[j], *lag_s))
                    .sum();
                let own = kind(LASTS_S[k], *lag_s);
                (top, bottom) = (top + own * (covariance - rest), bottom + own * own);
            }
            variances[k] = f64::max(top / bottom, 0.0);
        }
    }
    // what they are together is known best
    let sum: f64 = variances.iter().sum();
    let scale = if sum > 0.0 { whole / sum } else { 0.0 };
    LASTS_S
        .into_iter()
        .zip(variances)
        .map(|(lasts_s, v)| Strays { lasts_s, variance_m2: if sum > 0.0 { v * scale } else { whole / 3.0 } })
        .filter(|s| s.variance_m2 > 0.0)
        .collect()
}
