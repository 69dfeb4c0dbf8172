//! Decoding against FFmpeg's own tools on small clips made here.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test: it may stop, and it prints its figures"
)]

use std::path::{Path, PathBuf};
use std::process::Command;

use tipwright::model::Rotation;
use tipwright::model::footage::{Footage, FootageError, FrameSource, PlaneData, Planes};
use tipwright_footage::Reader;

fn ffmpeg(arguments: &str, output: &Path) {
    let status = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y"])
        .args(arguments.split_whitespace())
        .arg(output)
        .status()
        .expect("the ffmpeg command is needed for these tests");
    assert!(status.success(), "ffmpeg {arguments}");
}

fn output_of(program: &str, arguments: &[&str], input: &Path) -> Vec<u8> {
    let mut command = Command::new(program);
    for argument in arguments {
        if *argument == "INPUT" {
            command.arg(input)
        } else {
            command.arg(argument)
        };
    }
    let output = command.output().expect("ffmpeg's tools are needed for these tests");
    assert!(output.status.success(), "{program} {arguments:?}");
    output.stdout
}

const MOVING: &str = "-f lavfi -i testsrc2=size=96x64:rate=30:duration=1";

/// Samples of all planes as little-endian bytes without padding, the way `-f rawvideo` writes them.
fn packed(planes: &Planes<'_>) -> Vec<u8> {
    let mut bytes = Vec::new();
    for plane in [Some(planes.luma), planes.cb, planes.cr].into_iter().flatten() {
        for row in 0..plane.height {
            let range = row * plane.stride..row * plane.stride + plane.width;
            match plane.data {
                PlaneData::Bits8(data) => bytes.extend_from_slice(&data[range]),
                PlaneData::Bits10(data) => bytes.extend(data[range].iter().flat_map(|s| s.to_le_bytes())),
            }
        }
    }
    bytes
}

fn open(path: &Path) -> Box<dyn FrameSource + Send> {
    Reader::default().open_clip(path, None).unwrap()
}

#[test]
fn truth_planes_of_every_kind_equal_ffmpeg_rawvideo() {
    let folder = tempfile::tempdir().unwrap();
    for (codec, pixels, container, same_as) in [
        ("libx264", "yuv420p", "mp4", "yuv420p"),
        ("libx264", "yuvj420p", "mp4", "yuvj420p"),
        ("libx264", "yuv422p", "mp4", "yuv422p"),
        ("libx264", "yuv444p", "mp4", "yuv444p"),
        ("libx264", "yuv420p10le", "mp4", "yuv420p10le"),
        ("libx265 -x265-params log-level=error", "yuv420p", "mp4", "yuv420p"),
        ("libx265 -x265-params log-level=error", "yuv420p10le", "mp4", "yuv420p10le"),
        ("libx265 -x265-params log-level=error", "yuv420p12le", "mp4", "yuv420p10le"),
        ("rawvideo -allow_raw_vfw 1", "nv12", "mkv", "yuv420p"),
        ("rawvideo -allow_raw_vfw 1", "gray", "mkv", "gray"),
        ("rawvideo -allow_raw_vfw 1", "yuyv422", "mkv", "yuv422p"),
    ] {
        let path = folder.path().join(format!("clip.{container}"));
        ffmpeg(&format!("{MOVING} -c:v {codec} -pix_fmt {pixels}"), &path);
        let raw = output_of(
            "ffmpeg",
            &["-v", "error", "-i", "INPUT", "-pix_fmt", same_as, "-f", "rawvideo", "-"],
            &path,
        );
        let mut clip = open(&path);
        let mut bytes = Vec::new();
        let mut before = Vec::new();
        let mut count = 0;
        while let Some(frame) = clip.next_frame().unwrap() {
            let now = packed(&frame.now);
            assert_eq!(frame.frame_idx, count);
            assert_eq!(frame.before.map(|b| packed(&b)).unwrap_or_default(), before, "{codec} {pixels}");
            bytes.extend_from_slice(&now);
            before = now;
            count += 1;
            assert_eq!(frame.now.full_range, pixels == "yuvj420p" || pixels == "gray", "{pixels}");
        }
        assert_eq!(count, 30, "{codec} {pixels}");
        if pixels == "yuv420p12le" {
            // swscale rounds and dithers where this program drops bits: one step of ten bits at most.
            let ten = |b: &[u8]| i32::from(u16::from_le_bytes([b[0], b[1]]));
            let worst = bytes.chunks(2).zip(raw.chunks(2)).map(|(a, b)| (ten(a) - ten(b)).abs()).max();
            assert!(worst <= Some(1), "{worst:?}");
        } else {
            assert!(bytes == raw, "{codec} {pixels}: planes differ from rawvideo");
        }
        assert_eq!(clip.damaged_frames(), 0);
    }
}

#[test]
fn truth_stamps_of_a_variable_rate_equal_ffprobe() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("vfr.mp4");
    // Frames dropped at odd places, a jittered rate, b-frames, and a start that is not zero.
    ffmpeg(
        "-f lavfi -i testsrc2=size=96x64:rate=120:duration=1 \
         -vf select='not(eq(mod(n,7),3))',setpts='PTS+0.05/TB+0.002*sin(N)/TB' -fps_mode vfr -video_track_timescale 90000 \
         -c:v libx264 -bf 2",
        &path,
    );
    let text = output_of(
        "ffprobe",
        &[
            "-v",
            "error",
            "-select_streams",
            "v",
            "-show_entries",
            "frame=best_effort_timestamp",
            "-of",
            "csv=p=0",
            "INPUT",
        ],
        &path,
    );
    let stamps: Vec<f64> = String::from_utf8(text)
        .unwrap()
        .lines()
        .map(|l| l.trim_matches(','))
        .filter(|l| !l.is_empty())
        .map(|l| l.parse::<f64>().unwrap() / 90_000.0)
        .collect();
    let mut clip = open(&path);
    let mut ours = Vec::new();
    while let Some(frame) = clip.next_frame().unwrap() {
        ours.push(frame.pts_s);
    }
    assert_eq!(ours.len(), stamps.len());
    for (a, b) in ours.iter().zip(&stamps) {
        assert!((a - b).abs() < 1e-9, "{a} {b}");
    }
    assert_eq!(clip.tick_s(), Some(1.0 / 90_000.0));
}

#[test]
fn truth_rotation_tag_turns_as_ffmpeg_does() {
    let folder = tempfile::tempdir().unwrap();
    let plain = folder.path().join("plain.mp4");
    ffmpeg(&format!("{MOVING} -frames:v 2 -c:v libx264 -pix_fmt yuv420p"), &plain);
    // `rotate` of this FFmpeg counts against the clock: what counts here is that both turn the picture the same way.
    for (degrees, rotation) in
        [(0, Rotation::R0), (90, Rotation::R270), (180, Rotation::R180), (270, Rotation::R90)]
    {
        let path = folder.path().join(format!("turned{degrees}.mp4"));
        let source = plain.to_str().unwrap();
        ffmpeg(&format!("-i {source} -c copy -metadata:s:v rotate={degrees}"), &path);
        let mut clip = open(&path);
        let picture = clip.info().picture;
        assert_eq!(picture.rotation, rotation);
        // FFmpeg turns the picture itself when it is not told otherwise.
        let upright = output_of(
            "ffmpeg",
            &[
                "-v",
                "error",
                "-i",
                "INPUT",
                "-frames:v",
                "1",
                "-pix_fmt",
                "gray",
                "-vf",
                "format=gray",
                "-f",
                "rawvideo",
                "-",
            ],
            &path,
        );
        let frame = clip.next_frame().unwrap().unwrap();
        let luma = frame.now.luma;
        let [upright_width, _] = picture.upright_px();
        let PlaneData::Bits8(data) = luma.data else { panic!("8 bits") };
        // 8-bit "gray" of FFmpeg stretches 16..235 to the full range: compare after the same stretch, within rounding.
        let mut worst = 0.0_f64;
        for v in 0..luma.height {
            for u in 0..luma.width {
                let p = picture.upright_from_stored(u as f64, v as f64);
                let there = upright[p.y_px as usize * upright_width as usize + p.x_px as usize];
                let here = (f64::from(data[v * luma.stride + u]) - 16.0) * 255.0 / 219.0;
                worst = worst.max((here.clamp(0.0, 255.0) - f64::from(there)).abs());
            }
        }
        assert!(worst < 3.0, "{degrees}: {worst}");
    }
}

#[test]
fn capture_rate_re_times() {
    let folder = tempfile::tempdir().unwrap();
    let tagged = folder.path().join("slow.mp4");
    ffmpeg(
        &format!(
            "{MOVING} -c:v libx264 -pix_fmt yuv420p -movflags use_metadata_tags -metadata com.android.capture.fps=240"
        ),
        &tagged,
    );
    let reader = Reader::default();
    assert_eq!(reader.probe(&tagged).unwrap().capture_fps_tag, Some(240.0));
    let second_stamp = |capture_fps| {
        let mut clip = reader.open_clip(&tagged, capture_fps).unwrap();
        clip.next_frame().unwrap();
        clip.next_frame().unwrap().unwrap().pts_s
    };
    assert!((second_stamp(None) - 1.0 / 240.0).abs() < 1e-9);
    assert!((second_stamp(Some(120.0)) - 1.0 / 120.0).abs() < 1e-9);
    assert!((second_stamp(Some(30.0)) - 1.0 / 30.0).abs() < 1e-9);
}

#[test]
fn threads_change_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    ffmpeg(&format!("{MOVING} -c:v libx264 -bf 3 -pix_fmt yuv420p"), &path);
    let read = |threads| {
        let mut clip = Reader::with_threads(threads).open_clip(&path, None).unwrap();
        let mut all = Vec::new();
        while let Some(frame) = clip.next_frame().unwrap() {
            all.push((frame.frame_idx, frame.pts_s, packed(&frame.now)));
        }
        all
    };
    let one = read(1);
    assert_eq!(one.len(), 30);
    assert!(one == read(4) && one == read(0));
}

#[test]
fn bad_files_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let reader = Reader::default();
    let at = |name: &str| folder.path().join(name);
    let error = |path: &PathBuf| match reader.open_clip(path, None) {
        Err(e) => e,
        Ok(_) => panic!("{} opened", path.display()),
    };
    assert!(matches!(error(&at("nothing.mp4")), FootageError::Missing { .. }));
    std::fs::write(at("empty.mp4"), b"").unwrap();
    assert!(matches!(error(&at("empty.mp4")), FootageError::Empty { .. }));
    std::fs::write(at("letter.mp4"), "Dear caster, here are your clips.\n".repeat(300)).unwrap();
    assert!(matches!(error(&at("letter.mp4")), FootageError::Unreadable { .. }));
    std::fs::write(at("letter.txt"), "Dear caster, here are your clips.\n".repeat(300)).unwrap();
    assert!(matches!(error(&at("letter.txt")), FootageError::Unreadable { .. }));
    assert!(matches!(error(&folder.path().to_path_buf()), FootageError::Unreadable { .. }));
    ffmpeg("-f lavfi -i sine=frequency=440:duration=1 -c:a aac", &at("song.m4a"));
    assert!(matches!(error(&at("song.m4a")), FootageError::NoPicture { .. }));
    ffmpeg(&format!("{MOVING} -c:v libx264 -pix_fmt yuv420p"), &at("good.mp4"));
    let bytes = std::fs::read(at("good.mp4")).unwrap();
    std::fs::write(at("no-index.mp4"), &bytes[..bytes.len() / 2]).unwrap();
    assert!(matches!(error(&at("no-index.mp4")), FootageError::Unreadable { .. }));
    ffmpeg(&format!("{MOVING} -c:v libx264rgb"), &at("rgb.mkv"));
    assert!(matches!(error(&at("rgb.mkv")), FootageError::Unsupported { .. }));
    for name in ["nothing.mp4", "empty.mp4", "letter.mp4", "song.m4a", "no-index.mp4", "rgb.mkv"] {
        let message = error(&at(name)).to_string();
        assert!(message.ends_with(name), "the path comes last: {message}");
    }
}

#[test]
fn a_clip_cut_short_gives_what_is_there_and_a_warning() {
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole.mp4");
    ffmpeg(&format!("{MOVING} -c:v libx264 -pix_fmt yuv420p -movflags +faststart"), &whole);
    let bytes = std::fs::read(&whole).unwrap();
    let cut = folder.path().join("cut.mp4");
    std::fs::write(&cut, &bytes[..bytes.len() * 2 / 3]).unwrap();
    let mut clip = open(&cut);
    let mut count = 0;
    while clip.next_frame().unwrap().is_some() {
        count += 1;
    }
    assert!((8..30).contains(&count), "{count}");
    assert!(clip.warnings().iter().any(|w| w.what.contains("cut short")), "{:?}", clip.warnings());
    assert!(clip.next_frame().unwrap().is_none());
}

#[test]
fn damaged_frames_are_skipped_and_counted() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    ffmpeg(&format!("{MOVING} -c:v libx264 -g 5 -pix_fmt yuv420p -movflags +faststart"), &path);
    let mut bytes = std::fs::read(&path).unwrap();
    let start = bytes.len() / 2;
    for (idx, byte) in bytes[start..start + 2500].iter_mut().enumerate() {
        *byte = (idx * 131 % 251) as u8;
    }
    std::fs::write(&path, &bytes).unwrap();
    let mut clip = open(&path);
    let mut last_s = f64::NEG_INFINITY;
    let mut count = 0;
    while let Some(frame) = clip.next_frame().unwrap() {
        assert!(frame.pts_s > last_s);
        last_s = frame.pts_s;
        count += 1;
    }
    assert!(clip.damaged_frames() > 0 && count > 15, "{count} {}", clip.damaged_frames());
    assert!(count + clip.damaged_frames() <= 31);
    assert!(clip.warnings().iter().any(|w| w.what.contains("damaged")));
}

#[test]
fn truth_sound_equals_ffmpeg_mono() {
    let folder = tempfile::tempdir().unwrap();
    let reader = Reader::default();
    let two = "0.5*sin(2000*t)*sin(9*t)|0.3*sin(900*t)";
    // four directions, as phones that record sound from all round write it
    let four = "0.5*sin(2000*t)*sin(9*t)|0.3*sin(900*t)|0.2*sin(700*t)|0.1*sin(3100*t)";
    for (codec, name, channels) in [
        ("aac", "sound.mp4", 2),
        ("pcm_s16le", "sound.mov", 2),
        ("pcm_s24le", "sound24.mov", 2),
        ("aac -b:a 400k", "round.mp4", 4),
        ("pcm_s24le", "round.mov", 4),
    ] {
        let path = folder.path().join(name);
        let heard = if channels == 2 { two } else { four };
        ffmpeg(
            &format!(
                "{MOVING} -f lavfi -i aevalsrc={heard}:s=48000:d=1 -c:v libx264 -pix_fmt yuv420p -c:a {codec}"
            ),
            &path,
        );
        let share = 1.0 / f64::from(channels);
        let mean: Vec<String> = (0..channels).map(|c| format!("{share}*c{c}")).collect();
        let mean = format!("pan=mono|c0={}", mean.join("+"));
        let raw = output_of(
            "ffmpeg",
            &["-v", "error", "-i", "INPUT", "-map", "0:a", "-af", &mean, "-f", "f32le", "-"],
            &path,
        );
        let theirs: Vec<f32> = raw.chunks(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
        let (mut samples, mut longest) = (Vec::new(), 0);
        let heard = reader.hear(&path, &mut |piece| {
            assert!((piece.rate_hz - 48_000.0).abs() < 1e-9);
            assert!(piece.start_s.abs() < 1e-3, "{}", piece.start_s);
            longest = longest.max(piece.samples.len());
            samples.extend_from_slice(piece.samples);
        });
        heard.unwrap();
        // a tenth of a second: an hour is never held whole
        assert!((1..4800).contains(&longest), "{longest}");
        assert!(samples.len().abs_diff(theirs.len()) <= 1024, "{} {}", samples.len(), theirs.len());
        let worst = samples.iter().zip(&theirs).map(|(a, b)| (a - b).abs()).fold(0.0_f32, f32::max);
        assert!(worst < 1e-4, "{name}: {worst}");
    }
    let silent = folder.path().join("silent.mp4");
    ffmpeg(&format!("{MOVING} -c:v libx264 -pix_fmt yuv420p"), &silent);
    reader.hear(&silent, &mut |_| panic!("a clip without sound")).unwrap();
    assert!(!reader.probe(&silent).unwrap().has_sound);
}

#[test]
fn probe_reads_what_the_file_says() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("clip.mp4");
    ffmpeg(
        &format!(
            "{MOVING} -c:v libx265 -x265-params log-level=error -tag:v hvc1 -pix_fmt yuv420p10le -metadata creation_time=2025-06-14T08:30:00Z"
        ),
        &path,
    );
    let info = Reader::default().probe(&path).unwrap();
    assert_eq!(info.codec, "hevc");
    assert_eq!(info.picture.stored_px, [96, 64]);
    assert_eq!(info.frames_claimed, Some(30));
    assert!((info.container_fps.unwrap() - 30.0).abs() < 1e-6);
    assert!((info.duration_s.unwrap() - 1.0).abs() < 1e-3);
    assert_eq!(info.recorded_unix_s, Some(1_749_889_800.0));
}

#[test]
fn stills_are_read_as_upright_luma() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("still.png");
    ffmpeg("-f lavfi -i testsrc2=size=96x64 -frames:v 1 -pix_fmt gray", &path);
    let (luma, size_px) = Reader::default().still_luma(&path).unwrap();
    assert_eq!(size_px, [96, 64]);
    let raw = output_of(
        "ffmpeg",
        &["-v", "error", "-i", "INPUT", "-pix_fmt", "gray", "-f", "rawvideo", "-"],
        &path,
    );
    assert!(luma == raw);
    std::fs::write(&path, "no picture").unwrap();
    assert!(matches!(Reader::default().still_luma(&path), Err(FootageError::Unreadable { .. })));
}

/// From a key frame at or before the moment asked for, and near it: there are key frames twice a second.
#[test]
fn a_jump_goes_on_at_the_key_frame_before() {
    let folder = tempfile::tempdir().unwrap();
    let clip = folder.path().join("long.mp4");
    ffmpeg("-f lavfi -i testsrc2=size=96x64:rate=30:duration=8 -c:v libx264 -g 15 -bf 2", &clip);
    let mut source = open(&clip);
    for wanted_s in [6.3, 2.1, 5.0] {
        source.jump_before(wanted_s);
        let pts_s = source.next_frame().unwrap().expect("a frame").pts_s;
        assert!(pts_s <= wanted_s && pts_s > wanted_s - 0.6, "asked for {wanted_s}, got {pts_s}");
        assert!(source.next_frame().unwrap().expect("a frame").pts_s > pts_s);
    }
}
