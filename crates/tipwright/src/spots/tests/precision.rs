//! The fit alone: bias, efficiency and honesty of its covariance.

use super::super::fit::{FitStart, Fitted, Fitter};
use super::super::patch::Patch;
use super::painter::{Canvas, Disc};

const GREY: [f64; 3] = [90.0, 128.0, 128.0];

fn fit(canvas: &Canvas, noise: f64, seed: u64, start: FitStart) -> Option<Fitted> {
    let film = canvas.develop(noise, seed);
    let mut patch = Patch::new(64);
    patch.cut_plane(&film.planes().luma, [start.x.round() as usize, start.y.round() as usize]);
    Fitter::default().fit(&patch, None, start, false)
}

/// A start as the rough measure would give it: near, not at, the truth.
fn start_near(disc: &Disc, contrast: f64) -> FitStart {
    let length = disc.motion[0].hypot(disc.motion[1]);
    FitStart {
        x: (disc.x + 0.4) as f32,
        y: (disc.y - 0.3) as f32,
        radius: (disc.radius * 1.1) as f32,
        length: if length > 3.0 { length as f32 * 0.9 } else { 0.0 },
        angle_rad: disc.motion[1].atan2(disc.motion[0]) as f32 + 0.05,
        amplitude: contrast as f32,
        blur: 0.8,
        margin: 4.5,
    }
}

#[test]
fn bias_over_all_phases_is_below_a_twentieth_of_a_pixel() {
    let mut worst = 0.0f64;
    for (radius, motion, blur) in [
        (3.7, [0.0, 0.0], 0.8),
        (2.0, [0.0, 0.0], 0.8),
        (3.7, [0.0, 0.0], 0.5),
        (3.7, [0.0, 0.0], 1.3),
        (3.7, [2.0, 1.0], 0.8),
        (3.0, [9.0, 5.0], 0.8),
        (2.5, [-4.0, 16.0], 0.6),
    ] {
        for phase in 0..12 {
            let (px, py) = (f64::from(phase % 4) * 0.25, f64::from(phase / 4) * 0.33);
            let disc = Disc { x: 40.0 + px, y: 36.0 + py, radius, motion, blur };
            let mut canvas = Canvas::new(80, 72, |x, y| [60.0 + 0.5 * x - 0.3 * y, 128.0, 128.0]);
            canvas.disc(&disc, [210.0, 128.0, 128.0]);
            let found = fit(&canvas, 0.0, 1, start_near(&disc, 120.0)).unwrap();
            let off = (f64::from(found.x) - disc.x).hypot(f64::from(found.y) - disc.y);
            assert!(off < 0.05, "{off} px for {disc:?}: {found:?}");
            worst = worst.max(off);
        }
    }
    println!("largest bias over all phases, sizes, blurs and streaks: {worst:.4} px");
}

/// Winick, J. Opt. Soc. Am. A 3 (1986) 1809 (from memory; the sum of the squared derivative is pi A^2 / 2): a Gaussian spot of peak A in
/// white noise cannot be placed better than sigma / A * sqrt(2 / pi), whatever its width.
#[test]
fn truth_scatter_of_a_gaussian_spot_is_near_the_cramer_rao_bound() {
    let (sigma, peak, width) = (3.0, 90.0, 2.0);
    let (mut sum, mut n) = (0.0, 0);
    for seed in 0..400 {
        let (cx, cy) = (30.0 + f64::from(seed as u32 % 10) * 0.1, 31.0 + f64::from(seed as u32 % 7) / 7.0);
        let canvas = Canvas::new(64, 64, |x, y| {
            let r2 = (x - cx).powi(2) + (y - cy).powi(2);
            [80.0 + peak * (-0.5 * r2 / (width * width)).exp(), 128.0, 128.0]
        });
        let disc = Disc { x: cx, y: cy, radius: 2.6, motion: [0.0; 2], blur: 0.8 };
        let found = fit(&canvas, sigma, seed, start_near(&disc, peak)).unwrap();
        sum += (f64::from(found.x) - cx).powi(2) + (f64::from(found.y) - cy).powi(2);
        n += 2;
    }
    let scatter = (sum / f64::from(n)).sqrt();
    let bound = sigma / peak * (2.0 / std::f64::consts::PI).sqrt();
    println!("Gaussian spot: scatter {scatter:.4} px, bound {bound:.4} px, ratio {:.3}", scatter / bound);
    assert!(scatter / bound < 1.15 && scatter / bound > 0.9);
}

/// Mean of the squared, whitened errors: 2 when the covariance is honest.
fn chi_square_per_axis(
    disc: impl Fn(u64) -> Disc,
    contrast: f64,
    noise: f64,
    background: impl Fn(f64, f64) -> [f64; 3] + Copy,
) -> (f64, f64) {
    let (mut chi, mut spread, mut n) = (0.0, 0.0, 0.0);
    for seed in 0..300 {
        let disc = disc(seed);
        let mut canvas = Canvas::new(96, 96, background);
        let level = background(disc.x, disc.y)[0];
        canvas.disc(&disc, [level + contrast, 128.0, 128.0]);
        let Some(found) = fit(&canvas, noise, seed + 1000, start_near(&disc, contrast)) else { continue };
        let (dx, dy) = (f64::from(found.x) - disc.x, f64::from(found.y) - disc.y);
        let [xx, xy, yy] = found.cov.map(f64::from);
        let det = xx * yy - xy * xy;
        chi += (yy * dx * dx - 2.0 * xy * dx * dy + xx * dy * dy) / det;
        spread += dx * dx + dy * dy;
        n += 1.0;
    }
    assert!(n > 290.0, "{n} of 300 fitted");
    (chi / n / 2.0, (spread / n / 2.0_f64).sqrt())
}

#[test]
fn the_covariance_is_honest_in_noise() {
    let at = |seed: u64| (45.0 + (seed % 13) as f64 / 13.0, 47.0 + (seed % 11) as f64 / 11.0);
    let still = |seed| {
        let (x, y) = at(seed);
        Disc { x, y, radius: 3.7, motion: [0.0; 2], blur: 0.8 }
    };
    let streak = |seed: u64| {
        let (x, y) = at(seed);
        let angle = seed as f64 * 0.37;
        Disc { x, y, radius: 3.2, motion: [11.0 * angle.cos(), 11.0 * angle.sin()], blur: 0.8 }
    };
    for (name, (chi, sigma)) in [
        ("disc at rest, strong", chi_square_per_axis(still, 100.0, 3.0, |_, _| GREY)),
        ("disc at rest, faint", chi_square_per_axis(still, 30.0, 4.0, |_, _| GREY)),
        ("disc on a slope", chi_square_per_axis(still, 80.0, 3.0, |x, y| [40.0 + x - 0.4 * y, 128.0, 128.0])),
        ("streak", chi_square_per_axis(streak, 120.0, 3.0, |_, _| GREY)),
    ] {
        println!("{name}: chi-square per degree {chi:.3}, scatter {sigma:.4} px");
        assert!((0.9..1.1).contains(&chi), "{name}: {chi}");
    }
}

#[test]
fn a_streak_is_less_sure_along_its_motion() {
    let disc = Disc { x: 45.3, y: 47.7, radius: 3.2, motion: [14.0, 0.0], blur: 0.8 };
    let mut canvas = Canvas::new(96, 96, |_, _| GREY);
    canvas.disc(&disc, [200.0, 128.0, 128.0]);
    let found = fit(&canvas, 3.0, 5, start_near(&disc, 110.0)).unwrap();
    assert!(found.cov[0] > 1.2 * found.cov[2], "{found:?}");
    assert!((found.length - 14.0).abs() < 4.0 * found.length_sd, "{found:?}");
    assert!(found.angle_rad.abs() < 0.05, "{found:?}");
}

#[test]
fn the_edge_of_the_sky_does_not_pull_when_the_frame_before_shows_it() {
    let back = |x: f64, y: f64| {
        let edge = 1.0 / (1.0 + (-(x - 44.0 + 2.0 * (y * 0.4).sin()) / 0.8).exp());
        [60.0 + 100.0 * edge, 128.0, 128.0]
    };
    let (mut with, mut without) = (0.0f64, 0.0f64);
    for seed in 0..24 {
        let disc = Disc { x: 41.0 + seed as f64 * 0.3, y: 47.2, radius: 3.5, motion: [0.0, 6.0], blur: 0.8 };
        let mut canvas = Canvas::new(96, 96, back);
        canvas.disc(&disc, [235.0, 128.0, 128.0]);
        let (now, before) = (canvas.develop(2.0, seed), Canvas::new(96, 96, back).develop(2.0, seed + 99));
        let start = start_near(&disc, 120.0);
        let cut = |film: &super::painter::Painted| {
            let mut patch = Patch::new(64);
            patch.cut_plane(&film.planes().luma, [start.x.round() as usize, start.y.round() as usize]);
            patch
        };
        let (now, before) = (cut(&now), cut(&before));
        let off =
            |f: Option<Fitted>| f.map_or(3.0, |f| (f64::from(f.x) - disc.x).hypot(f64::from(f.y) - disc.y));
        with = with.max(off(Fitter::default().fit(&now, Some(&before), start, false)));
        without = without.max(off(Fitter::default().fit(&now, None, start, false)));
    }
    println!("at the edge of the sky: worst {with:.3} px with the frame before, {without:.3} px without");
    assert!(with < 0.25, "{with}");
}
