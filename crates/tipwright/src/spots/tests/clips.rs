//! Whole clips: is the marker among the candidates, near the top, and where it is?

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::super::{MarkerLook, SpotsConfig, find_clip};
use super::painter::{Canvas, Disc, Painted, Reel};
use crate::model::footage::PlaneData;
use crate::model::{Candidate, Colour, RawPixel, Rotation};

const SIZE: [usize; 2] = [640, 360];

fn config() -> SpotsConfig {
    // A narrow picture of a phone that is near: sizes as in the full one.
    SpotsConfig { focal_px: Some(1500.0), ..SpotsConfig::default() }
}

fn look(colour: Colour) -> MarkerLook {
    MarkerLook { colour, diameter_m: 0.040 }
}

/// Trees below a bright sky, by sums of waves that never repeat.
fn place(x: f64, y: f64) -> [f64; 3] {
    let leaves = (0.7 * x + 0.31 * y).sin() + (0.43 * x - 0.9 * y).sin() + (1.3 * x + 1.1 * y).sin();
    let edge = 150.0 + 12.0 * (0.03 * x).sin() + 6.0 * (0.11 * x).sin();
    if y > edge { [55.0 + 11.0 * leaves, 122.0, 126.0] } else { [165.0 - 0.1 * y, 134.0, 124.0] }
}

fn swing(k: usize) -> Disc {
    let angle = 0.09 * k as f64;
    let at = |a: f64| (320.0 + 210.0 * a.sin(), 190.0 - 120.0 * (1.3 * a).cos());
    let ((x, y), (x1, y1)) = (at(angle), at(angle + 0.03));
    let (x0, y0) = at(angle - 0.03);
    Disc { x, y, radius: 3.7, motion: [0.5 * (x1 - x0), 0.5 * (y1 - y0)], blur: 0.8 }
}

fn nearest(candidates: &[Candidate], x: f64, y: f64) -> Option<(usize, f64, Candidate)> {
    candidates
        .iter()
        .enumerate()
        .map(|(rank, c)| (rank, (c.centre.x_px - x).hypot(c.centre.y_px - y), *c))
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

fn swung_clip(frames: usize, colour: [f64; 3], clutter: impl Fn(usize, &mut Canvas)) -> Vec<Painted> {
    (0..frames)
        .map(|k| {
            let mut canvas = Canvas::new(SIZE[0], SIZE[1], place);
            clutter(k, &mut canvas);
            canvas.disc(&swing(k), colour);
            canvas.develop(2.5, k as u64)
        })
        .collect()
}

#[test]
fn a_swinging_marker_is_found_in_front_of_sky_and_trees() {
    let films = swung_clip(70, [232.0, 127.0, 129.0], |k, canvas| {
        // A white cap that walks, glints that come and go, a bright flower that stands still.
        let cap = Disc { x: 90.0 + 0.8 * k as f64, y: 240.0, radius: 9.0, motion: [0.0; 2], blur: 0.8 };
        canvas.disc(&cap, [225.0, 128.0, 128.0]);
        for g in 0..6 {
            let mut random = ChaCha8Rng::seed_from_u64(k as u64 * 6 + g);
            let (x, y) = (random.random_range(40..600), random.random_range(300..350));
            canvas.disc(
                &Disc { x: x as f64, y: y as f64, radius: 1.5, motion: [5.0, 0.0], blur: 0.7 },
                [240.0, 128.0, 128.0],
            );
        }
        canvas.disc(
            &Disc { x: 500.0, y: 280.0, radius: 3.5, motion: [0.0; 2], blur: 0.8 },
            [230.0, 128.0, 128.0],
        );
    });
    let mut told = 0;
    let found =
        find_clip("west", &mut Reel::new(films, Rotation::R0), &[look(Colour::White)], &config(), &mut |n| {
            told = n
        })
        .unwrap();
    assert_eq!(told, 70);
    assert_eq!(found.spots.frames.len(), 70);
    let (mut hits, mut first, mut chi, mut n) = (0, 0, 0.0, 0.0);
    for frame in &found.spots.frames {
        let truth = swing(frame.frame_idx as usize);
        assert!(frame.candidates.len() <= SpotsConfig::default().keep_per_colour);
        let Some((rank, off, c)) = nearest(&frame.candidates, truth.x, truth.y) else { continue };
        if off < 1.5 {
            hits += 1;
            first += usize::from(rank == 0);
            let [xx, xy, yy] = c.cov_px2;
            let (dx, dy) = (c.centre.x_px - truth.x, c.centre.y_px - truth.y);
            chi += (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / (xx * yy - xy * xy);
            n += 2.0;
        } else {
            println!("frame {}: nearest {off:.1} px", frame.frame_idx);
        }
    }
    println!("found {hits} of 70, first in the list {first}, chi-square {:.2}; {:?}", chi / n, found.counts);
    assert_eq!(hits, 70);
    assert!(first >= 66, "{first}");
    assert!(chi / n < 2.0, "{}", chi / n);
    let counts = found.counts;
    assert_eq!(
        counts.places,
        counts.not_a_blob + counts.same_spot + counts.outranked + counts.no_fit + counts.cut + counts.kept
    );
}

/// On wide vectors and without, to the last bit: discs, streaks, colours, what stands still.
#[test]
fn candidates_do_not_depend_on_the_width_of_vectors() {
    let films = swung_clip(40, [232.0, 127.0, 129.0], |k, canvas| {
        let small = Disc { x: 500.0, y: 280.0, radius: 3.5, motion: [0.0; 2], blur: 0.8 };
        canvas.disc(&small, [230.0, 128.0, 128.0]);
        let orange = Disc { x: 100.0 + 6.0 * k as f64, y: 260.0, radius: 4.0, motion: [3.0, 0.5], blur: 0.8 };
        canvas.disc(&orange, [120.0, 80.0, 185.0]);
    });
    let found = || {
        let reel = &mut Reel::new(films.clone(), Rotation::R0);
        find_clip("west", reel, &[look(Colour::White), look(Colour::Orange)], &config(), &mut |_| {}).unwrap()
    };
    let (wide, plain) = (found(), crate::math::plainly(found));
    assert!(wide.counts.kept > 80, "{:?}", wide.counts);
    // words show every bit, and parts of a figure that equals nothing, itself too
    assert_eq!(format!("{wide:?}"), format!("{plain:?}"));
}

#[test]
fn a_marker_that_hangs_still_is_found() {
    let at = [[200.4, 220.7], [201.2, 330.3]];
    let films = (0..12)
        .map(|k| {
            let mut canvas = Canvas::new(SIZE[0], SIZE[1], place);
            for [x, y] in at {
                canvas.disc(&Disc { x, y, radius: 3.7, motion: [0.0; 2], blur: 0.8 }, [230.0, 128.0, 128.0]);
            }
            canvas.develop(2.5, k)
        })
        .collect();
    let found = find_clip(
        "west",
        &mut Reel::new(films, Rotation::R0),
        &[look(Colour::White)],
        &config(),
        &mut |_| {},
    )
    .unwrap();
    for frame in &found.spots.frames {
        for [x, y] in at {
            let (rank, off, _) = nearest(&frame.candidates, x, y).unwrap();
            assert!(off < 0.3 && rank < 3, "frame {}: rank {rank}, {off} px", frame.frame_idx);
        }
    }
}

/// A tip before a pick-up moves by a tenth of a pixel a frame: each frame gives its own place, without the ones before. Noise
/// of one level, for what is taken over shows itself by not moving where noise would have moved it.
#[test]
fn a_marker_that_creeps_is_not_held_back() {
    let at = |k: u32| 300.0 + 0.1 * f64::from(k);
    let films = (0..40)
        .map(|k| {
            let mut canvas = Canvas::new(SIZE[0], SIZE[1], place);
            let disc = Disc { x: at(k), y: 250.3, radius: 5.5, motion: [0.1, 0.0], blur: 0.8 };
            canvas.disc(&disc, [230.0, 128.0, 128.0]);
            canvas.develop(1.0, u64::from(k))
        })
        .collect();
    let reel = &mut Reel::new(films, Rotation::R0);
    let found = find_clip("west", reel, &[look(Colour::White)], &config(), &mut |_| {}).unwrap();
    let mut worst: f64 = 0.0;
    for frame in &found.spots.frames {
        let (_, _, c) = nearest(&frame.candidates, at(frame.frame_idx), 250.3).unwrap();
        worst = worst.max((c.centre.x_px - at(frame.frame_idx)).abs());
    }
    // a step's half, and the noise of a fit
    assert!(worst < 0.08, "{worst}");
}

#[test]
fn every_colour_is_found_by_its_hue_even_without_contrast_in_luma() {
    for (colour, [y, cb, cr]) in [
        (Colour::Red, [80.0, 108.0, 200.0]),
        (Colour::Orange, [120.0, 80.0, 185.0]),
        (Colour::Yellow, [165.0, 50.0, 140.0]),
        (Colour::Green, [100.0, 90.0, 80.0]),
        (Colour::Blue, [60.0, 190.0, 112.0]),
        (Colour::Magenta, [90.0, 160.0, 190.0]),
    ] {
        let films = swung_clip(24, [y, cb, cr], |_, _| {});
        let found =
            find_clip("west", &mut Reel::new(films, Rotation::R0), &[look(colour)], &config(), &mut |_| {})
                .unwrap();
        let (mut hits, mut chi) = (0, 0.0);
        for frame in &found.spots.frames {
            let truth = swing(frame.frame_idx as usize);
            let Some((_, off, c)) = nearest(&frame.candidates, truth.x, truth.y) else { continue };
            if off < 2.0 {
                hits += 1;
                chi += off * off / (c.cov_px2[0] + c.cov_px2[2]);
            }
        }
        println!("{colour:?}: {hits} of 24, chi-square {:.2}", chi / f64::from(hits));
        assert!(hits >= 23, "{colour:?}: {hits} of 24");
        assert!(chi / f64::from(hits) < 3.0, "{colour:?}");
    }
}

#[test]
fn a_turned_clip_gives_upright_places() {
    let films = swung_clip(6, [232.0, 127.0, 129.0], |_, _| {});
    let run = |rotation| {
        let mut reel = Reel::new(films.clone(), rotation);
        find_clip("west", &mut reel, &[look(Colour::White)], &config(), &mut |_| {}).unwrap().spots
    };
    let upright = run(Rotation::R0);
    for rotation in [Rotation::R90, Rotation::R180, Rotation::R270] {
        let turned = run(rotation);
        for (a, b) in upright.frames.iter().zip(&turned.frames) {
            assert_eq!(a.candidates.len(), b.candidates.len());
            for (a, b) in a.candidates.iter().zip(&b.candidates) {
                let p = turned.picture.upright_from_stored(a.centre.x_px, a.centre.y_px);
                assert!((p.x_px - b.centre.x_px).hypot(p.y_px - b.centre.y_px) < 1e-9);
                let tip = |c: &Candidate, along: f64| {
                    let angle = c.streak.map_or(0.0, |s| s.angle_rad);
                    RawPixel::new(c.centre.x_px + along * angle.cos(), c.centre.y_px + along * angle.sin())
                };
                if a.streak.is_some() {
                    let q = tip(a, 1.0);
                    let q = turned.picture.upright_from_stored(q.x_px, q.y_px);
                    let near = |along| (q.x_px - tip(b, along).x_px).hypot(q.y_px - tip(b, along).y_px);
                    assert!(near(1.0).min(near(-1.0)) < 1e-6, "{rotation:?}");
                }
            }
        }
    }
}

#[test]
fn ten_bits_give_what_eight_bits_give() {
    use super::super::finder::Finder;
    use crate::model::footage::{FrameView, Plane, Planes};
    let films = swung_clip(4, [232.0, 127.0, 129.0], |_, _| {});
    let wide: Vec<[Vec<u16>; 3]> = films
        .iter()
        .map(|f| {
            [&f.luma, &f.chroma[0], &f.chroma[1]].map(|p| p.iter().map(|v| u16::from(*v) << 2).collect())
        })
        .collect();
    let planes10 = |k: usize| {
        let plane = |p: usize, step: usize| Plane {
            data: PlaneData::Bits10(&wide[k][p]),
            width: SIZE[0] / step,
            height: SIZE[1] / step,
            stride: SIZE[0] / step,
        };
        Planes {
            luma: plane(0, 1),
            cb: Some(plane(1, 2)),
            cr: Some(plane(2, 2)),
            chroma_step: [2, 2],
            full_range: false,
        }
    };
    let picture =
        crate::model::Picture { stored_px: [SIZE[0] as u32, SIZE[1] as u32], rotation: Rotation::R0 };
    let finder = || Finder::new(picture, 120.0, &[look(Colour::White)], &config());
    let (mut a, mut b) = (finder(), finder());
    for k in 0..films.len() {
        let view = |now, before| FrameView { frame_idx: k as u32, pts_s: k as f64, now, before };
        let eight = a.look_at(&view(films[k].planes(), (k > 0).then(|| films[k - 1].planes())));
        let ten = b.look_at(&view(planes10(k), (k > 0).then(|| planes10(k - 1))));
        assert_eq!(eight, ten);
    }
}

#[test]
fn an_empty_scene_says_so() {
    let films =
        (0..10).map(|k| Canvas::new(SIZE[0], SIZE[1], |_, _| [90.0, 128.0, 128.0]).develop(2.0, k)).collect();
    let found = find_clip(
        "west",
        &mut Reel::new(films, Rotation::R0),
        &[look(Colour::White)],
        &config(),
        &mut |_| {},
    )
    .unwrap();
    assert!(found.warnings.iter().any(|w| w.what.contains("0 of 10 frames")), "{:?}", found.warnings);
    assert!(matches!(
        find_clip(
            "west",
            &mut Reel::new(vec![Canvas::new(64, 64, |_, _| [90.0; 3]).develop(1.0, 1)], Rotation::R0),
            &[],
            &config(),
            &mut |_| {}
        ),
        Err(super::super::SpotsError::NoLook)
    ));
}
