//! First clock of every camera of a take: the offset at which moving things agree.

use super::view::View;
use super::{PathConfig, PathError, RoleLook, TakeInput};
use crate::model::{OffsetSource, Severity, Warning};
use crate::tracks::rays::Epipolar;
use crate::tracks::sync::{SyncFound, find_offset};

pub(super) fn find_clocks(
    input: &TakeInput,
    config: &PathConfig,
    tip: &RoleLook,
    views: &mut [View],
    warnings: &mut Vec<Warning>,
) -> Result<(), PathError> {
    for view in views.iter() {
        if view.tracks_of(tip.colour).is_empty() && view.offset_on_path_s.is_none() {
            let of_colour = |c: &&crate::model::Candidate| c.colour == tip.colour;
            let candidates =
                view.spots.frames.iter().map(|f| f.candidates.iter().filter(of_colour).count() as u64).sum();
            return Err(PathError::NoTrack {
                camera: view.name.to_string(),
                colour: format!("{:?}", tip.colour).to_lowercase(),
                candidates,
                needed: config.link.fewest_sightings,
                take: input.take.to_string(),
            });
        }
    }
    let (first, others) = views.split_at_mut(1);
    let first = &first[0];
    for view in others {
        if let Some(offset_s) = view.offset_on_path_s {
            view.start_clock(offset_s);
            continue;
        }
        let epipolar = Epipolar::between(&first.pose, &view.pose, first.lens.fx_px);
        let search = |range_s: Option<[f64; 2]>| {
            find_offset(
                first.tracks_of(tip.colour),
                &first.clock,
                view.tracks_of(tip.colour),
                view.drift.value,
                &epipolar,
                range_s,
                &config.sync,
            )
        };
        let good = |f: &Option<SyncFound>| f.is_some_and(|f| is_sure(&f, config));
        // a little beyond four standard deviations, for sound stands for the wrong instant by the readout and more
        let near = view.coarse_offset.map(|c| {
            let reach = 4.0 * c.sd_s + 0.03;
            [c.value_s - reach, c.value_s + reach]
        });
        let mut found = near.and_then(|range| search(Some(range)));
        if !good(&found) {
            let anywhere = search(None);
            if good(&anywhere)
                && let (Some(coarse), Some(found)) = (view.coarse_offset, anywhere)
            {
                warnings.push(Warning::new(
                    Severity::Note,
                    format!("{}, {}", input.take, view.name),
                    format!(
                        "its {} says {:+.3} s against {}, the motion says {:+.3} s; the motion was believed",
                        source_name(coarse.source),
                        coarse.value_s,
                        first.name,
                        found.offset_s
                    ),
                    "Nothing to do unless the path looks wrong; then clap once at the start of each take",
                ));
            }
            found = match (found, anywhere) {
                (Some(a), Some(b)) if a.agreement >= b.agreement => Some(a),
                (a, b) => b.or(a),
            };
        }
        let found = match found {
            Some(f) if is_sure(&f, config) => f,
            poor => {
                return Err(PathError::NoAgreement {
                    camera: view.name.to_string(),
                    first: first.name.to_string(),
                    agreement_percent: 100.0 * poor.map_or(0.0, |f| f.agreement),
                    needed_percent: 100.0 * config.least_agreement,
                    take: input.take.to_string(),
                });
            }
        };
        // False casting repeats itself, but never to a pixel: a rival this near is a real ambiguity.
        if found.rival > 0.95 {
            warnings.push(Warning::new(
                Severity::Warning,
                format!("{}, {}", input.take, view.name),
                format!(
                    "its offset of {:+.3} s against {} fits hardly better than another one: the motion repeats itself or runs along the line between the cameras",
                    found.offset_s, first.name
                ),
                "Clap once at the start of each take, or raise one camera by half a metre",
            ));
        }
        view.start_clock(found.offset_s);
    }
    Ok(())
}

/// Enough of what moves agrees, or by far more than at any other offset: where much moves by itself (glints, people) the tip is
/// a small share of it, but at chance offsets less agrees still.
fn is_sure(found: &SyncFound, config: &PathConfig) -> bool {
    let [agreement, rival] = config.standing_out;
    found.agreement >= config.least_agreement || (found.agreement >= agreement && found.rival <= rival)
}

pub(super) fn source_name(source: OffsetSource) -> &'static str {
    match source {
        OffsetSource::Sound => "sound",
        OffsetSource::RecordingTime => "recording time",
        OffsetSource::Motion => "motion",
    }
}
