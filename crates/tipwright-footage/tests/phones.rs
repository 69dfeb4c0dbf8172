//! Files as phones write them, and files that only look like it, against FFmpeg's own tools.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test: it may stop, and it prints its figures"
)]

use std::path::{Path, PathBuf};
use std::process::Command;

use tipwright::model::footage::{Footage, FootageError};
use tipwright::model::{Rotation, Severity};
use tipwright_footage::Reader;

const MOVING: &str = "-f lavfi -i testsrc2=size=96x64:rate=30:duration=2";

fn run(program: &str, arguments: &str, file: Option<&Path>) -> String {
    let mut command = Command::new(program);
    command.args(["-v", "error"]).args(arguments.split_whitespace()).args(file);
    let output = command.output().expect("ffmpeg's tools are needed for these tests");
    assert!(output.status.success(), "{program} {arguments}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn ffmpeg(arguments: &str, output: &Path) {
    run("ffmpeg", &format!("-nostdin -y {arguments}"), Some(output));
}

/// Stamps of the frames shown, as ffprobe has them, seconds.
fn probed_stamps_s(path: &Path) -> Vec<f64> {
    let asked = "-select_streams V:0 -show_entries frame=best_effort_timestamp_time -of csv=p=0";
    let text = run("ffprobe", asked, Some(path));
    text.lines().filter_map(|l| l.trim_matches(',').parse().ok()).collect()
}

fn read(path: &Path) -> (Vec<f64>, Vec<tipwright::model::Warning>) {
    let mut clip = Reader::default().open_clip(path, None).unwrap();
    let mut stamps = Vec::new();
    while let Some(frame) = clip.next_frame().unwrap() {
        stamps.push(frame.pts_s);
    }
    (stamps, clip.warnings())
}

/// Ten kinds of container and codec: frames and stamps are ffprobe's.
#[test]
fn truth_frames_and_stamps_of_ten_kinds_equal_ffprobe() {
    let folder = tempfile::tempdir().unwrap();
    let hevc = "-c:v libx265 -x265-params log-level=error";
    for (kind, name) in [
        ("-c:v libx264 -bf 2 -pix_fmt yuv420p", "a.mp4"),
        ("-c:v libx264 -bf 0 -pix_fmt yuv420p -video_track_timescale 600", "b.mov"),
        ("-c:v libx264 -pix_fmt yuvj420p -video_track_timescale 90000", "c.mp4"),
        (&format!("{hevc} -tag:v hvc1 -pix_fmt yuv420p"), "d.mov"),
        (
            &format!(
                "{hevc} -tag:v hvc1 -pix_fmt yuv420p10le -color_trc arib-std-b67 -color_primaries bt2020 -colorspace bt2020nc"
            ),
            "e.mov",
        ),
        ("-c:v libx264 -pix_fmt yuv420p", "f.mkv"),
        ("-c:v libvpx-vp9 -deadline realtime -pix_fmt yuv420p", "g.webm"),
        ("-c:v mpeg4 -pix_fmt yuv420p", "h.3gp"),
        ("-c:v mjpeg -pix_fmt yuvj420p", "i.mov"),
        ("-c:v libx264 -pix_fmt yuv420p -movflags frag_keyframe+empty_moov", "j.mp4"),
    ] {
        let path = folder.path().join(name);
        ffmpeg(&format!("{MOVING} {kind}"), &path);
        let (ours, _) = read(&path);
        let theirs = probed_stamps_s(&path);
        assert_eq!(ours.len(), theirs.len(), "{name}");
        // ffprobe prints microseconds
        let worst = ours.iter().zip(&theirs).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        println!("{name}: {} frames, stamps within {:.1} us", ours.len(), 1e6 * worst);
        assert!(worst < 1.1e-6, "{name}: {worst}");
    }
}

/// A clip trimmed in the phone was called cut short though all that is shown is there.
#[test]
fn truth_a_trimmed_clip_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let (whole, trimmed) = (folder.path().join("whole.mp4"), folder.path().join("trimmed.mp4"));
    ffmpeg(&format!("{MOVING} -c:v libx264 -g 60 -bf 2 -pix_fmt yuv420p"), &whole);
    let cut = format!("-ss 1.2 -i {} -t 0.6 -c copy -avoid_negative_ts disabled", whole.display());
    ffmpeg(&cut, &trimmed);
    let (ours, warnings) = read(&trimmed);
    let theirs = probed_stamps_s(&trimmed);
    assert!(ours.len() < 30 && ours.len() == theirs.len(), "{} {}", ours.len(), theirs.len());
    assert!(ours.iter().zip(&theirs).all(|(a, b)| (a - b).abs() < 1.1e-6));
    assert!(!warnings.iter().any(|w| w.what.contains("cut short")), "{warnings:?}");
    assert!(
        warnings.iter().any(|w| w.what.contains("trimmed") && w.severity == Severity::Note),
        "{warnings:?}"
    );
    // held upright too
    let upright = folder.path().join("upright.mp4");
    ffmpeg(&format!("-i {} -c copy -metadata:s:v rotate=90", whole.display()), &upright);
    let cut = format!("-ss 1.2 -i {} -t 0.6 -c copy -avoid_negative_ts disabled", upright.display());
    let both = folder.path().join("both.mp4");
    ffmpeg(&cut, &both);
    let (turned, warnings) = read(&both);
    assert_eq!(Reader::default().probe(&both).unwrap().picture.rotation, Rotation::R270);
    assert!(turned.iter().zip(&probed_stamps_s(&both)).all(|(a, b)| (a - b).abs() < 1.1e-6));
    assert_eq!(turned.len(), ours.len());
    assert!(warnings.iter().any(|w| w.what.contains("trimmed")), "{warnings:?}");
    // cut short in truth it is told still
    let (moved, cut) = (folder.path().join("moved.mp4"), folder.path().join("cut.mp4"));
    ffmpeg(&format!("-i {} -c copy -movflags +faststart", trimmed.display()), &moved);
    let bytes = std::fs::read(&moved).unwrap();
    std::fs::write(&cut, &bytes[..bytes.len() * 5 / 6]).unwrap();
    let (_, warnings) = read(&cut);
    assert!(warnings.iter().any(|w| w.what.contains("cut short")), "{warnings:?}");
}

/// A text file named .mp4 that lists other files made the decoder open them.
#[test]
fn files_that_name_other_files_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    ffmpeg(&format!("{MOVING} -c:v libx264 -pix_fmt yuv420p"), &folder.path().join("good.mp4"));
    ffmpeg(&format!("{MOVING} -c:v libx264 -pix_fmt yuv420p"), &folder.path().join("good.ts"));
    let playlist = "#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\ngood.ts\n#EXT-X-ENDLIST\n";
    for (name, text) in [
        ("list.mp4", "ffconcat version 1.0\nfile good.mp4\n"),
        ("play.mp4", playlist),
        ("play.m3u8", playlist),
        ("address.mp4", "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=video 5004 RTP/AVP 96\n"),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        let reader = Reader::default();
        for error in [reader.open_clip(&path, None).err(), reader.hear(&path, &mut |_| {}).err()] {
            assert!(matches!(error, Some(FootageError::Unreadable { .. })), "{name}: {error:?}");
        }
    }
    // a container that no phone writes is told by what it is
    let path = folder.path().join("good.ts");
    let error = Reader::default().open_clip(&path, None).err().unwrap().to_string();
    assert!(error.contains("no MP4, MOV"), "{error}");
    // a name with a colon is a name
    let odd = folder.path().join("concat:good.mp4");
    std::fs::copy(folder.path().join("good.mp4"), &odd).unwrap();
    assert!(Reader::default().open_clip(&odd, None).is_ok());
}

/// A cover, a second picture track, a data track: the film is the one that is read.
#[test]
fn the_film_is_chosen_among_several_picture_tracks() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two.mov");
    ffmpeg(
        "-f lavfi -i testsrc2=size=64x64:rate=30:duration=1 -f lavfi -i testsrc2=size=128x96:rate=60:duration=1 \
         -map 0:v -map 1:v -c:v libx264 -pix_fmt yuv420p -disposition:v:0 0 -disposition:v:1 default",
        &path,
    );
    let mut clip = Reader::default().open_clip(&path, None).unwrap();
    assert_eq!(clip.info().picture.stored_px, [128, 96]);
    let mut count = 0;
    while clip.next_frame().unwrap().is_some() {
        count += 1;
    }
    assert_eq!(count, 60);
    assert!(clip.warnings().iter().any(|w| w.what.contains("2 picture tracks")), "{:?}", clip.warnings());
    let cover = folder.path().join("cover.png");
    ffmpeg("-f lavfi -i testsrc2=size=400x400 -frames:v 1", &cover);
    let path = folder.path().join("covered.mp4");
    ffmpeg(
        &format!(
            "-i {} {MOVING} -map 0 -map 1 -c:v:0 copy -c:v:1 libx264 -pix_fmt:v:1 yuv420p -disposition:v:0 attached_pic",
            cover.display()
        ),
        &path,
    );
    assert_eq!(Reader::default().probe(&path).unwrap().picture.stored_px, [96, 64]);
}

/// HLG and PQ are told, a mirrored matrix is refused, turned ones are read.
#[test]
fn transfer_and_matrices_are_read_from_the_file() {
    let folder = tempfile::tempdir().unwrap();
    for (codec, path) in [
        ("libx264", "hdr.mov"),
        ("libx265 -x265-params log-level=error -tag:v hvc1", "hdr.mp4"),
        ("libvpx-vp9 -deadline realtime", "hdr.webm"),
    ] {
        let path = folder.path().join(path);
        for (transfer, name) in [("arib-std-b67", Some("HLG")), ("smpte2084", Some("PQ")), ("bt709", None)] {
            ffmpeg(&format!("{MOVING} -c:v {codec} -pix_fmt yuv420p10le -color_trc {transfer}"), &path);
            let (_, warnings) = read(&path);
            let told = warnings.iter().find(|w| w.what.contains("HDR")).map(|w| w.what.clone());
            assert_eq!(told.is_some(), name.is_some(), "{codec} {transfer}: {told:?}");
            assert!(name.is_none_or(|n| told.unwrap().contains(n)));
        }
    }
    let plain = folder.path().join("plain.mp4");
    ffmpeg(&format!("{MOVING} -c:v libx264 -pix_fmt yuv420p"), &plain);
    // the matrix of the track header: 36 bytes after 40 of fixed fields (ISO 14496-12, 8.3.2)
    let bytes = std::fs::read(&plain).unwrap();
    let at = bytes.windows(4).position(|w| w == b"tkhd").unwrap() + 4 + 40;
    let with = |[a, b, c, d]: [i32; 4]| -> PathBuf {
        let mut bytes = bytes.clone();
        for (i, v) in [a, b, 0, c, d, 0, 0, 0].into_iter().enumerate() {
            bytes[at + 4 * i..at + 4 * i + 4].copy_from_slice(&(v * 65_536).to_be_bytes());
        }
        let path = folder.path().join("matrix.mp4");
        std::fs::write(&path, bytes).unwrap();
        path
    };
    let reader = Reader::default();
    for (matrix, turn) in [
        ([1, 0, 0, 1], Rotation::R0),
        ([0, 1, -1, 0], Rotation::R90),
        ([-1, 0, 0, -1], Rotation::R180),
        ([0, -1, 1, 0], Rotation::R270),
    ] {
        assert_eq!(reader.probe(&with(matrix)).unwrap().picture.rotation, turn, "{matrix:?}");
    }
    for matrix in [[-1, 0, 0, 1], [1, 0, 0, -1], [0, 1, 1, 0]] {
        let error = reader.probe(&with(matrix)).unwrap_err().to_string();
        assert!(error.contains("mirrored"), "{error}");
    }
}
