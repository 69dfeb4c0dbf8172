//! Codes of a board in one picture: dark squares read cell by cell.

use nalgebra::{Matrix3, Vector2};

use super::FEWEST_CODES;
use super::beside::find_around;
use super::words::{SIDE, find};
use crate::lens::homography::apply;
use crate::math::median;
use crate::math::square_words::turns;
use crate::model::RawPixel;
use crate::model::footage::{Footage, Window};

/// A code that was read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Code {
    /// Its word.
    pub word: Word,
    /// Corners of the black square: top left, top right, bottom right, bottom left, as the word stands upright.
    pub corners: [RawPixel; 4],
    /// Corners of the white square around it, in the same order, put where they are in the picture.
    pub around: [Option<RawPixel>; 4],
}

/// What is written in a code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Word {
    /// A word of [`super::words`], by its number, or of a board's own that was learned, by its number there.
    Numbered(u32),
    /// Another one: cells along a side, and the least of its four turns, which is taken for upright.
    Other { side: usize, cells: u64 },
}

impl Word {
    /// `None` while nobody has numbered it.
    pub fn number(self) -> Option<u32> {
        match self {
            Self::Numbered(number) => Some(number),
            Self::Other { .. } => None,
        }
    }
}

/// Cells along a side of codes that other programs print.
const OTHER_SIDES: std::ops::RangeInclusive<usize> = 4..=7;
/// Share of the places sampled within cells that must look like the rest of their cell: read with a wrong number of cells, a square has
/// edges within them.
const ALIKE_SHARE: f64 = 0.9;
/// Black cells of a word, as a share: plain squares and frames are no codes.
const OTHER_BLACK: std::ops::RangeInclusive<f64> = 0.15..=0.85;

/// Least difference between black and white, code values.
const LEAST_CONTRAST: f64 = 25.0;
/// Places of a cell that are sampled along each side, as shares of the cell.
const PLACES: [f64; 3] = [0.3, 0.5, 0.7];
/// How far a black square's sides lie outside of its outline, pixels: half a pixel, for outlines run through the outermost dark pixels, and
/// what smoothing takes off the corners. On drawn boards whose codes are 15 to 20 px wide 96 % are read with it, 28 % without.
const GROWTH_PX: f64 = 0.8;
/// Share of a code's rim that may not look black.
const RIM_SHARE: f64 = 0.15;
/// The black square's corners in its own measure.
pub(super) const UNIT: [[f64; 2]; 4] = [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]];

/// An upright 8-bit picture.
pub(super) struct Grey<'a> {
    pub(super) luma: &'a [u8],
    pub(super) size_px: [u32; 2],
}

impl Grey<'_> {
    fn at(&self, p: Vector2<f64>) -> Option<f64> {
        let [w, h] = self.size_px;
        let (x0, y0) = (p.x.floor(), p.y.floor());
        if !(x0 >= 0.0 && y0 >= 0.0 && x0 + 1.0 < f64::from(w) && y0 + 1.0 < f64::from(h)) {
            return None;
        }
        let (fx, fy) = (p.x - x0, p.y - y0);
        let i = y0 as usize * w as usize + x0 as usize;
        let v = |k: usize| self.luma.get(k).copied().map(f64::from);
        let below = i + w as usize;
        let (upper, lower) =
            (v(i)? * (1.0 - fx) + v(i + 1)? * fx, v(below)? * (1.0 - fx) + v(below + 1)? * fx);
        Some(upper * (1.0 - fy) + lower * fy)
    }
}

/// All codes of a picture: those of this program's words, or where hardly any is seen those of other words.
pub(crate) fn codes(footage: &dyn Footage, luma: &[u8], size_px: [u32; 2]) -> Vec<Code> {
    let grey = Grey { luma, size_px };
    let (mut own, mut others) = (Vec::new(), Vec::new());
    for square in footage.dark_squares(luma, size_px, Window::whole(size_px)) {
        let Some(square) = Square::of(&grey, clockwise(square)) else { continue };
        if let Some(read) = square.read(&grey) {
            add(&mut own, read);
        } else if let Some(read) = square.read_other(&grey) {
            add(&mut others, read);
        }
    }
    let mut found = if own.len() >= FEWEST_CODES || own.len() >= others.len() { own } else { others };
    find_around(footage, &grey, &mut found);
    found.into_iter().map(|(code, _)| code).collect()
}

/// Takes in a code, but for the inner and outer outline of one black rim, and another rim's inside.
fn add(found: &mut Vec<(Code, Matrix3<f64>)>, read: (Code, Matrix3<f64>)) {
    let same = |other: &Code| other.word == read.0.word && is_beside(&other.corners, &read.0.corners);
    if !found.iter().any(|(other, _)| same(other)) {
        found.push(read);
    }
}

fn clockwise(mut square: [RawPixel; 4]) -> [RawPixel; 4] {
    let [a, b, _, d] = square;
    let cross = (b.x_px - a.x_px) * (d.y_px - a.y_px) - (b.y_px - a.y_px) * (d.x_px - a.x_px);
    if cross < 0.0 {
        square.swap(1, 3);
    }
    square
}

pub(super) fn middle(corners: &[RawPixel; 4]) -> Vector2<f64> {
    corners.iter().map(|c| Vector2::new(c.x_px, c.y_px)).sum::<Vector2<f64>>() / 4.0
}

fn is_beside(a: &[RawPixel; 4], b: &[RawPixel; 4]) -> bool {
    let side = (a[0].x_px - a[1].x_px).hypot(a[0].y_px - a[1].y_px);
    (middle(a) - middle(b)).norm() < 0.5 * side
}

/// Takes the measure of a black square, from -0.5 to 0.5 both ways, to the picture (P. Heckbert, Fundamentals of texture mapping, 1989,
/// section 2.2.3).
pub(super) fn plane(corners: &[RawPixel; 4]) -> Option<Matrix3<f64>> {
    let [p0, p1, p2, p3] = corners.map(|c| Vector2::new(c.x_px, c.y_px));
    let (d1, d2, sum) = (p1 - p2, p3 - p2, p0 - p1 + p2 - p3);
    let turn = d1.perp(&d2);
    if !(turn.abs() > 1e-9) {
        return None;
    }
    let (g, h) = (sum.perp(&d2) / turn, d1.perp(&sum) / turn);
    let (across, down) = (p1 - p0 + p1 * g, p3 - p0 + p3 * h);
    let from_corner = Matrix3::new(across.x, down.x, p0.x, across.y, down.y, p0.y, g, h, 1.0);
    Some(from_corner * Matrix3::new_translation(&Vector2::new(0.5, 0.5)))
}

/// A square whose corners run clockwise on the screen with each side moved outwards by [`GROWTH_PX`].
fn grown(square: &[RawPixel; 4]) -> Option<[RawPixel; 4]> {
    let p = square.map(|c| Vector2::new(c.x_px, c.y_px));
    // a point and a direction of each side
    let sides: [(Vector2<f64>, Vector2<f64>); 4] = std::array::from_fn(|i| {
        let along = (p[(i + 1) % 4] - p[i]).normalize();
        (p[i] + Vector2::new(along.y, -along.x) * GROWTH_PX, along)
    });
    let mut out = *square;
    for (i, corner) in out.iter_mut().enumerate() {
        let ((a, along), (b, other)) = (sides[(i + 3) % 4], sides[i]);
        let s = (b - a).perp(&other) / along.perp(&other);
        let at = a + along * s;
        if !s.is_finite() {
            return None;
        }
        *corner = RawPixel::new(at.x, at.y);
    }
    Some(out)
}

/// A black square in white, its corners clockwise on the screen.
struct Square {
    corners: [RawPixel; 4],
    picture_from_code: Matrix3<f64>,
    white: f64,
}

impl Square {
    fn of(grey: &Grey<'_>, outline: [RawPixel; 4]) -> Option<Self> {
        let corners = grown(&outline)?;
        let picture_from_code = plane(&corners)?;
        let white = ring(grey, &picture_from_code)?;
        Some(Self { corners, picture_from_code, white })
    }

    /// The code in it, if it is one of this program's words.
    fn read(&self, grey: &Grey<'_>) -> Option<(Code, Matrix3<f64>)> {
        let (cells, _) = word_of(grey, &self.picture_from_code, self.white, SIDE)?;
        let (number, turns) = find(cells)?;
        self.upright(Word::Numbered(number), turns)
    }

    /// The code in it, whatever it says.
    fn read_other(&self, grey: &Grey<'_>) -> Option<(Code, Matrix3<f64>)> {
        let read = |side| Some((side, word_of(grey, &self.picture_from_code, self.white, side)?));
        let (side, (cells, alike)) =
            OTHER_SIDES.filter_map(read).max_by(|(_, (_, a)), (_, (_, b))| a.total_cmp(b))?;
        let black = f64::from(cells.count_ones()) / (side * side) as f64;
        if alike < ALIKE_SHARE || !OTHER_BLACK.contains(&black) {
            return None;
        }
        let turned = turns(cells, side);
        let least = *turned.iter().min()?;
        // what looks the same in two turns has no upright
        if turned.iter().filter(|t| **t == least).count() > 1 {
            return None;
        }
        // turned clockwise so often it is the least; as it is seen, it is that one turned by what is left of a whole turn
        let to_least = turned.iter().position(|t| *t == least)?;
        self.upright(Word::Other { side, cells: least }, (4 - to_least) % 4)
    }

    /// Turned clockwise once, the print's top left is the square's top right.
    fn upright(&self, word: Word, turns: usize) -> Option<(Code, Matrix3<f64>)> {
        let corners: [RawPixel; 4] = std::array::from_fn(|i| self.corners[(i + turns) % 4]);
        let picture_from_code = plane(&corners)?;
        Some((Code { word, corners, around: [None; 4] }, picture_from_code))
    }
}

/// What the white around a black square looks like: the median just outside of its sides.
pub(super) fn ring(grey: &Grey<'_>, picture_from_code: &Matrix3<f64>) -> Option<f64> {
    let (out, along) = (0.56, [-0.3, 0.0, 0.3]);
    let places = along.into_iter().flat_map(|s| [[s, -out], [s, out], [-out, s], [out, s]]);
    let seen: Vec<f64> =
        places.filter_map(|[x, y]| grey.at(apply(picture_from_code, &Vector2::new(x, y)))).collect();
    if seen.len() < 8 { None } else { median(seen) }
}

/// Cells of a square, so many along a side, as a word, and the share of places that look like the rest of their cell; `None` where the
/// rim is not black.
fn word_of(grey: &Grey<'_>, picture_from_code: &Matrix3<f64>, white: f64, side: usize) -> Option<(u64, f64)> {
    let cells = side + 2;
    let mut values = Vec::with_capacity(cells * cells);
    let mut samples = Vec::with_capacity(cells * cells * PLACES.len() * PLACES.len());
    for row in 0..cells {
        for column in 0..cells {
            let mut sum = 0.0;
            for dy in PLACES {
                for dx in PLACES {
                    let share = |i: usize, d: f64| (i as f64 + d) / cells as f64 - 0.5;
                    let at = Vector2::new(share(column, dx), share(row, dy));
                    let value = grey.at(apply(picture_from_code, &at))?;
                    samples.push(value);
                    sum += value;
                }
            }
            values.push(sum / (PLACES.len() * PLACES.len()) as f64);
        }
    }
    let is_rim = |i: usize| {
        let (row, column) = (i / cells, i % cells);
        row == 0 || column == 0 || row + 1 == cells || column + 1 == cells
    };
    let rim = || (0..values.len()).filter(|i| is_rim(*i));
    let black = median(rim().map(|i| values[i]))?;
    if !(white - black >= LEAST_CONTRAST) {
        return None;
    }
    let limit = 0.5 * (white + black);
    if rim().filter(|i| values[*i] > limit).count() as f64 > RIM_SHARE * rim().count() as f64 {
        return None;
    }
    let inner = (0..values.len()).filter(|i| !is_rim(*i));
    let word = inner.enumerate().fold(0, |word, (bit, i)| word | u64::from(values[i] <= limit) << bit);
    let of_cells = samples.chunks(PLACES.len() * PLACES.len()).zip(&values);
    let alike = of_cells
        .map(|(places, mean)| places.iter().filter(|v| (**v <= limit) == (*mean <= limit)).count())
        .sum::<usize>();
    Some((word, alike as f64 / samples.len() as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_squares_plane_runs_through_its_corners_and_keeps_lines_straight() {
        let corners =
            [[100.0, 50.0], [141.0, 58.0], [135.0, 97.0], [96.0, 84.0]].map(|[x, y]| RawPixel::new(x, y));
        let plane = plane(&corners).unwrap();
        for ([x, y], corner) in UNIT.iter().zip(&corners) {
            let at = apply(&plane, &Vector2::new(*x, *y));
            assert!((at.x - corner.x_px).abs() < 1e-9 && (at.y - corner.y_px).abs() < 1e-9, "{at}");
        }
        // the middle lies where the diagonals cross
        let middle = apply(&plane, &Vector2::zeros());
        for (a, b) in [(0, 2), (1, 3)] {
            let (a, b) = (corners[a], corners[b]);
            let along = Vector2::new(b.x_px - a.x_px, b.y_px - a.y_px);
            assert!(along.perp(&(middle - Vector2::new(a.x_px, a.y_px))).abs() < 1e-9);
        }
    }
}
