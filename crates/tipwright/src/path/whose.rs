//! Whose tip: who casts in the pictures, and who of them stands where the wand was waved.
//!
//! Pieces of 3D track ([`crate::tracks::pieces`]) of one colour may show several rods: a neighbour on the field, a second caster.
//! They are parted by where they move: what one rod does stays within its length and an arm of its caster's place. The
//! take's caster is the one in the casting volume, which is where the wand was waved ([`Scene::wand_reach_m`]).
//!
//! [`Scene::wand_reach_m`]: crate::model::Scene::wand_reach_m

use crate::math::median;
use crate::tracks::pieces::Piece;

use super::PathError;
use super::chain::{Step, speed_worth, steps};
use super::jumps::best_chain;

/// A tip this fast casts: a hand that carries a rod reaches 1.5 m/s, a walker's hat 2, a tip in a cast 15 to 40 (published).
const CASTING_M_S: f64 = 5.0;
/// Fewest seconds of it that make a caster: one short forward stroke has a quarter.
const FEWEST_S: f64 = 0.2;
/// Another caster is told from this share of the own one's seconds on: less may be pieces of tracks that are no marker.
const TOLD_SHARE: f64 = 0.15;
/// How far beyond a rod's length a tip comes from its caster's place: an arm and a step.
const ARM_AND_STEP_M: f64 = 1.5;
// The next two: a limit of 3 m alone measured the neighbour in 3 of 14 set-ups (seeds 300 to 313 of the simulator's `--example
// coverage -- --beside neighbour --own-lost`); with these none of seeds 500 to 509.

/// How far beside the wand's volume a caster may stand, metres: half a rod. Tripods are put up for the volume that the wand is waved
/// through; a neighbour on a field stands two rod lengths away at least (common practice).
const BESIDE_WAND_M: f64 = 1.5;
/// And how far beside it the tip may pass at its nearest, for it swings to and fro over its caster: of a neighbour cut by the
/// picture's edge only what comes nearest is seen, which makes the middle of it no place of theirs.
const PASSES_M: f64 = 0.5;
/// How a caster's claim falls with the distance from the wand's middle, metres (a normal curve's standard deviation).
const CLAIM_M: f64 = 1.5;
/// Most casters looked for.
const MOST: usize = 4;

/// Somebody who casts.
#[derive(Debug, Clone)]
pub(super) struct Caster {
    /// Middle of the tip's fast movement over the ground, world x and y.
    pub place_m: [f64; 2],
    /// How near the fast movement comes to the world's origin over the ground: a twentieth of it is nearer.
    pub nearest_m: f64,
    /// Seconds of fast movement.
    pub fast_s: f64,
    /// The chain of greatest worth among the pieces that are this caster's.
    pub chain: Vec<Piece>,
}

impl Caster {
    fn of(chain: Vec<Piece>) -> Option<Self> {
        let fast_s = fast(&chain).map(|s| s.dt_s).sum();
        let place_m = [middle(&chain, 0)?, middle(&chain, 1)?];
        let mut from_m: Vec<f64> = fast(&chain).map(|s| s.position.x.hypot(s.position.y)).collect();
        from_m.sort_by(f64::total_cmp);
        let nearest_m = from_m.get(from_m.len() / 20).copied().unwrap_or(0.0);
        Some(Self { place_m, nearest_m, fast_s, chain })
    }

    /// Distance over the ground from a place.
    pub fn apart_from_m(&self, [x, y]: [f64; 2]) -> f64 {
        (self.place_m[0] - x).hypot(self.place_m[1] - y)
    }
}

/// Steps of a chain at which it casts.
fn fast(chain: &[Piece]) -> impl Iterator<Item = Step> {
    chain.iter().flat_map(steps).filter(|s| s.speed2 > CASTING_M_S.powi(2))
}

/// Median of a coordinate where the tip is fast; of all samples where it never is.
fn middle(chain: &[Piece], axis: usize) -> Option<f64> {
    median(fast(chain).map(|s| s.position[axis]))
        .or_else(|| median(chain.iter().flat_map(|p| &p.samples).map(|s| s.position[axis])))
}

fn place_of(piece: &Piece) -> [f64; 2] {
    let at = |axis: usize| median(piece.samples.iter().map(|s| s.position[axis])).unwrap_or(f64::NAN);
    [at(0), at(1)]
}

/// Everybody who casts, the one who moves most first; the first also where nobody does.
pub(super) fn casters(pieces: Vec<Piece>, rod_m: f64) -> Vec<Caster> {
    let reach_m = rod_m + ARM_AND_STEP_M;
    let mut places: Vec<[f64; 2]> = Vec::new();
    let mut left = pieces.clone();
    while places.len() < MOST {
        let Some(found) = Caster::of(best_chain(left.clone(), speed_worth, None)) else { break };
        if !places.is_empty() && found.fast_s < FEWEST_S {
            break;
        }
        let own = found.place_m;
        places.push(own);
        let before = left.len();
        left.retain(|p| apart_m(place_of(p), own) > reach_m);
        if left.is_empty() || left.len() == before {
            break;
        }
    }
    // every piece to the nearest of them, and everybody's chain from the own pieces
    let mut shares: Vec<Vec<Piece>> = vec![Vec::new(); places.len()];
    for piece in pieces {
        let at = place_of(&piece);
        let nearest =
            (0..places.len()).min_by(|&i, &j| apart_m(places[i], at).total_cmp(&apart_m(places[j], at)));
        if let Some(k) = nearest {
            shares[k].push(piece);
        }
    }
    let chains = shares.into_iter().map(|share| best_chain(share, speed_worth, None));
    let mut out: Vec<Caster> = chains.filter_map(Caster::of).collect();
    out.sort_by(|a, b| b.fast_s.total_cmp(&a.fast_s));
    out
}

fn apart_m(p: [f64; 2], q: [f64; 2]) -> f64 {
    (p[0] - q[0]).hypot(p[1] - q[1])
}

/// The take's own caster and the others worth telling of.
pub(super) struct Chosen {
    pub own: Caster,
    pub others: Vec<Caster>,
}

/// Chooses the caster who stands where the wand was waved. `wand_reach_m` is absent for scenes that were not made with a wand:
/// then one caster alone is the take's, and of two nobody can say.
///
/// # Errors
/// Nothing was followed, nobody casts there, or two do and nothing tells whose the take is.
pub(super) fn choose(
    mut casters: Vec<Caster>,
    wand_reach_m: Option<f64>,
    take: &str,
) -> Result<Chosen, PathError> {
    if casters.is_empty() {
        return Err(PathError::NoChain { pieces: 0, take: take.to_string() });
    }
    let casts = |c: &Caster| c.fast_s >= FEWEST_S;
    let most_s = casters.iter().map(|c| c.fast_s).fold(0.0, f64::max);
    let claim = |c: &Caster| c.fast_s.max(1e-6) * (-0.5 * (c.apart_from_m([0.0; 2]) / CLAIM_M).powi(2)).exp();
    let at = match wand_reach_m {
        None => {
            if let Some(second) = casters.get(1).filter(|c| casts(c) && c.fast_s > TOLD_SHARE * most_s) {
                let apart_m = second.apart_from_m(casters[0].place_m);
                return Err(PathError::TwoCasters { apart_m, take: take.to_string() });
            }
            0
        }
        Some(reach_m) => {
            let limit_m = reach_m + BESIDE_WAND_M;
            let away = |c: &Caster| PathError::CastsElsewhere {
                away_m: c.apart_from_m([0.0; 2]),
                limit_m,
                take: take.to_string(),
            };
            let is_there =
                |c: &Caster| c.apart_from_m([0.0; 2]) <= limit_m && c.nearest_m <= reach_m + PASSES_M;
            let near = |k: &usize| is_there(&casters[*k]);
            let best = (0..casters.len())
                .filter(near)
                .max_by(|&i, &j| claim(&casters[i]).total_cmp(&claim(&casters[j])));
            match (best, casters.iter().find(|c| casts(c) && !is_there(c))) {
                // what moves in the volume without casting is not the tip of somebody who casts beside it
                (Some(k), elsewhere) if elsewhere.is_none() || casts(&casters[k]) => k,
                // of a neighbour at the picture's edge perhaps only the slow ends of strokes are seen
                (_, elsewhere) => return Err(away(elsewhere.unwrap_or(&casters[0]))),
            }
        }
    };
    let own = casters.remove(at);
    casters.retain(|c| casts(c) && c.fast_s > TOLD_SHARE * own.fast_s);
    Ok(Chosen { own, others: casters })
}

#[cfg(test)]
mod tests {
    use nalgebra::{Point3, Vector3};

    use super::super::tests::{FPS, clocks, errors, scene_of, take, tip_look};
    use super::super::{PathConfig, PathError, TakePaths, solve_take};
    use crate::model::{ClipSpots, Colour};
    use crate::testing::{Shot, Thing, cast_tip, film, two_phones};

    const WAND_REACH_M: f64 = 1.2;

    fn filmed(shifts_m: &[f64], wand_reach_m: Option<f64>) -> Result<TakePaths, PathError> {
        let cameras = two_phones();
        let mut scene = scene_of(&cameras);
        scene.wand_reach_m = wand_reach_m;
        // half a second apart, as two people cast
        let tips: Vec<_> = shifts_m
            .iter()
            .enumerate()
            .map(|(k, shift_m)| move |t: f64| cast_tip(t - 0.5 * k as f64) + Vector3::new(0.3, *shift_m, 0.0))
            .collect();
        let things: Vec<Thing> = tips.iter().map(|tip| Thing::new(tip, Colour::White, 0.04)).collect();
        let clips: Vec<ClipSpots> = (0..2)
            .map(|k| film(&cameras[k], k, &things, &Shot::new(FPS, 6.0, clocks()[k], 11 + k as u64)))
            .collect();
        solve_take(&take(&scene, &cameras, &clips, vec![tip_look()]), &PathConfig::default())
    }

    fn off_m(out: &TakePaths, late_s: f64, shift_m: f64) -> f64 {
        errors(&out.rod.tip, &|t| -> Point3<f64> { cast_tip(t - late_s) + Vector3::new(0.3, shift_m, 0.0) }).0
    }

    #[test]
    fn of_two_casters_the_one_where_the_wand_was_waved_is_measured_and_the_other_told() {
        for shifts_m in [[0.0, 7.0], [7.0, 0.0]] {
            let out = filmed(&shifts_m, Some(WAND_REACH_M)).unwrap();
            let own = shifts_m.iter().position(|s| *s == 0.0).unwrap();
            // as good as alone: 1.5 mm (see the clean cast), and the other's sightings in passing
            assert!(off_m(&out, 0.5 * own as f64, 0.0) < 3e-3, "{}", off_m(&out, 0.5 * own as f64, 0.0));
            assert!(
                out.warnings.iter().any(|w| w.what.contains("another rod casts 7.")),
                "{:?}",
                out.warnings
            );
        }
    }

    #[test]
    fn a_neighbour_alone_is_not_measured_for_the_caster() {
        let refused = filmed(&[7.0], Some(WAND_REACH_M)).unwrap_err();
        assert!(
            matches!(refused, PathError::CastsElsewhere { away_m, .. } if (away_m - 7.0).abs() < 0.5),
            "{refused}"
        );
        // and one who stands a step beside the wand's volume is the caster
        let out = filmed(&[1.5], Some(WAND_REACH_M)).unwrap();
        assert!(off_m(&out, 0.0, 1.5) < 3e-3);
    }

    #[test]
    fn without_a_wand_nobody_can_say_whose_of_two_it_is() {
        assert!(
            matches!(filmed(&[0.0, 7.0], None), Err(PathError::TwoCasters { apart_m, .. }) if (apart_m - 7.0).abs() < 0.5)
        );
        assert!(filmed(&[0.0], None).is_ok());
    }
}
