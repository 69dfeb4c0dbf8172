//! Lines in a picture: smooth edges, a dark rim so that light ink is seen on sky and on trees, chain-dotting.

use tipwright::model::RawPixel;
use tipwright::model::film::{DrawnLine, FilmInk};

use super::picture::Canvas;

/// Dark rim on either side of a line, pixels.
const RIM_PX: f64 = 1.1;
/// How dark the rim is, 0 to 1.
const RIM_SHARE: f32 = 0.55;
/// Dash, gap, dot, gap of a chain line, pixels.
const CHAIN_PX: [f64; 4] = [13.0, 5.0, 3.0, 5.0];

/// sRGB of an ink: the pages' inks on dark paper.
fn colour(ink: FilmInk) -> [f32; 3] {
    let hex: u32 = match ink {
        FilmInk::Forward => 0x006f_cdf7,
        FilmInk::Back => 0x00f0_bd95,
        FilmInk::Plain => 0x00f4_f1e8,
        FilmInk::Dip => 0x00ea_68a6,
        FilmInk::Loop => 0x00ce_ee72,
    };
    [16, 8, 0].map(|shift| ((hex >> shift) & 0xff) as f32 / 255.0)
}

/// Y, Cb, Cr of a colour (ITU-R BT.709 coefficients).
fn samples(rgb: [f32; 3], full_range: bool) -> [f32; 3] {
    let [r, g, b] = rgb;
    let luma = 0.2126 * r + 0.7152 * g + 0.0722 * b;
    let (cb, cr) = ((b - luma) / 1.8556, (r - luma) / 1.5748);
    let (low, span, chroma_span) = if full_range { (0.0, 255.0, 255.0) } else { (16.0, 219.0, 224.0) };
    [low + span * luma, 128.0 + chroma_span * cb, 128.0 + chroma_span * cr]
}

/// Draws a line; `place` takes its points to the canvas.
pub(crate) fn draw(canvas: &mut Canvas, line: &DrawnLine, place: impl Fn(RawPixel) -> (f64, f64)) {
    let points: Vec<(f64, f64)> = line.points.iter().map(|&p| place(p)).collect();
    let runs = if line.is_chain { chain(&points) } else { vec![points] };
    let black = samples([0.0; 3], canvas.full_range);
    let ink = samples(colour(line.ink), canvas.full_range);
    for (width, ink, share) in [(line.width_px + 2.0 * RIM_PX, black, RIM_SHARE), (line.width_px, ink, 1.0)] {
        if let Some(cover) = Cover::of(&runs, width, canvas.size_px) {
            cover.blend(canvas, ink, share);
        }
    }
}

/// Cuts a line into dashes and dots.
fn chain(points: &[(f64, f64)]) -> Vec<Vec<(f64, f64)>> {
    let mut runs = Vec::new();
    let mut run: Vec<(f64, f64)> = points.first().copied().into_iter().collect();
    let (mut piece, mut left) = (0, CHAIN_PX[0]);
    for pair in points.windows(2) {
        let ((mut x, mut y), (x1, y1)) = (pair[0], pair[1]);
        loop {
            let length = (x1 - x).hypot(y1 - y);
            if length < left {
                left -= length;
                run.push((x1, y1));
                break;
            }
            let f = if length > 0.0 { left / length } else { 1.0 };
            (x, y) = (x + f * (x1 - x), y + f * (y1 - y));
            run.push((x, y));
            if piece % 2 == 0 {
                runs.push(std::mem::take(&mut run));
            }
            piece = (piece + 1) % CHAIN_PX.len();
            left = CHAIN_PX[piece];
            run = vec![(x, y)];
        }
    }
    if piece % 2 == 0 && run.len() > 1 {
        runs.push(run);
    }
    runs
}

/// How much of each pixel a line covers, 0 to 255, in the part of the picture it touches.
struct Cover {
    left: usize,
    top: usize,
    width: usize,
    height: usize,
    share: Vec<u8>,
}

impl Cover {
    /// `None` where the line lies outside the picture.
    fn of(runs: &[Vec<(f64, f64)>], line_width: f64, [width, height]: [usize; 2]) -> Option<Self> {
        let reach = 0.5 * line_width + 1.0;
        let finite = |p: &&(f64, f64)| p.0.is_finite() && p.1.is_finite();
        let ends = |pick: fn(&(f64, f64)) -> f64, most: usize| -> Option<(usize, usize)> {
            let (low, high) = runs
                .iter()
                .flatten()
                .filter(finite)
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), p| (l.min(pick(p)), h.max(pick(p))));
            let (low, high) = ((low - reach).floor().max(0.0), (high + reach).ceil().min(most as f64 - 1.0));
            (low <= high).then_some((low as usize, high as usize))
        };
        let (left, right) = ends(|p| p.0, width)?;
        let (top, foot) = ends(|p| p.1, height)?;
        let mut cover = Self {
            left,
            top,
            width: right - left + 1,
            height: foot - top + 1,
            share: vec![0; (right - left + 1) * (foot - top + 1)],
        };
        for run in runs {
            match run[..] {
                [only] => cover.add(only, only, line_width),
                _ => run.windows(2).for_each(|pair| cover.add(pair[0], pair[1], line_width)),
            }
        }
        Some(cover)
    }

    fn add(&mut self, a: (f64, f64), b: (f64, f64), line_width: f64) {
        if ![a.0, a.1, b.0, b.1].iter().all(|v| v.is_finite()) {
            return;
        }
        let reach = 0.5 * line_width + 1.0;
        let range = |p: f64, q: f64, from: usize, count: usize| {
            let low = (p.min(q) - reach).floor().max(from as f64);
            let high = (p.max(q) + reach).ceil().min((from + count) as f64 - 1.0);
            if low <= high { low as usize..high as usize + 1 } else { 0..0 }
        };
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length_2 = dx * dx + dy * dy;
        for y in range(a.1, b.1, self.top, self.height) {
            for x in range(a.0, b.0, self.left, self.width) {
                let (px, py) = (x as f64 - a.0, y as f64 - a.1);
                let f = if length_2 > 0.0 { ((px * dx + py * dy) / length_2).clamp(0.0, 1.0) } else { 0.0 };
                let (off_x, off_y) = (px - f * dx, py - f * dy);
                let away = (off_x * off_x + off_y * off_y).sqrt();
                let share = (0.5 * line_width + 0.5 - away).clamp(0.0, 1.0);
                let slot = &mut self.share[(y - self.top) * self.width + x - self.left];
                *slot = (*slot).max((255.0 * share).round() as u8);
            }
        }
    }

    fn blend(&self, canvas: &mut Canvas, ink: [f32; 3], most: f32) {
        let [width, _] = canvas.size_px;
        let mix = |old: u8, new: f32, share: f32| {
            (f32::from(old) + share * (new - f32::from(old))).round().clamp(0.0, 255.0) as u8
        };
        let share_at = |x: usize, y: usize| -> f32 {
            if x < self.left || y < self.top || x >= self.left + self.width || y >= self.top + self.height {
                return 0.0;
            }
            most * f32::from(self.share[(y - self.top) * self.width + x - self.left]) / 255.0
        };
        for y in self.top..self.top + self.height {
            for x in self.left..self.left + self.width {
                // most of the part that a line spans it does not touch
                let share = share_at(x, y);
                if share > 0.0 {
                    let slot = &mut canvas.luma[y * width + x];
                    *slot = mix(*slot, ink[0], share);
                }
            }
        }
        for y in self.top / 2..=(self.top + self.height - 1) / 2 {
            for x in self.left / 2..=(self.left + self.width - 1) / 2 {
                let four = [(0, 0), (1, 0), (0, 1), (1, 1)];
                let share = four.iter().map(|(dx, dy)| share_at(2 * x + dx, 2 * y + dy)).sum::<f32>() / 4.0;
                if share <= 0.0 {
                    continue;
                }
                for (plane, ink) in canvas.chroma.iter_mut().zip([ink[1], ink[2]]) {
                    let slot = &mut plane[y * (width / 2) + x];
                    *slot = mix(*slot, ink, share);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn black(width: usize, height: usize) -> Canvas {
        Canvas {
            size_px: [width, height],
            luma: vec![0; width * height],
            chroma: [vec![128; width * height / 4], vec![128; width * height / 4]],
            full_range: true,
        }
    }

    fn line(points: &[(f64, f64)], is_chain: bool) -> DrawnLine {
        DrawnLine {
            points: points.iter().map(|p| RawPixel::new(p.0, p.1)).collect(),
            ink: FilmInk::Plain,
            width_px: 2.0,
            is_chain,
        }
    }

    /// The light's centre across the line is where the line was asked for, to a fiftieth of a pixel.
    #[test]
    fn a_line_lies_where_it_is_asked_for() {
        for height in [30.0, 30.25, 30.5, 30.8] {
            let mut canvas = black(80, 60);
            draw(&mut canvas, &line(&[(10.0, height), (70.0, height)], false), |p| (p.x_px, p.y_px));
            let column: Vec<f64> = (0..60).map(|y| f64::from(canvas.luma[y * 80 + 40])).collect();
            let sum: f64 = column.iter().sum();
            let centre = column.iter().enumerate().map(|(y, v)| y as f64 * v).sum::<f64>() / sum;
            assert!((centre - height).abs() < 0.02, "{centre} instead of {height}");
            assert!(canvas.luma[30 * 80 + 5] == 0, "nothing beyond the end");
        }
    }

    #[test]
    fn a_chain_line_has_gaps_and_lines_outside_are_no_harm() {
        let mut canvas = black(80, 60);
        draw(&mut canvas, &line(&[(2.0, 20.0), (78.0, 20.0)], true), |p| (p.x_px, p.y_px));
        let lit = (0..80).filter(|x| canvas.luma[20 * 80 + x] > 200).count();
        assert!((30..65).contains(&lit), "{lit}");
        let before = canvas.clone();
        draw(&mut canvas, &line(&[(-50.0, -50.0), (-10.0, -20.0)], false), |p| (p.x_px, p.y_px));
        draw(&mut canvas, &line(&[(f64::NAN, 3.0), (4.0, 5.0)], false), |p| (p.x_px, p.y_px));
        assert_eq!(canvas, before);
    }
}
