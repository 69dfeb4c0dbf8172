//! What is asked for is what a reader gets.

use tipwright::model::footage::{Footage, Plane, PlaneData, Planes, SoundPiece};

use super::{ClipEncoder, EncodeConfig, Maker, SoundCodec, SoundTrack};
use crate::Reader;

const SIZE: [u32; 2] = [96, 64];
const STEP: i64 = 3000;

/// A grey picture.
fn push(encoder: &mut ClipEncoder, level: u8, ticks: i64) {
    let [w, h] = SIZE.map(|n| n as usize);
    let (luma, chroma) = (vec![level; w * h], vec![128; w * h / 4]);
    let plane = |data, width, height| Plane { data: PlaneData::Bits8(data), width, height, stride: width };
    let half = || plane(&chroma, w / 2, h / 2);
    let planes = Planes {
        luma: plane(&luma, w, h),
        cb: Some(half()),
        cr: Some(half()),
        chroma_step: [2, 2],
        full_range: false,
    };
    encoder.push(&planes, ticks).unwrap();
}

#[test]
fn a_repeated_stretch_is_there_so_often_and_what_follows_is_later() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.mov");
    let sound = SoundTrack { samples: vec![0.1; 48_000 * 3], rate_hz: 48_000, codec: SoundCodec::Aac };
    let config = EncodeConfig { key_every: 5, repeatable: 10, sound: Some(sound), ..EncodeConfig::new(SIZE) };
    let mut encoder = ClipEncoder::create(&path, config).unwrap();
    // 25 darker and darker, of which the last ten come three times more, then 5 bright ones
    (0..25_u8).for_each(|k| push(&mut encoder, 200 - 4 * k, i64::from(k) * STEP));
    let later = encoder.repeat(3).unwrap();
    assert_eq!(later, 30 * STEP);
    (25..30_u8).for_each(|k| push(&mut encoder, 220, i64::from(k) * STEP + later));
    encoder.finish().unwrap();
    let mut source = Reader::default().open_clip(&path, None).unwrap();
    let mut seen = Vec::new();
    while let Some(view) = source.next_frame().unwrap() {
        let PlaneData::Bits8(luma) = view.now.luma.data else { panic!("8 bits") };
        seen.push((view.pts_s, luma[0]));
    }
    assert_eq!(seen.len(), 60);
    for (k, (pts_s, level)) in seen.iter().enumerate() {
        assert!((pts_s - k as f64 * STEP as f64 / 90_000.0).abs() < 1e-9, "{k}: {pts_s}");
        let of = match k {
            0..25 => k,
            25..55 => 15 + (k - 25) % 10,
            _ => 0,
        };
        let truth = if k < 55 { 200 - 4 * of as i32 } else { 220 };
        // the encoder rounds grey by a few
        assert!((i32::from(*level) - truth).abs() <= 4, "{k}: {level} of {truth}");
    }
    let mut heard_s = 0.0;
    let add = &mut |piece: SoundPiece<'_>| heard_s += piece.samples.len() as f64 / piece.rate_hz;
    Reader::default().hear(&path, add).unwrap();
    assert!((heard_s - 2.0).abs() < 0.2, "{heard_s}");
}

#[test]
fn local_time_is_universal_time_as_the_zone_has_it() {
    let folder = tempfile::tempdir().unwrap();
    for (zone_s, name) in [(Some(7200), "a.mov"), (Some(-12_600), "b.mp4"), (None, "c.mp4")] {
        let path = folder.path().join(name);
        let maker = Some(Maker { make: "Brookmere".into(), model: "BM-41".into(), zone_s });
        let config = EncodeConfig { recorded_unix_s: Some(1_718_445_296), maker, ..EncodeConfig::new(SIZE) };
        let mut encoder = ClipEncoder::create(&path, config).unwrap();
        (0..3).for_each(|k| push(&mut encoder, 90, k * STEP));
        encoder.finish().unwrap();
        let info = Reader::default().probe(&path).unwrap();
        assert_eq!(info.recorded_unix_s, Some(1_718_445_296.0), "{name}");
        assert_eq!(info.recorded_zone_s, zone_s, "{name}");
    }
}
