//! `spots CLIP --colour red --diameter-mm 40 -o DIR`: what the finder sees in one clip, for the helper who asks "will it find my
//! marker?".

use std::fmt::Write;

use tipwright::lens::read_lens;
use tipwright::math::median;
use tipwright::model::film::FilmInk;
use tipwright::model::footage::Footage;
use tipwright::model::{Candidate, FrameSpots};
use tipwright::spots::{Cause, FoundSpots, MarkerLook, SpotsConfig, find_clip};
use tipwright_footage::Reader;
use tipwright_footage::film::{SheetFrame, SheetMark, contact_sheet};
use tipwright_report::files::write_atomic;

use crate::args::SpotsArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Frames of the contact sheet.
const SHEET_FRAMES: usize = 20;
/// Score from which on a candidate counts, at rest or moving.
const COUNTS: f64 = 0.1;
/// Nearest distance of a trial.
const NEAR_M: f64 = 0.4;
/// Of two candidates the second is a rival when its score is this share of the first's.
const RIVAL: f64 = 0.7;

/// Looks through the clip, writes spots.csv and spots.jpg, says how the marker is seen and what would help.
pub fn run(args: &SpotsArgs, ui: &Ui) -> Result<(), Failure> {
    let reader = Reader::default();
    let look = MarkerLook { colour: args.colour, diameter_m: args.diameter_mm / 1000.0 };
    let focal_px = match &args.lens {
        Some(path) => {
            let lens = read_lens(path).map_err(Failure::unusable)?;
            Some(0.5 * (lens.fx_px + lens.fy_px))
        }
        None => None,
    };
    let mut config = SpotsConfig { focal_px, capture_fps: args.capture_fps, ..SpotsConfig::default() };
    let info = reader.probe(&args.clip).map_err(Failure::unusable)?;
    let name = args.clip.file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let find = |config: &SpotsConfig| -> Result<FoundSpots, Failure> {
        let bar = ui.frames_bar("frames", info.frames_claimed);
        let mut source = reader.open_clip(&args.clip, args.capture_fps).map_err(Failure::unusable)?;
        let found = find_clip(&name, source.as_mut(), &[look], config, &mut |n| bar.set_position(n));
        bar.finish_and_clear();
        found.map_err(Failure::unusable)
    };
    let mut found = find(&config)?;
    let sight = found.sights[0].1;
    let mut nearer = None;
    if 2 * sight.likely < sight.frames() && sight.main_cause() == Some(Cause::Large) {
        // A trial at home is filmed from nearer than a cast.
        config.distance_m = [NEAR_M, config.distance_m[0]];
        let near = find(&config)?;
        if near.sights[0].1.likely > sight.likely {
            nearer = Some(config.distance_m[1]);
            found = near;
        }
    }

    let table = args.output.join("spots.csv");
    write_atomic(&table, csv(&found).as_bytes()).map_err(Failure::other)?;
    let sheet = args.output.join("spots.jpg");
    let frames = sheet_frames(&found);
    contact_sheet(&args.clip, &frames, &sheet).map_err(Failure::other)?;
    let seen = Seen::of(&found);
    for warning in &found.warnings {
        ui.warn(warning);
    }
    let mut advice = seen.advice(args.diameter_mm);
    advice.extend(nearer.map(|m| {
        format!("It is so large in the picture that it must be nearer than {m:.0} m; on the day stand farther off, or check --diameter-mm.")
    }));
    ui.result_json(serde_json::json!({
        "clip": args.clip, "table": table, "sheet": sheet,
        "frames": seen.frames, "likely_frames": seen.likely, "resting_frames": seen.resting,
        "diameter_px": seen.diameter_px, "sigma_px": seen.sigma_px, "contrast": seen.contrast,
        "longest_streak_px": seen.longest_streak_px, "rival_frames": seen.rivals, "advice": advice,
    }));
    let mut text = seen.words(args.colour);
    for line in &advice {
        let _ = write!(text, "\n  {line}");
    }
    let _ = write!(text, "\nEvery candidate: {}\nFrames with marks: {}", table.display(), sheet.display());
    ui.result(&text);
    Ok(())
}

/// Every candidate of every frame, best first.
fn csv(found: &FoundSpots) -> String {
    let mut out = String::from(
        "frame,pts_s,rank,x_px,y_px,sigma_px,score,moving,contrast,area_px2,streak_px,streak_sd_px,streak_deg,saturated\n",
    );
    for frame in &found.spots.frames {
        for (rank, c) in frame.candidates.iter().enumerate() {
            let streak = c.streak.map_or(",,".to_owned(), |s| {
                format!("{:.2},{:.2},{:.1}", s.length_px, s.length_sd_px, s.angle_rad.to_degrees())
            });
            let _ = writeln!(
                out,
                "{},{:.6},{},{:.3},{:.3},{:.3},{:.3},{:.2},{:.3},{:.0},{streak},{}",
                frame.frame_idx,
                frame.pts_s,
                rank + 1,
                c.centre.x_px,
                c.centre.y_px,
                c.sigma_px(),
                c.score,
                c.moving,
                c.contrast,
                c.area_px2,
                u8::from(c.saturated)
            );
        }
    }
    out
}

fn best(frame: &FrameSpots) -> Option<&Candidate> {
    frame.candidates.first().filter(|c| c.score > COUNTS)
}

/// Frames evenly over the clip, with a ring around the best and thinner ink around the next.
fn sheet_frames(found: &FoundSpots) -> Vec<SheetFrame> {
    let frames = &found.spots.frames;
    let count = SHEET_FRAMES.min(frames.len());
    (0..count)
        .map(|k| {
            let frame = &frames[(2 * k + 1) * frames.len() / (2 * count)];
            let ring = |c: &Candidate, ink| SheetMark {
                at: c.centre,
                radius_px: (c.area_px2 / std::f64::consts::PI).sqrt().max(2.0) + 2.0,
                ink,
            };
            let inks = [FilmInk::Loop, FilmInk::Back, FilmInk::Back];
            let marks = frame.candidates.iter().filter(|c| c.score > COUNTS).zip(inks);
            let marks: Vec<SheetMark> = marks.map(|(c, ink)| ring(c, ink)).collect();
            let score = best(frame).map_or("nothing likely".into(), |c| format!("score {:.2}", c.score));
            SheetFrame {
                frame_idx: frame.frame_idx,
                label: format!("frame {}  {score}", frame.frame_idx),
                marks,
            }
        })
        .collect()
}

/// How the marker is seen, over the clip.
struct Seen {
    frames: u64,
    likely: u64,
    resting: u64,
    diameter_px: Option<f64>,
    sigma_px: Option<f64>,
    contrast: Option<f64>,
    longest_streak_px: f64,
    /// Share of frames.
    saturated: f64,
    rivals: u64,
    /// The two causes that most of the frames without it have: how many, what is wrong, what helps.
    why: Vec<(u64, (String, &'static str))>,
}

impl Seen {
    fn of(found: &FoundSpots) -> Self {
        let all: Vec<&Candidate> = found.spots.frames.iter().filter_map(best).collect();
        let (colour, sight) = found.sights[0];
        let rival = |f: &&FrameSpots| {
            let second = f.candidates.get(1).map_or(0.0, |c| c.score);
            best(f).is_some_and(|c| second > RIVAL * c.score)
        };
        let mut streaks: Vec<f64> = all.iter().filter_map(|c| c.streak).map(|s| s.length_px).collect();
        streaks.sort_by(f64::total_cmp);
        let mut most: Vec<(Cause, u64)> = sight.by_cause().filter(|(_, n)| *n > 0).collect();
        most.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
        Self {
            frames: sight.frames(),
            likely: sight.likely,
            resting: sight.resting,
            why: most.iter().take(2).map(|(c, n)| (*n, c.words(colour))).collect(),
            diameter_px: median(all.iter().map(|c| {
                let streak_px = c.streak.map_or(0.0, |s| s.length_px);
                // area = pi d^2 / 4 + streak d
                let half = 2.0 * streak_px / std::f64::consts::PI;
                (half * half + 4.0 * c.area_px2 / std::f64::consts::PI).sqrt() - half
            })),
            sigma_px: median(all.iter().map(|c| c.sigma_px())),
            contrast: median(all.iter().map(|c| c.contrast)),
            longest_streak_px: streaks.get(streaks.len() * 49 / 50).copied().unwrap_or(0.0),
            saturated: all.iter().filter(|c| c.saturated).count() as f64 / all.len().max(1) as f64,
            rivals: found.spots.frames.iter().filter(rival).count() as u64,
        }
    }

    fn words(&self, colour: tipwright::model::Colour) -> String {
        let mut text = format!("A {colour} marker is likely in {} of {} frames", self.likely, self.frames);
        if self.likely > 0 {
            let _ = write!(text, ", in {} of them at rest", self.resting);
        }
        if let (Some(d), Some(s), Some(c)) = (self.diameter_px, self.sigma_px, self.contrast) {
            let _ = write!(
                text,
                ": {d:.0} px across, placed to {s:.2} px, standing out by {:.0} % of full scale, drawn out by up to {:.0} px",
                100.0 * c,
                self.longest_streak_px
            );
        }
        text
    }

    /// What would help, from what was measured.
    fn advice(&self, diameter_mm: f64) -> Vec<String> {
        let mut out = Vec::new();
        if self.likely * 20 < self.frames * 19 {
            let lines = self.why.iter().map(|(n, (what, remedy))| format!("In {n} frames {what}. {remedy}."));
            out.extend(lines);
        }
        let diameter = self.diameter_px.unwrap_or(f64::INFINITY);
        if diameter < 5.0 {
            out.push(format!(
                "It is only {diameter:.0} px across: go nearer, or use a larger marker than {diameter_mm:.0} mm or a finer picture."
            ));
        }
        if self.longest_streak_px > 1.5 * diameter {
            out.push("Its streaks are longer than it is wide: a shorter shutter (1/1000 s or less) places it better.".into());
        }
        if self.contrast.is_some_and(|c| c < 0.08) {
            out.push("It hardly stands out: brighter, purer paint, or another background.".into());
        }
        if self.saturated > 0.3 {
            out.push("It is burnt out in many frames: lock the exposure darker.".into());
        }
        if self.rivals * 5 > self.frames {
            out.push(format!(
                "In {} frames something else looks nearly as much like it: take a colour that nothing else there has.",
                self.rivals
            ));
        }
        if out.is_empty() {
            out.push("Nothing to better.".into());
        }
        out
    }
}
