//! Loops of a simulated session against its truth, take by take, with cameras, clocks and tip path taken from the truth:
//! what the finder and the figures of the line are worth by themselves. Prints a row per stroke and a summary.
//!
//! `cargo run --release -p tipwright-simulate --example loop_truth -- SESSION TRUTH [TAKE ...]`
//!
//! With `decode-only` before the takes the clips are decoded and nothing else: processor time without it and with it tell
//! what the finder adds.
#![allow(clippy::print_stdout, clippy::unwrap_used, reason = "an example that prints a table")]

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use nalgebra::{Point3, Vector3};
use tipwright::line::{GatherConfig, LineView, LoopSettings, Tee, measure_loops};
use tipwright::model::footage::{Footage, FrameSource};
use tipwright::model::line::ClipRidges;
use tipwright::model::{Camera, Clock, FigureId, Lens, RodPaths, Scene};
use tipwright::strokes::{StrokesConfig, measure, read_path};
use tipwright_day::session::parse;
use tipwright_footage::Reader;
use tipwright_physics::motion::{RodMotion, RodState};
use tipwright_simulate::truth_figures::loops::{TrueLoop, true_loop};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let session = parse(Path::new(&args[0])).session.unwrap();
    let truth = Path::new(&args[1]);
    let scene: Scene = toml::from_str(&std::fs::read_to_string(truth.join("scene.toml")).unwrap()).unwrap();
    let (mut rows, mut seen, mut all) = (Vec::new(), 0, 0);
    if args.get(2).is_some_and(|a| a == "decode-only") {
        let chosen =
            session.take.iter().filter(|t| args.len() == 3 || args[3..].iter().any(|a| t.name == *a));
        for clip in chosen.flat_map(|t| t.clips.values()) {
            let mut source = Reader::default().open_clip(&session.resolve(clip), None).unwrap();
            while source.next_frame().unwrap().is_some() {}
        }
        return;
    }
    for take in &session.take {
        if args.len() > 2 && args[2..].iter().all(|a| take.name != *a) {
            continue;
        }
        let folder = truth.join("takes").join(&take.name);
        let clocks = clocks(&folder.join("clocks.toml"));
        let mut gathered: Vec<(Camera, Clock, ClipRidges)> = Vec::new();
        for placed in &scene.cameras {
            let clip = session.resolve(&take.clips[placed.name.as_str()]);
            let capture_fps = session.capture_fps(&placed.name);
            let began = Instant::now();
            let mut source = Reader::default().open_clip(&clip, capture_fps).unwrap();
            let picture = source.info().picture;
            let mut tee = Tee::new(source.as_mut(), &GatherConfig::default());
            let mut frames = 0;
            while tee.next_frame().unwrap().is_some() {
                frames += 1;
            }
            let (all_s, own_s) = (began.elapsed().as_secs_f64(), tee.gatherer.spent().as_secs_f64());
            let ridges = tee.gatherer.finish(&placed.name);
            let points: usize = ridges.frames.iter().map(|f| f.points.len()).sum();
            println!(
                "{} {}: {frames} frames, decoding {:.2} s, gathering {own_s:.2} s ({:.2} of it), {} points a look",
                take.name,
                placed.name,
                all_s - own_s,
                own_s / (all_s - own_s),
                points / ridges.frames.len().max(1)
            );
            let lens: Lens = toml::from_str(
                &std::fs::read_to_string(truth.join("lens").join(format!("{}.toml", placed.name))).unwrap(),
            )
            .unwrap();
            let camera = Camera { name: placed.name.clone(), lens, pose: placed.pose(), picture };
            gathered.push((camera, clocks[&placed.name], ridges));
        }
        let path = read_path(&folder.join("path.csv")).unwrap().path;
        let rod = RodPaths { tip: path, butts: Vec::new() };
        let mut strokes = measure(&rod, &StrokesConfig::default()).unwrap().strokes;
        let views: Vec<LineView<'_>> = gathered
            .iter()
            .map(|(camera, clock, ridges)| LineView { camera: camera.clone(), clock: *clock, ridges })
            .collect();
        let began = Instant::now();
        let loops = measure_loops(&views, &rod.tip, &mut strokes, &LoopSettings::default());
        println!("{}: {:.2} s for the figures", take.name, began.elapsed().as_secs_f64());
        let motion = motion_from(&folder.join("line.csv"));
        for stroke in &strokes {
            let world_from_cast = stroke.cast_from_world.inverse();
            let [a, b] = stroke.chord_in_cast.map(|p| world_from_cast * p);
            let rsp_s = stroke.figures.get(FigureId::TRsp).unwrap().value;
            let there = true_loop(&motion, &(b - a), rsp_s);
            all += usize::from(there.is_some());
            let found = loops.measured.iter().find(|l| l.stroke == stroke.stroke);
            let reason = loops.not_seen.iter().find(|(n, _)| *n == stroke.stroke).map(|(_, r)| r.as_str());
            print!("{} {} {:?}: ", take.name, stroke.stroke, stroke.direction);
            match (&there, found) {
                (Some(t), Some(f)) => {
                    seen += 1;
                    let g = |id| stroke.figures.get(id).map_or((f64::NAN, f64::NAN), |m| (m.value, m.sd));
                    let (w, v, n) =
                        (g(FigureId::LoopWidth), g(FigureId::LoopSpeed), g(FigureId::LoopNarrowest));
                    let (dip, angle, fly) =
                        (g(FigureId::FlyLegDip), g(FigureId::LoopAngle), g(FigureId::FlyLegSpeed));
                    println!(
                        "width {:.3} true {:.3} ({:+.1} sd {:.3}), narrowest {:+.3}, speed {:.2} true {:.2} (sd {:.2}), fly {:.1} true {:.1}, angle {:.1} true {:.1} (sd {:.1}), dip {:.3} true {:.3}, {:?} true {:?} (x{} least {:.2}), off {:?}, t {:+.1} ms, views {:?}",
                        w.0,
                        t.width_m.abs(),
                        (w.0 - t.width_m.abs()) / w.1,
                        w.1,
                        n.0 - t.narrowest_m,
                        v.0,
                        t.nose_m_s,
                        v.1,
                        fly.0,
                        t.fly_leg_m_s,
                        angle.0,
                        t.angle_deg,
                        angle.1,
                        dip.0,
                        t.dip_m,
                        f.shape,
                        t.shape,
                        t.crossings,
                        t.least_separation_m,
                        f.off_plane_m.map(|o| (o.value * 1e3).round()),
                        1e3 * (f.t_s - t.t_s),
                        f.views
                            .iter()
                            .map(|v| format!("{} {:.3}", v.camera, v.width_m.value))
                            .collect::<Vec<_>>()
                    );
                    rows.push((w.0, w.1, v.0, f.shape, t.clone()));
                }
                (None, Some(f)) => {
                    println!("measured {:.3} m, but no loop is there", f.views[0].width_m.value)
                }
                (Some(t), None) => println!("NOT SEEN (width {:.2}): {}", t.width_m, reason.unwrap_or("")),
                (None, None) => println!("no loop there, none found: {}", reason.unwrap_or("")),
            }
        }
    }
    summary(&rows, seen, all);
}

fn summary(rows: &[(f64, f64, f64, Option<tipwright::model::LoopShape>, TrueLoop)], seen: usize, all: usize) {
    let median = |mut v: Vec<f64>| {
        v.sort_by(f64::total_cmp);
        v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
    };
    let off: Vec<f64> = rows.iter().map(|r| (r.0 - r.4.width_m.abs()).abs()).collect();
    let share: Vec<f64> = rows.iter().map(|r| (r.0 / r.4.width_m.abs() - 1.0).abs()).collect();
    let speed: Vec<f64> =
        rows.iter().map(|r| (r.2 / r.4.nose_m_s - 1.0).abs()).filter(|e| e.is_finite()).collect();
    let chi: Vec<f64> = rows.iter().map(|r| ((r.0 - r.4.width_m.abs()) / r.1).abs()).collect();
    // wrong: off by more than 30 mm and 5 %, and by more than what the interval allows
    let wrong = rows
        .iter()
        .filter(|r| {
            let e = (r.0 - r.4.width_m.abs()).abs();
            e > 0.03 && e > 0.05 * r.4.width_m.abs() && e > 3.0 * r.1
        })
        .count();
    let shaped: Vec<_> = rows.iter().filter_map(|r| r.3.map(|s| (s, r.4.shape))).collect();
    let right = shaped.iter().filter(|(a, b)| a == b).count();
    println!(
        "{seen} of {all} loops measured; width median error {:.0} mm, {:.1} %; within 95 %: {} of {}; wrong {wrong}; speed median error {:.1} % of {}; shape right {right} of {} ({} not said)",
        1e3 * median(off),
        100.0 * median(share),
        chi.iter().filter(|c| **c < 1.96).count(),
        rows.len(),
        100.0 * median(speed.clone()),
        speed.len(),
        shaped.len(),
        rows.len() - shaped.len()
    );
}

fn clocks(path: &Path) -> BTreeMap<String, Clock> {
    let table: toml::Table = std::fs::read_to_string(path).unwrap().parse().unwrap();
    let number = |t: &toml::Value, key: &str| t[key].as_float().unwrap();
    table["camera"]
        .as_array()
        .unwrap()
        .iter()
        .map(|c| {
            let clock = Clock {
                offset_s: number(c, "offset_s"),
                drift: number(c, "drift"),
                readout_s: number(c, "readout_s"),
            };
            (c["name"].as_str().unwrap().to_owned(), clock)
        })
        .collect()
}

/// The line of line.csv as a motion without a rod: its tip is the line's first node.
fn motion_from(path: &Path) -> RodMotion {
    let text = std::fs::read_to_string(path).unwrap();
    let mut frames: Vec<RodState> = Vec::new();
    let mut line_at_m: Vec<f64> = Vec::new();
    for row in text.lines().skip(1) {
        let cells: Vec<f64> = row.split(',').map(|c| c.parse().unwrap()).collect();
        if cells[1] == 0.0 {
            frames.push(RodState {
                t_s: cells[0],
                butt_in_world: Point3::origin(),
                butt_axis_in_world: Vector3::z(),
                rod_in_world: Vec::new(),
                tip_velocity_in_world_m_s: Vector3::zeros(),
                line_in_world: Vec::new(),
            });
        }
        let frame = frames.last_mut().unwrap();
        let place = Point3::new(cells[3], cells[4], cells[5]);
        frame.line_in_world.push(place);
        if cells[1] == 0.0 {
            frame.rod_in_world = vec![place, place];
        }
        if frames.len() == 1 {
            line_at_m.push(cells[2]);
        }
    }
    let dt_s = frames[1].t_s - frames[0].t_s;
    for i in 1..frames.len() - 1 {
        let step = frames[i + 1].line_in_world[0] - frames[i - 1].line_in_world[0];
        frames[i].tip_velocity_in_world_m_s = step / (2.0 * dt_s);
    }
    RodMotion { dt_s, rod_at_m: vec![0.0, 1.0], line_at_m, frames }
}
