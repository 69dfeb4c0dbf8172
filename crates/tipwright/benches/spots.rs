//! Markers searched, and points of the line gathered, on pictures of 1080p that are held in memory: no decoding.
#![allow(missing_docs, clippy::unwrap_used)]

use std::hint::black_box;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use rand::{RngExt, SeedableRng};
use tipwright::line::{GatherConfig, Gatherer};
use tipwright::model::footage::{ClipInfo, FootageError, FrameSource, FrameView, Plane, PlaneData, Planes};
use tipwright::model::{Colour, Picture, Rotation};
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};

const SIZE: [usize; 2] = [1920, 1080];
const FRAMES: usize = 8;

/// One 4:2:0 picture.
struct Frame {
    luma: Vec<u8>,
    chroma: [Vec<u8>; 2],
}

/// A white ball that runs over a meadow with a hundred bright places, some of which sway.
fn frames() -> Vec<Frame> {
    let [width, height] = SIZE;
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
    let places: Vec<[f64; 4]> = (0..100)
        .map(|i| {
            let mut within = |least: f64, most: f64| rng.random_range(least..most);
            [within(40.0, 1880.0), within(40.0, 1040.0), within(2.0, 6.0), if i % 4 == 0 { 1.5 } else { 0.0 }]
        })
        .collect();
    (0..FRAMES)
        .map(|k| {
            let mut luma: Vec<u8> = (0..width * height).map(|_| 78 + rng.random_range(0..5u8)).collect();
            let ball = [600.0 + 18.0 * k as f64, 300.0 - 6.0 * k as f64, 4.5, 0.0];
            for (i, [x, y, radius, sways]) in places.iter().chain([&ball]).enumerate() {
                let x = x + sways * (k as f64 + i as f64).sin();
                let reach = *radius as i64 + 3;
                for py in y.round() as i64 - reach..=y.round() as i64 + reach {
                    for px in x.round() as i64 - reach..=x.round() as i64 + reach {
                        let off = (px as f64 - x).hypot(py as f64 - y);
                        let bright = 110.0 / (1.0 + ((off - radius) / 0.6).exp());
                        let at = &mut luma[py as usize * width + px as usize];
                        *at = at.saturating_add(bright as u8);
                    }
                }
            }
            Frame { luma, chroma: [vec![128; width * height / 4], vec![126; width * height / 4]] }
        })
        .collect()
}

/// The frames there and back, `left` times one.
struct Source<'a> {
    info: ClipInfo,
    frames: &'a [Frame],
    given: usize,
    left: usize,
}

impl<'a> Source<'a> {
    fn new(frames: &'a [Frame], left: usize) -> Self {
        let picture = Picture { stored_px: SIZE.map(|n| n as u32), rotation: Rotation::R0 };
        let info = ClipInfo { container_fps: Some(120.0), ..ClipInfo::of_picture("meadow.mp4", picture) };
        Self { info, frames, given: 0, left }
    }

    fn planes(&self, k: usize) -> Planes<'_> {
        let place = k % (2 * FRAMES - 2);
        let frame = &self.frames[if place < FRAMES { place } else { 2 * FRAMES - 2 - place }];
        let plane = |data: &'a [u8], half: usize| Plane {
            data: PlaneData::Bits8(data),
            width: SIZE[0] / half,
            height: SIZE[1] / half,
            stride: SIZE[0] / half,
        };
        Planes {
            luma: plane(&frame.luma, 1),
            cb: Some(plane(&frame.chroma[0], 2)),
            cr: Some(plane(&frame.chroma[1], 2)),
            chroma_step: [2, 2],
            full_range: false,
        }
    }
}

impl FrameSource for Source<'_> {
    fn info(&self) -> &ClipInfo {
        &self.info
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.given == self.left {
            return Ok(None);
        }
        let k = self.given;
        self.given += 1;
        let before = (k > 0).then(|| self.planes(k - 1));
        Ok(Some(FrameView { frame_idx: k as u32, pts_s: k as f64 / 120.0, now: self.planes(k), before }))
    }

    fn damaged_frames(&self) -> u64 {
        0
    }
}

fn looking(c: &mut Criterion) {
    let frames = frames();
    let mut group = c.benchmark_group("look_through");
    let count = 28;
    group.sample_size(10).throughput(Throughput::Elements(count as u64));
    let look = |colour, diameter_m| MarkerLook { colour, diameter_m };
    let looks = [look(Colour::White, 0.04), look(Colour::Orange, 0.05), look(Colour::Blue, 0.05)];
    group.bench_function("spots", |b| {
        b.iter(|| {
            let mut source = Source::new(&frames, count);
            black_box(find_clip("west", &mut source, &looks, &SpotsConfig::default(), &mut |_| {}).unwrap())
        });
    });
    group.bench_function("points of the line", |b| {
        b.iter(|| {
            let mut source = Source::new(&frames, count);
            let mut gatherer = Gatherer::new(source.info.picture, &GatherConfig::default());
            while let Some(frame) = source.next_frame().unwrap() {
                gatherer.look_at(&frame);
            }
            black_box(gatherer.finish("west"))
        });
    });
    group.finish();
}

criterion_group!(benches, looking);
criterion_main!(benches);
