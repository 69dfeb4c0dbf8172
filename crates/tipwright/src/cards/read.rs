//! The card in a dark square of a picture: corners put on the edges, cells sampled through the square's perspective, bits told by the black
//! of the rim and the white around it, which may fall off from one side to the other (a shadow, a glaring sun).

use nalgebra::{Matrix3, Vector3};

use super::dictionary::{SIDE, nearest};
use super::{Card, edges};
use crate::model::RawPixel;

/// Cells along a side with the black rim.
pub const SIDE_WITH_RIM: usize = SIDE + 2;
/// White that must be around the square, in cells.
pub const WHITE_CELLS: f64 = 0.8;
/// Cells along a side of what is sampled: rim and the white around it.
const SAMPLED: usize = SIDE + 4;
/// Least difference of white and black in code values: noise of a dim picture is some 3 to 5.
const LEAST_CONTRAST: f64 = 24.0;
/// Rim cells that may be taken for white: a glint, a fold.
const MOST_RIM_ERRORS: usize = 1;
/// Cells of the white around that may be taken for black: fingers and a thumb.
const MOST_WHITE_ERRORS: usize = 9;
/// The same where half of the card is in shade: fingers in the sun are as bright as paper in the shade.
const MOST_SHADE_ERRORS: usize = 2;

/// An upright or stored 8-bit picture, row by row; a card is read at every turn.
#[derive(Debug, Clone, Copy)]
pub struct Grey<'a> {
    /// Samples, without gaps.
    pub luma: &'a [u8],
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

impl Grey<'_> {
    /// Value between pixels, bilinear; `None` outside.
    #[must_use]
    pub fn at(&self, x_px: f64, y_px: f64) -> Option<f64> {
        let inside =
            x_px >= 0.0 && y_px >= 0.0 && x_px < self.width as f64 - 1.0 && y_px < self.height as f64 - 1.0;
        if !inside {
            return None;
        }
        let (col, row) = (x_px as usize, y_px as usize);
        let (u, v) = (x_px - col as f64, y_px - row as f64);
        let i = row * self.width + col;
        let value = |k: usize| self.luma.get(k).map(|v| f64::from(*v));
        let upper = (1.0 - u) * value(i)? + u * value(i + 1)?;
        let lower = (1.0 - u) * value(i + self.width)? + u * value(i + self.width + 1)?;
        Some((1.0 - v) * upper + v * lower)
    }
}

/// Four corners of a dark square on lighter ground, in turn around it.
pub type Square = [RawPixel; 4];

/// A card that was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CardSeen {
    /// What it says.
    pub card: Card,
    /// Bits that were put right.
    pub errors: u32,
    /// Its corners, from the card's own top left clockwise.
    pub corners: Square,
}

/// Reads the card in a square; `None` where there is none.
///
/// A square a pixel or two off its edges is put on them first.
#[must_use]
pub fn read(picture: &Grey<'_>, square: &Square) -> Option<CardSeen> {
    let square = edges::refined(picture, &clockwise(square))?;
    let values = sampled(picture, &picture_from_square(&square)?)?;
    let in_even_light = || nearest(word_in_even_light(&values)?);
    let (number, turns, errors) = in_even_light().or_else(|| nearest(word_in_half_shade(&values)?))?;
    let card = Card::of(number)?;
    // turned clockwise by a quarter the card's top left is the square's second corner
    let corners = std::array::from_fn(|i| square[(i + turns as usize) % 4]);
    Some(CardSeen { card, errors, corners })
}

fn clockwise(square: &Square) -> Square {
    let [a, b, _, d] = square;
    let cross = (b.x_px - a.x_px) * (d.y_px - a.y_px) - (b.y_px - a.y_px) * (d.x_px - a.x_px);
    if cross < 0.0 { [square[0], square[3], square[2], square[1]] } else { *square }
}

/// The perspective that takes (0, 0), (1, 0), (1, 1), (0, 1) to four corners (Heckbert, 1989); `None` when three are in line.
pub(super) fn picture_from_square(square: &Square) -> Option<Matrix3<f64>> {
    let [a, b, c, d] = square.map(|p| (p.x_px, p.y_px));
    let (dx1, dy1) = (b.0 - c.0, b.1 - c.1);
    let (dx2, dy2) = (d.0 - c.0, d.1 - c.1);
    let (sx, sy) = (a.0 - b.0 + c.0 - d.0, a.1 - b.1 + c.1 - d.1);
    let area = dx1 * dy2 - dx2 * dy1;
    if !(area.abs() > 1e-6) {
        return None;
    }
    let (g, h) = ((sx * dy2 - dx2 * sy) / area, (dx1 * sy - sx * dy1) / area);
    Some(Matrix3::new(
        b.0 - a.0 + g * b.0,
        d.0 - a.0 + h * d.0,
        a.0,
        b.1 - a.1 + g * b.1,
        d.1 - a.1 + h * d.1,
        a.1,
        g,
        h,
        1.0,
    ))
}

type Values = [[f64; SAMPLED]; SAMPLED];

fn sampled(picture: &Grey<'_>, picture_from_square: &Matrix3<f64>) -> Option<Values> {
    let mut out = [[0.0; SAMPLED]; SAMPLED];
    let cells = SIDE_WITH_RIM as f64;
    for (row, values) in out.iter_mut().enumerate() {
        for (col, value) in values.iter_mut().enumerate() {
            let mut sum = 0.0;
            for (dx, dy) in [(0.0, 0.0), (-0.18, -0.18), (0.18, -0.18), (-0.18, 0.18), (0.18, 0.18)] {
                let at = |i: usize, off: f64| {
                    // the white around is sampled where it surely is
                    let centre = match i {
                        0 => -WHITE_CELLS / 2.0,
                        i if i == SAMPLED - 1 => cells + WHITE_CELLS / 2.0,
                        i => i as f64 - 0.5,
                    };
                    (centre + off) / cells
                };
                let p = picture_from_square * Vector3::new(at(col, dx), at(row, dy), 1.0);
                sum += picture.at(p.x / p.z, p.y / p.z)?;
            }
            *value = sum / 5.0;
        }
    }
    Some(out)
}

/// How far a cell is from the outside: 0 in the white around, 1 in the rim, more inside.
fn depth(row: usize, col: usize) -> usize {
    row.min(col).min(SAMPLED - 1 - row).min(SAMPLED - 1 - col)
}

/// The word that is sampled; `None` without rim and white around.
fn word_in_even_light(values: &Values) -> Option<u64> {
    let black = level(values, 1)?;
    let white = level(values, 0)?;
    let middle = |row: usize, col: usize| 0.5 * (black.at(row, col) + white.at(row, col));
    let corners = [(1, 1), (1, SAMPLED - 2), (SAMPLED - 2, 1), (SAMPLED - 2, SAMPLED - 2)];
    if corners.iter().any(|(r, c)| !(white.at(*r, *c) - black.at(*r, *c) > LEAST_CONTRAST)) {
        return None;
    }
    word_of(values, middle, MOST_WHITE_ERRORS)
}

/// The same where a shadow's edge lies across the card: all that is black is still darker than all that is white.
fn word_in_half_shade(values: &Values) -> Option<u64> {
    let sorted = |of_depth: usize| {
        let all = (0..SAMPLED).flat_map(|r| (0..SAMPLED).map(move |c| (r, c)));
        let mut found: Vec<f64> =
            all.filter(|(r, c)| depth(*r, *c) == of_depth).map(|(r, c)| values[r][c]).collect();
        found.sort_by(f64::total_cmp);
        found
    };
    let (rim, white) = (sorted(1), sorted(0));
    let (black, white) = (rim[rim.len() - 1 - MOST_RIM_ERRORS], white[MOST_SHADE_ERRORS]);
    if !(white - black > LEAST_CONTRAST) {
        return None;
    }
    word_of(values, |_, _| 0.5 * (black + white), MOST_SHADE_ERRORS)
}

/// The word, black being what is under a level; `None` without rim and white around.
fn word_of(values: &Values, middle: impl Fn(usize, usize) -> f64, most_white_errors: usize) -> Option<u64> {
    let (mut word, mut rim_errors, mut white_errors) = (0, 0, 0);
    for (row, line) in values.iter().enumerate() {
        for (col, value) in line.iter().enumerate() {
            let is_black = *value < middle(row, col);
            match depth(row, col) {
                0 => white_errors += usize::from(is_black),
                1 => rim_errors += usize::from(!is_black),
                _ => word |= u64::from(is_black) << ((row - 2) * SIDE + col - 2),
            }
        }
    }
    (rim_errors <= MOST_RIM_ERRORS && white_errors <= most_white_errors).then_some(word)
}

/// A level that rises evenly over the card.
struct Level(Vector3<f64>);

impl Level {
    fn at(&self, row: usize, col: usize) -> f64 {
        self.0.dot(&terms(row, col))
    }
}

fn terms(row: usize, col: usize) -> Vector3<f64> {
    let half = (SAMPLED - 1) as f64 / 2.0;
    Vector3::new(1.0, (col as f64 - half) / half, (row as f64 - half) / half)
}

/// Level of the cells of a depth, without those that are far off it.
fn level(values: &Values, of_depth: usize) -> Option<Level> {
    let all = (0..SAMPLED).flat_map(|r| (0..SAMPLED).map(move |c| (r, c)));
    let mut cells: Vec<(usize, usize)> = all.filter(|(r, c)| depth(*r, *c) == of_depth).collect();
    let value = |cell: &(usize, usize)| values[cell.0][cell.1];
    // begin with the middle one and what is near it: a hand on the rim would tilt the level
    cells.sort_by(|a, b| value(a).total_cmp(&value(b)));
    let median = value(&cells[cells.len() / 2]);
    let mut off: Vec<f64> = cells.iter().map(|c| (value(c) - median).abs()).collect();
    off.sort_by(f64::total_cmp);
    let near = 2.5 * off[off.len() / 2].max(4.0);
    cells.retain(|c| (value(c) - median).abs() <= near);
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for cell in &cells {
        let row = terms(cell.0, cell.1);
        normal += row * row.transpose();
        right += row * value(cell);
    }
    Some(Level(normal.try_inverse()? * right))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cards::dictionary;

    /// A card drawn through a perspective, eight by eight samples a pixel, with light that falls off to one side.
    fn drawn(card: Card, square: &Square) -> (Vec<u8>, usize, usize) {
        drawn_in(card, square, |x, _| 0.6 + 0.4 * x / 96.0)
    }

    /// The same in a light of its own, by place in the picture.
    fn drawn_in(card: Card, square: &Square, lit: impl Fn(f64, f64) -> f64) -> (Vec<u8>, usize, usize) {
        let (width, height) = (96, 80);
        let square_from_picture = picture_from_square(square).unwrap().try_inverse().unwrap();
        let cells = card.cells();
        let light = |x: f64, y: f64| {
            let p = square_from_picture * Vector3::new(x, y, 1.0);
            let (u, v) = (p.x / p.z * SIDE_WITH_RIM as f64, p.y / p.z * SIDE_WITH_RIM as f64);
            let all = SIDE_WITH_RIM as f64;
            let on_paper =
                u > -WHITE_CELLS && v > -WHITE_CELLS && u < all + WHITE_CELLS && v < all + WHITE_CELLS;
            let on_square = u > 0.0 && v > 0.0 && u < all && v < all;
            let (col, row) = (u.floor() as isize - 1, v.floor() as isize - 1);
            let inside = |i: isize| (0..SIDE as isize).contains(&i);
            let is_black = on_square && !(inside(col) && inside(row) && !cells[row as usize][col as usize]);
            let ground = if !on_paper {
                70.0
            } else if is_black {
                25.0
            } else {
                190.0
            };
            ground * lit(x, y)
        };
        let mut luma = Vec::new();
        for y in 0..height {
            for x in 0..width {
                let mut sum = 0.0;
                for k in 0..64 {
                    let (dx, dy) = (f64::from(k % 8) / 8.0 - 0.4375, f64::from(k / 8) / 8.0 - 0.4375);
                    sum += light(x as f64 + dx, y as f64 + dy);
                }
                luma.push((sum / 64.0) as u8);
            }
        }
        (luma, width, height)
    }

    #[test]
    fn truth_cards_are_read_with_a_shadow_s_edge_across_them() {
        let corner = |x: f64, y: f64| RawPixel::new(x, y);
        let square = [corner(31.3, 24.2), corner(54.0, 28.6), corner(52.4, 51.0), corner(27.7, 49.3)];
        let mut read_right = 0;
        let cards: Vec<Card> = (0..crate::cards::COUNT).step_by(41).filter_map(Card::of).collect();
        for card in &cards {
            // a diagonal edge through the middle, beyond which half of the light is left
            let (luma, width, height) =
                drawn_in(*card, &square, |x, y| if x - 41.0 > y - 38.0 { 1.0 } else { 0.5 });
            let seen = read(&Grey { luma: &luma, width, height }, &square);
            assert!(seen.is_none_or(|s| s.card == *card), "{card:?}");
            read_right += usize::from(seen.is_some());
        }
        assert_eq!(read_right, cards.len());
    }

    #[test]
    fn truth_cards_are_read_in_every_turn_from_corners_a_pixel_off() {
        let corner = |x: f64, y: f64| RawPixel::new(x, y);
        // tilted by a perspective, 3 px a cell
        let square = [corner(31.3, 24.2), corner(54.0, 28.6), corner(52.4, 51.0), corner(27.7, 49.3)];
        for number in (0..crate::cards::COUNT).step_by(41) {
            let Some(card) = Card::of(number) else { continue };
            for turn in 0..4 {
                let turned = std::array::from_fn(|i| square[(i + turn) % 4]);
                let (luma, width, height) = drawn(card, &turned);
                let picture = Grey { luma: &luma, width, height };
                let off = square.map(|p| corner(p.x_px + 0.9, p.y_px - 0.8));
                let seen = read(&picture, &off).unwrap_or_else(|| panic!("{card:?} turn {turn}"));
                assert_eq!(seen.card, card);
                for (found, truth) in seen.corners.iter().zip(&turned) {
                    let away = (found.x_px - truth.x_px).hypot(found.y_px - truth.y_px);
                    assert!(away < 0.5, "{card:?} turn {turn}: {away}");
                }
                // seen in a mirror it is no card, or a different square's
                let mirrored: Vec<u8> =
                    luma.chunks(width).flat_map(|row| row.iter().rev().copied()).collect();
                let picture = Grey { luma: &mirrored, width, height };
                let across = square.map(|p| corner(width as f64 - 1.0 - p.x_px, p.y_px));
                assert!(read(&picture, &across).is_none_or(|s| s.card != card));
            }
        }
    }

    #[test]
    fn no_card_where_there_is_no_light_no_rim_or_a_square_of_nothing() {
        let point = RawPixel::new(20.0, 20.0);
        let dark = vec![20; 96 * 80];
        let picture = Grey { luma: &dark, width: 96, height: 80 };
        assert_eq!(read(&picture, &[point; 4]), None);
        let square = [point, RawPixel::new(50.0, 20.0), RawPixel::new(50.0, 50.0), RawPixel::new(20.0, 50.0)];
        assert_eq!(read(&picture, &square), None);
        assert_eq!(read(&picture, &square.map(|p| RawPixel::new(p.x_px + f64::NAN, p.y_px))), None);
        // outside of the picture
        assert_eq!(read(&picture, &square.map(|p| RawPixel::new(p.x_px + 60.0, p.y_px))), None);
        // a black square on white without a word in it
        let mut plain = vec![200; 96 * 80];
        (20..50).for_each(|y| plain[y * 96 + 20..y * 96 + 50].fill(20));
        assert_eq!(read(&Grey { luma: &plain, width: 96, height: 80 }, &square), None);
        assert!(dictionary::nearest(0).is_none() && dictionary::nearest((1 << 36) - 1).is_none());
    }
}
