//! What is in the pictures and files against the truth stated beside them.

use std::path::Path;

use nalgebra::{Point3, UnitQuaternion, Vector3};
use tipwright::model::footage::Footage;
use tipwright::model::{Camera, Clock, Lens, Picture, Rotation};
use tipwright_footage::Reader;
use tipwright_footage::encode::{Depth, EncodeConfig, PictureCodec};

use super::*;
use crate::day::place::{looking, phone_lens};
use crate::day::scenery::{LINE, light_of};
use crate::phone::backdrop::Surroundings;
use crate::phone::exposure::{STEPS_PER_CODE, luminance_of_luma};
use crate::phone::play::{Ball, Curve};
use crate::phone::skin::Skin;
use crate::phone::sound::Burst;

const SURROUNDINGS: Surroundings = Surroundings {
    // trees all over: nothing bright behind what is drawn
    tree_top_deg: 60.0,
    cloudiness: 0.3,
    cloud_light: 0.8,
    cloud_drift_px_s: 3.0,
    daylight: 1.0,
    sun_in_world: Vector3::new(-0.4, -0.7, 0.6),
    sun_visible: false,
    in_bloom: 0.0,
    seed: 4,
};

/// Where the camera looks: 2.06 m away a pixel of this small picture is as large as one of 1080p at 8 m.
const SUBJECT: Point3<f64> = Point3::new(0.0, 2.06, 1.9);

fn camera(rotation: Rotation) -> Camera {
    let lens = phone_lens(0, 480, 270);
    let lens = match rotation {
        Rotation::R0 | Rotation::R180 => lens,
        Rotation::R90 | Rotation::R270 => {
            Lens { resolution_px: [270, 480], cx_px: lens.cy_px, cy_px: lens.cx_px, ..lens }
        }
    };
    Camera {
        name: "small".into(),
        lens,
        pose: looking(Point3::new(0.0, 0.0, 1.7), SUBJECT, 0.03),
        picture: Picture { stored_px: [480, 270], rotation },
    }
}

fn spec(rotation: Rotation, frames: i64, path: &Path) -> ClipSpec {
    ClipSpec {
        path: path.to_path_buf(),
        name: "test".into(),
        camera: camera(rotation),
        shutter: Shutter {
            clock: Clock { offset_s: 0.0, drift: 1e-5, readout_s: 7.2e-3 },
            exposure_s: 1e-3,
            rows: 270.0,
        },
        captured_ticks: (0..frames).map(|n| n * 750).collect(),
        late_ticks: Vec::new(),
        slowed_by: 1,
        idle: Vec::new(),
        encode: EncodeConfig { rotation, ..EncodeConfig::new([480, 270]) },
        noise: NoiseModel::NONE,
        exposure_swing: None,
        sharpening: 0.0,
        microphone: None,
        seed: 9,
    }
}

fn luma_of(plane: &PlaneData<'_>) -> Vec<f64> {
    let steps = f64::from(STEPS_PER_CODE);
    let light = |code: f64| f64::from(luminance_of_luma((code * steps) as f32));
    match plane {
        PlaneData::Bits8(d) => d.iter().map(|c| light(f64::from(*c))).collect(),
        PlaneData::Bits10(d) => d.iter().map(|c| light(f64::from(*c) / 4.0)).collect(),
    }
}

/// Linear light of every picture, and the truth.
fn pictures(spec: &ClipSpec, backdrop: &Backdrop, play: &Play) -> (Vec<Vec<f64>>, Vec<SpotTruth>) {
    let mut out = Vec::new();
    let truth = expose(spec, backdrop, play, &mut |planes, _| {
        out.push(luma_of(&planes.luma.data));
        Ok(())
    })
    .unwrap();
    (out, truth)
}

fn ball(at: impl Fn(f64) -> Point3<f64> + Send + Sync + 'static) -> Play {
    let white = light_of(tipwright::model::Colour::White);
    Play {
        balls: vec![Ball {
            role: "tip".into(),
            diameter_m: 0.040,
            light: white,
            at: Box::new(at),
            turned: Box::new(|_| UnitQuaternion::identity()),
        }],
        ..Play::default()
    }
}

/// Where the light is that the ball brought into the picture, weighted by how much of it: stored pixels.
fn centroid(with: &[f64], without: &[f64], width: usize, near: (f64, f64)) -> (f64, f64) {
    let light = f64::from(light_of(tipwright::model::Colour::White).stored().luminance);
    let (mut sum, mut u_sum, mut v_sum) = (0.0, 0.0, 0.0);
    for (i, (a, b)) in with.iter().zip(without).enumerate() {
        let (u, v) = ((i % width) as f64, (i / width) as f64);
        if (u - near.0).abs() > 14.0 || (v - near.1).abs() > 14.0 {
            continue;
        }
        let cover = (a - b) / (light - b);
        sum += cover;
        u_sum += cover * u;
        v_sum += cover * v;
    }
    (u_sum / sum, v_sum / sum)
}

/// Largest and rms distance of the centroid from the stated truth, and the longest streak.
fn worst_px(rotation: Rotation, play: &Play) -> (f64, f64, f64) {
    let spec = spec(rotation, 120, Path::new(""));
    let backdrop = Backdrop::new(&spec.camera, &SURROUNDINGS);
    let (with, truth) = pictures(&spec, &backdrop, play);
    let (without, _) = pictures(&spec, &backdrop, &Play::default());
    let (mut worst, mut square, mut streak) = (0.0_f64, 0.0, 0.0_f64);
    assert_eq!(truth.len(), 120);
    for (spot, (a, b)) in truth.iter().zip(with.iter().zip(&without)) {
        let (u, v) = spec.camera.picture.stored_from_upright(spot.at);
        let (cu, cv) = centroid(a, b, 480, (u, v));
        let off = (cu - u).hypot(cv - v);
        // written so that NaN fails
        worst = if off <= worst { worst } else { off };
        square += off * off;
        streak = streak.max(spot.streak_px);
        // the stated time is that of the row: the clock's formula for the row it is seen on
        let fraction = spec.camera.picture.shutter_fraction(spot.at);
        let t_s = spec.shutter.clock.session_s(spot.pts_s, fraction);
        assert!((t_s - spot.t_s).abs() < 1e-7, "{t_s} {}", spot.t_s);
    }
    (worst, (square / 120.0).sqrt(), streak)
}

#[test]
fn centroid_of_a_slow_marker_is_true_at_every_phase() {
    for rotation in [Rotation::R0, Rotation::R90, Rotation::R180] {
        // a twentieth of a pixel per frame along u, a thirteenth along v: all phases in 120 frames
        let play = ball(|t| SUBJECT + Vector3::new(0.032 * t, 0.0, 0.051 * t));
        let (worst, rms, streak) = worst_px(rotation, &play);
        println!("{rotation:?}: worst {worst:.4} px, rms {rms:.4} px, streak {streak:.3} px");
        assert!(streak < 0.1 && worst < 0.03, "{worst}");
    }
}

#[test]
fn centroid_of_a_streak_is_true_row_times_included() {
    for rotation in [Rotation::R0, Rotation::R90, Rotation::R180] {
        // up to 20 m/s, 890 m/s2, in all directions of the picture
        let play = ball(|t| {
            SUBJECT
                + Vector3::new(0.40 * (44.0 * t).sin(), 0.1 * (9.0 * t).sin(), 0.21 * (37.0 * t + 1.0).sin())
        });
        let (worst, rms, streak) = worst_px(rotation, &play);
        println!("{rotation:?}: worst {worst:.4} px, rms {rms:.4} px, longest streak {streak:.2} px");
        assert!(streak > 3.0 && worst < 0.03, "{worst}");
    }
}

/// Mud keeps light from one side of the ball, and what side that is turns with the ball.
#[test]
fn mud_turns_with_the_ball() {
    let spec = spec(Rotation::R0, 1, Path::new(""));
    let backdrop = Backdrop::new(&spec.camera, &SURROUNDINGS);
    let (without, _) = pictures(&spec, &backdrop, &Play::default());
    let off = |skin, turn_rad: f64| {
        let mut play = ball(|_| SUBJECT);
        play.skin = skin;
        // about the line of sight, nearly
        play.balls[0].turned =
            Box::new(move |_| UnitQuaternion::from_axis_angle(&Vector3::y_axis(), turn_rad));
        let (with, truth) = pictures(&spec, &backdrop, &play);
        let (u, v) = spec.camera.picture.stored_from_upright(truth[0].at);
        let (cu, cv) = centroid(&with[0], &without[0], 480, (u, v));
        nalgebra::Vector2::new(cu - u, cv - v)
    };
    let [muddy, turned] = [0.0, std::f64::consts::PI].map(|turn_rad| off(Skin::Muddy, turn_rad));
    println!("{muddy:?} {turned:?}");
    assert!(muddy.norm() > 0.1 && (muddy + turned).norm() < 0.2 * muddy.norm(), "{muddy:?} {turned:?}");
    assert!(off(Skin::Even, 0.0).norm() < 0.03);
}

#[test]
fn a_cropped_clip_is_the_middle_of_the_picture() {
    let spec = spec(Rotation::R0, 1, Path::new(""));
    let backdrop = Backdrop::new(&spec.camera, &SURROUNDINGS);
    expose(&spec, &backdrop, &ball(|_| SUBJECT), &mut |planes, _| {
        let part = middle_of(planes, [240, 136]);
        let (mut all, mut own) = (Vec::new(), Vec::new());
        for (plane, part, [left, top]) in [
            (planes.luma, part.luma, [120, 66]),
            (planes.cb.unwrap(), part.cb.unwrap(), [60, 33]),
            (planes.cr.unwrap(), part.cr.unwrap(), [60, 33]),
        ] {
            plane.to_grey(&mut all);
            part.to_grey(&mut own);
            for (row, line) in own.chunks(part.width).enumerate() {
                let from = (top + row) * plane.width + left;
                assert_eq!(line, &all[from..from + part.width], "row {row}");
            }
        }
        assert_eq!([part.luma.width, part.luma.height], [240, 136]);
        Ok(())
    })
    .unwrap();
}

#[test]
fn a_line_a_fifth_of_a_pixel_thick_keeps_its_light_when_it_moves() {
    let mut spec = spec(Rotation::R0, 24, Path::new(""));
    spec.encode.depth = Depth::Bits10;
    let backdrop = Backdrop::new(&spec.camera, &SURROUNDINGS);
    let (without, _) = pictures(&spec, &backdrop, &Play::default());
    for speed_m_s in [0.0, 15.0] {
        // 1.2 mm thick, 0.8 m long, tilted, moving across itself up and down
        let play = Play {
            curves: vec![Curve {
                light: LINE,
                diameters_m: vec![0.0012; 9],
                nodes_at: Box::new(move |t| {
                    let up = 0.3 * (speed_m_s / 0.3 * t).sin();
                    (0..9)
                        .map(|i| 0.1 * f64::from(i) - 0.4)
                        .map(|x| SUBJECT + Vector3::new(x, 0.0, 0.2 * x + up))
                        .collect()
                }),
                is_smooth: true,
            }],
            ..Play::default()
        };
        let (with, _) = pictures(&spec, &backdrop, &play);
        let pixels_per_m = spec.focal_px() / 2.06;
        let want = 0.0012 * 0.8 * 1.04_f64.sqrt() * pixels_per_m * pixels_per_m;
        let light = f64::from(LINE.stored().luminance);
        let covers: Vec<f64> = with
            .iter()
            .zip(&without)
            .map(|(a, b)| a.iter().zip(b).map(|(a, b)| (a - b) / (light - b)).sum::<f64>() / want)
            .collect();
        let mean = covers.iter().sum::<f64>() / covers.len() as f64;
        println!("{speed_m_s} m/s: light {mean:.3} of what it should be");
        // the lens and the nearer and farther ends change the scale by a few per cent
        assert!((mean - 1.0).abs() < 0.06 && covers.iter().all(|c| (c - 1.0).abs() < 0.10), "{covers:?}");
        let brightest = with[9].iter().zip(&without[9]).map(|(a, b)| a - b).fold(0.0, f64::max);
        assert!(brightest > 0.01, "the line cannot be seen: {brightest}");
    }
}

fn noisy(path: &Path, codec: PictureCodec, seed: u64) -> ClipSpec {
    let mut spec = spec(Rotation::R180, 30, path);
    // uneven stamps
    spec.captured_ticks = (0..30).map(|n| n * 750 + (n * n * 7) % 97).collect();
    spec.slowed_by = 8;
    spec.encode.codec = codec;
    spec.encode.depth = if codec == PictureCodec::Hevc { Depth::Bits10 } else { Depth::Bits8 };
    spec.encode.capture_fps = Some(120.0);
    spec.encode.recorded_unix_s = Some(1_781_341_200);
    spec.noise = NoiseModel { photon: 6e-5, read: 0.0022, chroma_code: 0.7 };
    spec.microphone = Some(Microphone {
        at_in_world: Point3::origin(),
        rate_hz: 48_000,
        speed_of_sound_m_s: 342.2,
        lag_s: 0.004,
        background: 0.004,
        gusts: 0.0,
    });
    spec.seed = seed;
    spec
}

fn swinging() -> Play {
    let clap = Burst::clap(0.1, Point3::new(0.0, 3.0, 1.2));
    Play {
        bursts: vec![clap],
        glints_per_s: 40.0,
        ..ball(|t| SUBJECT + Vector3::new(0.3 * (20.0 * t).sin(), 0.0, 0.1 * (30.0 * t).sin()))
    }
}

#[test]
fn same_seed_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let play = swinging();
    for (codec, ending) in [(PictureCodec::H264, "mp4"), (PictureCodec::Hevc, "mov")] {
        let bytes = |name: &str, seed: u64| {
            let spec = noisy(&folder.path().join(format!("{name}.{ending}")), codec, seed);
            let backdrop = Backdrop::new(&spec.camera, &SURROUNDINGS);
            film_clip(&spec, &backdrop, &play, &|| ()).unwrap();
            std::fs::read(&spec.path).unwrap()
        };
        let first = bytes("a", 3);
        assert!(first == bytes("b", 3), "{ending}: the same seed gave other bytes");
        assert!(first != bytes("c", 4), "{ending}: another seed gave the same bytes");
    }
}

#[test]
fn stamps_tags_and_turn_come_back_from_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let reader = Reader::default();
    for (codec, ending, tagged) in [
        (PictureCodec::H264, "mp4", true),
        (PictureCodec::Hevc, "mov", true),
        (PictureCodec::H264, "mp4", false),
    ] {
        let mut spec = noisy(&folder.path().join(format!("{tagged}.{ending}")), codec, 1);
        if !tagged {
            spec.encode.capture_fps = None;
        }
        let backdrop = Backdrop::new(&spec.camera, &SURROUNDINGS);
        film_clip(&spec, &backdrop, &swinging(), &|| ()).unwrap();
        let info = reader.probe(&spec.path).unwrap();
        assert_eq!(info.picture, spec.camera.picture);
        assert_eq!(info.recorded_unix_s, Some(1_781_341_200.0));
        assert!(info.has_sound);
        assert_eq!(info.capture_fps_tag, tagged.then_some(120.0));
        // without the tag the file plays slowly until session.toml says how it was captured
        let session_fps = [(None, if tagged { 1.0 } else { 8.0 }), (Some(120.0), 1.0)];
        for (capture_fps, slower) in session_fps {
            let mut clip = reader.open_clip(&spec.path, capture_fps).unwrap();
            for (n, ticks) in spec.captured_ticks.iter().enumerate() {
                let frame = clip.next_frame().unwrap().unwrap();
                let want_s = *ticks as f64 / 90_000.0 * slower;
                assert!((frame.pts_s - want_s).abs() < 1e-9, "{ending} frame {n}: {} {want_s}", frame.pts_s);
            }
            assert!(clip.next_frame().unwrap().is_none());
        }
    }
}
