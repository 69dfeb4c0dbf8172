//! From a clip's file to its candidates and its rough place in time.

use std::path::Path;

use super::run::{Run, Share};
use super::timings::{ClipTimings, Stopwatch, Timed};
use crate::session::{Excerpt, SessionCamera};
use tipwright::line::Tee;
use tipwright::model::footage::FrameSource;
use tipwright::model::line::ClipRidges;
use tipwright::model::{ClipSpots, Colour, Measured, Still, Warning};
use tipwright::spots::{MarkerLook, Sight, SpotsConfig, find_clip};

/// Frames between two words about progress: often enough to look alive, seldom enough to cost nothing.
const FRAMES_PER_WORD: u64 = 16;
/// A readout written in session.toml is taken to be right to this much.
const READOUT_GIVEN_SD_S: f64 = 2e-4;
/// Longest step from one frame's stamp to the next that a clip may have, seconds. Frames are dropped for tenths of a second; a
/// minute without one is a broken stamp, and what comes after it cannot be told in time.
const LONGEST_STEP_S: f64 = 60.0;

/// What a marker looks like.
pub(super) fn look(colour: Colour, diameter_m: f64) -> MarkerLook {
    MarkerLook { colour, diameter_m }
}

/// The readout as session.toml gives it.
pub(super) fn readout_prior(camera: &SessionCamera) -> Option<Measured> {
    camera.readout_ms.map(|ms| Measured::new(ms.get() / 1000.0, READOUT_GIVEN_SD_S))
}

/// What one clip yields in its one pass.
pub(super) struct Looked {
    pub spots: ClipSpots,
    /// Points on thin curves, when asked for.
    pub ridges: Option<ClipRidges>,
    /// What stood still at its beginning and its end.
    pub stills: Option<[Still; 2]>,
    /// What was seen of each colour.
    pub sights: Vec<(Colour, Sight)>,
    pub warnings: Vec<Warning>,
}

/// Candidates of one clip, or of a part of it by its own clock, and with `gather` its thin curves, or the reason why there are none.
pub(super) fn look_through(
    run: &Run<'_>,
    camera: &SessionCamera,
    (clip, span_s): (&Path, Option<[f64; 2]>),
    looks: &[MarkerLook],
    focal_px: Option<f64>,
    gather: bool,
    share: &Share<'_>,
) -> Result<Looked, String> {
    let path = run.session.resolve(clip);
    let whole = run.footage.open_clip(&path, camera.capture_fps()).map_err(|e| e.to_string())?;
    let watch = Stopwatch::start();
    let mut source = Excerpt::of(whole, camera.capture_fps(), span_s);
    let mut decoder = Timed::new(&mut source);
    let mut said = 0;
    let settings = SpotsConfig { focal_px, capture_fps: camera.capture_fps(), ..run.config.spots };
    let mut find = |source: &mut dyn FrameSource| {
        find_clip(&camera.name, source, looks, &settings, &mut |done| {
            if done >= said + FRAMES_PER_WORD {
                share.did(done - said);
                said = done;
            }
        })
        .map_err(|e| e.to_string())
    };
    let (found, ridges, given) = if gather {
        let mut tee = Tee::new(&mut decoder, &run.config.gather);
        let mut both = Timed::new(&mut tee);
        let found = find(&mut both);
        let given = both.spent;
        let Tee { gatherer, .. } = tee;
        (found, Some(gatherer.finish(&camera.name)), Some(given))
    } else {
        (find(&mut decoder), None, None)
    };
    let (decoding, frames) = (decoder.spent, decoder.frames);
    let given = given.unwrap_or(decoding);
    run.watch.add_clip(ClipTimings {
        clip: clip.to_path_buf(),
        of_take: gather,
        frames,
        decoding,
        spots: watch.stop() - given,
        line_points: given - decoding,
    });
    let found = found?;
    in_time(&found.spots, &path)?;
    let ridges = ridges.map(|mut ridges| {
        ridges.take_times(&found.spots.times);
        ridges
    });
    Ok(Looked {
        spots: found.spots,
        ridges,
        stills: found.stills,
        sights: found.sights,
        warnings: found.warnings,
    })
}

/// Refuses a clip whose stamps jump: it must cost its take, and the stages after this one take time for what it says.
fn in_time(spots: &ClipSpots, path: &Path) -> Result<(), String> {
    let jump = spots.frames.windows(2).find(|w| !((w[1].pts_s - w[0].pts_s).abs() <= LONGEST_STEP_S));
    match jump {
        None => Ok(()),
        Some(pair) => Err(format!(
            "its time stamps jump from {:.3} s to {:.3} s at frame {}; copy the original from the phone again, or cut the clip there: {}",
            pair[0].pts_s,
            pair[1].pts_s,
            pair[1].frame_idx,
            path.display()
        )),
    }
}

#[cfg(test)]
mod tests {
    use tipwright::model::{FrameSpots, Picture, Rotation};

    use super::*;

    #[test]
    fn a_stamp_that_jumps_is_refused_by_its_frame() {
        let clip = |stamps: &[f64]| ClipSpots {
            camera: "west".into(),
            picture: Picture { stored_px: [1920, 1080], rotation: Rotation::R0 },
            frames: (0..)
                .zip(stamps)
                .map(|(frame_idx, &pts_s)| FrameSpots { frame_idx, pts_s, candidates: Vec::new() })
                .collect(),
            times: tipwright::model::FrameTimes::default(),
        };
        let path = Path::new("west/0003.mp4");
        assert!(in_time(&clip(&[0.0, 0.004, 0.3, 0.304]), path).is_ok());
        for bad in [9e8, f64::NAN, f64::INFINITY, -100.0] {
            let said = in_time(&clip(&[0.0, 0.004, bad]), path).unwrap_err();
            assert!(said.contains("frame 2") && said.contains("0003.mp4"), "{said}");
        }
    }
}
