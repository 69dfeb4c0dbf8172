//! Takes that one camera alone shows: measured when the others are, in the plane that those tell.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::measure::usable_clips;
use super::run::Run;
use super::{DayError, SetUp, inputs};
use crate::session::Take;
use crate::store::{Files, Place};
use tipwright::model::{OneView, Severity, TakeResults, TipPlane, Warning};
use tipwright::path::one_view::{PlaneFrom, PlanePrior};

/// The camera that alone shows a take.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Alone {
    pub camera: String,
    /// Why it is alone.
    why: String,
}

impl Alone {
    pub fn of(camera: &str, reasons: &[String]) -> Self {
        Self { camera: camera.to_string(), why: reasons.join("; ") }
    }

    /// As far as is known before anything is looked at: by the session, or by an earlier run with the same clips.
    pub fn before(run: &Run<'_>, take: &Take, set_up: &SetUp, digest: &str) -> Option<Self> {
        if let Some(alone) = &take.alone {
            return Some(Self::of(&alone.camera, std::slice::from_ref(&alone.why)));
        }
        if let [(camera, _)] = usable_clips(run, take, set_up).as_slice() {
            let why = match run.session.has_one_camera() {
                true => "the session has no other",
                false => "no clip of another camera of the set-up",
            };
            return Some(Self::of(&camera.name, &[why.into()]));
        }
        if run.config.anew {
            return None;
        }
        Some(run.store.kept::<Self>(&Place::kept_alone(&take.name), digest)?.value)
    }

    /// For the next run.
    pub fn keep(&self, run: &Run<'_>, take: &Take, digest: &str) -> Result<(), DayError> {
        Ok(run.store.keep(&Place::kept_alone(&take.name), digest, "", &Files::new(), self)?)
    }

    pub fn digest(&self, of_clips: &str, plane: &PlanePrior) -> String {
        let parts = [
            ("clips", of_clips.to_string()),
            ("camera", self.camera.clone()),
            ("plane", format!("{plane:?}")),
        ];
        inputs::joint_digest(parts)
    }

    /// Why it cannot be measured.
    pub fn without_plane(&self) -> String {
        format!(
            "camera {} alone shows it ({}), and no other take of its set-up was measured by two cameras, which would tell the plane of the cast; add the other camera's clip, or measure it by `day` together with other takes",
            self.camera, self.why
        )
    }
}

/// A take that one camera alone shows, with the plane that others tell.
pub(super) struct InPlane<'a> {
    pub alone: &'a Alone,
    pub plane: &'a PlanePrior,
}

impl InPlane<'_> {
    pub fn one_view(&self) -> OneView {
        let Alone { camera, why } = self.alone.clone();
        OneView { camera, why, plane_from: words(self.plane) }
    }

    /// What a person should know of it.
    pub fn word(&self, take: &str) -> Warning {
        // of a session with one camera it is told once, and it could not be otherwise
        let is_rule = self.plane.from == PlaneFrom::HungWands;
        Warning::new(
            if is_rule { Severity::Note } else { Severity::Warning },
            format!("take {take}"),
            format!(
                "measured by camera {} alone ({}), in {}; views = 1",
                self.alone.camera,
                self.alone.why,
                words(self.plane)
            ),
            if is_rule {
                "Its figures are as unsure as the plane, and are left out of comparisons; a second phone would make it whole"
            } else {
                "Its figures are as unsure as the plane, and are left out of comparisons; the other camera's clip would make it whole"
            },
        )
    }
}

/// The plane in words: whose, and how well it is known.
fn words(plane: &PlanePrior) -> String {
    let many = |n: usize| if n == 1 { "" } else { "s" };
    let whose = match plane.from {
        PlaneFrom::OwnTakes(n) => format!("the plane of {n} other take{} of the same caster", many(n)),
        PlaneFrom::OtherCasters(n) => format!("the plane of {n} other caster{}", many(n)),
        PlaneFrom::HungWands => {
            "the plane that a wand hung at two places tells, not the cast itself".to_string()
        }
    };
    format!(
        "{whose} (known to {:.0} cm aside, {:.0} degrees of its way and {:.0} of its lean, one standard deviation; a tip is taken to stray from it by {:.0} cm)",
        100.0 * plane.sd[0],
        plane.sd[1].atan().to_degrees(),
        plane.sd[2].atan().to_degrees(),
        100.0 * plane.strays_m()
    )
}

/// The plane of a take as the takes of its set-up that were measured by two cameras tell it: the caster's own, or those of others. In a
/// session with one camera two hung wands tell it.
pub(super) fn plane(
    run: &Run<'_>,
    set_up: &SetUp,
    take: &Take,
    measured: &[(usize, TakeResults)],
) -> Option<PlanePrior> {
    if let Some(hung) = &set_up.scene.hung {
        return Some(PlanePrior::of_hung(hung, &run.config.path.hung_plane));
    }
    let session = run.session;
    let mut by_caster: BTreeMap<&str, Vec<&TipPlane>> = BTreeMap::new();
    for other in session.take.iter().filter(|t| t.set_up_idx.unwrap_or(0) == take.set_up_idx.unwrap_or(0)) {
        let Some((_, results)) = measured.iter().find(|(idx, _)| *idx == other.take_idx) else { continue };
        if let Some(plane) = &results.tip_plane {
            by_caster.entry(other.caster.as_str()).or_default().push(plane);
        }
    }
    let own = by_caster.remove(take.caster.as_str()).unwrap_or_default();
    PlanePrior::of_takes(&own, &by_caster.into_values().collect::<Vec<_>>())
}
