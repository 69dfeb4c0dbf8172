//! The set-up of a session with one camera: from the wand hung still at two places.

use super::DayError;
use super::clips::{self, look_through};
use super::lenses::LensSource;
use super::moved::Stills;
use super::run::{Run, Share};
use super::set_up::{Solved, wand_diameter_m, wand_length};
use crate::session::SceneClips;
use tipwright::model::Colour;
use tipwright::path::one_view::PlanePrior;
use tipwright::scene::hung::{HungInput, solve_hung};

/// Solves the set-up with a wand of one of these colours.
pub(super) fn solve_in(
    colours: &[Colour],
    run: &Run<'_>,
    scene: &SceneClips,
    lenses: &[LensSource],
    share: &Share<'_>,
) -> Result<Solved, DayError> {
    let (_, plumb) = scene.standing();
    let failed = |reason: String| DayError::Scene { reason };
    let both = run.session.camera.first().zip(lenses.first());
    let Some((camera, lens, clip)) = both.and_then(|(c, l)| Some((c, &l.lens, plumb.get(&c.name)?))) else {
        return Err(failed("there is no plumb clip; name it under [scene] plumb in session.toml".into()));
    };
    let diameter_m = wand_diameter_m(run.session);
    let looks: Vec<_> = colours.iter().map(|c| clips::look(*c, diameter_m)).collect();
    let looked = look_through(run, camera, (clip, None), &looks, Some(lens.fx_px), false, share)
        .map_err(|reason| failed(format!("the plumb clip of camera {}: {reason}", camera.name)))?;
    let input = HungInput {
        lens,
        clip: &looked.spots,
        readout_s: clips::readout_prior(camera),
        length_m: wand_length(run.session),
        diameter_m,
        colours: colours.to_vec(),
    };
    let solved = run
        .watch
        .time("scene", || solve_hung(&input, &run.config.wand))
        .map_err(|e| failed(format!("{e}: {}", run.session.resolve(clip).display())))?;
    if let Some(hung) = &solved.scene.hung {
        let (looks_deg, least_deg) = (
            hung.looks_at_deg.value,
            PlanePrior::of_hung(hung, &run.config.path.hung_plane).least_angle_deg(),
        );
        if looks_deg < least_deg {
            return Err(failed(format!(
                "camera {} looks along the plane of the two hung wands ({looks_deg:.0} degrees, {least_deg:.0} are needed); place it beside the cast, square to it, and hang the wand again",
                camera.name
            )));
        }
    }
    let stills: Stills = looked.stills.map(|[first, _]| (camera.name.clone(), first)).into_iter().collect();
    let warnings = looked.warnings.into_iter().chain(solved.warnings).collect();
    Ok(Solved { scene: solved.scene, stills, warnings })
}
