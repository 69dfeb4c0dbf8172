//! Spots on synthetic pictures of known truth.

mod clips;
mod painter;
mod precision;
<<<<<<< HEAD

#[test]
fn zz_time() {
    use super::finder::Finder;
    use super::*;
    use crate::model::footage::*;
    let raw = std::fs::read("/tmp/days/fr.yuv").unwrap();
    let n = 1920 * 1080;
    let film = |k: usize| {
        let b = &raw[k * n * 3 / 2..];
        painter::Film {
            width: 1920,
            height: 1080,
            luma: b[..n].to_vec(),
            chroma: [b[n..n * 5 / 4].to_vec(), b[n * 5 / 4..n * 3 / 2].to_vec()],
        }
    };
    let films: Vec<_> = (0..5).map(film).collect();
    for looks in [vec![Colour::White], vec![Colour::White, Colour::Orange, Colour::Blue]] {
        let looks: Vec<_> = looks.into_iter().map(|colour| MarkerLook { colour, diameter_m: 0.04 }).collect();
        let mut f = Finder::new(
            crate::model::Picture { stored_px: [1920, 1080], rotation: crate::model::Rotation::R0 },
            &looks,
            &SpotsConfig::default(),
        );
        let t = std::time::Instant::now();
        let m = 200;
        for i in 0..m {
            let k = [0, 1, 2, 3, 4, 3, 2, 1][i % 8];
            let b = [0, 1, 2, 3, 4, 3, 2, 1][(i + 7) % 8];
            f.look_at(&FrameView {
                frame_idx: i as u32,
                pts_s: 0.0,
                now: films[k].planes(),
                before: (i > 0).then(|| films[b].planes()),
            });
        }
        println!(
            "{} looks: {:.2} ms a frame: {:?}",
            looks.len(),
            t.elapsed().as_secs_f64() * 1e3 / m as f64,
            f.counts()
        );
    }
}
=======
>>>>>>> 8e77387 (spots: drop a scratch timing)
