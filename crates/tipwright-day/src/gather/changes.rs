//! Which parts of a picture do not look as they did when they were last searched.
//!
//! Every few pixels one is kept. What differs in a block of the smallest card's size and more is a change; glints on water are smaller. How
//! much a pixel must differ is told by what most of them differ by from look to look, which is noise. Light changes all.

use tipwright::model::footage::{Plane, PlaneData, Window};

/// Pixels kept along the longer side: a card of 17 cm at 15 m, the smallest that is read, holds four times four of them, a glint or a tip's
/// marker at 8 m five to nine.
const ACROSS: usize = 640;
/// Kept pixels along the sides of a cell; two by two cells are a block, so that the smallest card lies in one wherever it is.
const CELL: usize = 8;
/// So many that differ change a block: of the smallest card's sixteen some are as bright as what was there.
const LEAST: usize = 10;
/// A pixel has changed that differs by so many times what all but a hundredth of them differ by, and by so many code values at least: a
/// card's square is darker than its surroundings by 7. Noise is larger here than there; of a block's 256 it makes ten never.
const SURE: f64 = 1.5;
const LEAST_STEP: f64 = 5.0;
/// No more than this is believed to be noise, code values, for people move too; and it is forgotten by so much a look, for some pictures
/// are another's repetition.
const MOST_NOISE: f64 = 8.0;
const FORGOTTEN: f64 = 0.05;
/// Cells around a changed one that are searched with it, a twentieth of the longer side: of a card, nearly all changes when it is held up.
const MARGIN: usize = 4;

/// Pictures of one clip, one after another.
#[derive(Default)]
pub(super) struct Changes {
    /// Pixels of the picture to a kept one.
    step: usize,
    /// Kept ones across and down.
    size: [usize; 2],
    /// Each as it was when its part was last searched; empty before the first look.
    searched: Vec<u8>,
    now: Vec<u8>,
    /// What all but a hundredth of the pixels differ by from look to look.
    noise: f64,
}

impl Changes {
    /// The parts of the picture that look otherwise than when they were last given, which they count as from now on; all of it at first.
    pub(super) fn parts(&mut self, luma: &Plane<'_>) -> Vec<Window> {
        self.keep(luma);
        let [width, height] = self.size;
        if self.searched.len() != self.now.len() {
            self.searched.clone_from(&self.now);
            return vec![Window::whole([luma.width as u32, luma.height as u32])];
        }
        let changed = self.changed_cells();
        let boxes = boxes(&changed, width.div_ceil(CELL));
        for [left, top, right, bottom] in &boxes {
            let [from, to] = [left * CELL, (right * CELL).min(width)];
            for row in top * CELL..(bottom * CELL).min(height) {
                let own = row * width + from..row * width + to;
                self.searched[own.clone()].copy_from_slice(&self.now[own]);
            }
        }
        let px = |cells: usize, all: usize| (cells * CELL * self.step).min(all) as u32;
        let window = |[left, top, right, bottom]: [usize; 4]| {
            let from_px = [px(left, luma.width), px(top, luma.height)];
            let end_px = [px(right, luma.width), px(bottom, luma.height)];
            Window { from_px, size_px: [end_px[0] - from_px[0], end_px[1] - from_px[1]] }
        };
        boxes.into_iter().map(window).collect()
    }

    /// All is given again at the next look.
    pub(super) fn forget(&mut self) {
        self.searched.clear();
    }

    fn keep(&mut self, luma: &Plane<'_>) {
        self.step = luma.width.max(luma.height).div_ceil(ACROSS).max(1);
        self.size = [luma.width.div_ceil(self.step), luma.height.div_ceil(self.step)];
        self.now.clear();
        for row in (0..luma.height).step_by(self.step) {
            let own = row * luma.stride..row * luma.stride + luma.width;
            match luma.data {
                PlaneData::Bits8(data) => self.now.extend(data[own].iter().step_by(self.step)),
                PlaneData::Bits10(data) => {
                    self.now.extend(data[own].iter().step_by(self.step).map(|v| (v >> 2) as u8));
                }
            }
        }
    }

    /// Cells, row by row, that lie in a block in which enough pixels differ.
    fn changed_cells(&mut self) -> Vec<bool> {
        self.noise = ((1.0 - FORGOTTEN) * self.noise).max(self.most_differ_by()).min(MOST_NOISE);
        let limit = (SURE * self.noise).max(LEAST_STEP) as u8;
        let [width, height] = self.size;
        let (across, down) = (width.div_ceil(CELL), height.div_ceil(CELL));
        let mut differing = vec![0_usize; across * down];
        for row in 0..height {
            let own = row * width..(row + 1) * width;
            let cells = self.now[own.clone()].chunks(CELL).zip(self.searched[own].chunks(CELL));
            for (count, (now, before)) in differing[row / CELL * across..].iter_mut().zip(cells) {
                *count += now.iter().zip(before).filter(|(a, b)| a.abs_diff(**b) > limit).count();
            }
        }
        let mut out = vec![false; differing.len()];
        for (row, column) in (1..down).flat_map(|row| (1..across).map(move |column| (row, column))) {
            let last = row * across + column;
            let block = [last, last - 1, last - across, last - across - 1];
            if block.iter().map(|cell| differing[*cell]).sum::<usize>() >= LEAST {
                block.iter().for_each(|cell| out[*cell] = true);
            }
        }
        out
    }

    /// What all but a hundredth of the pixels differ by from what was searched.
    fn most_differ_by(&self) -> f64 {
        // every seventh tells it as well
        let mut counts = [0_usize; 256];
        let pairs = self.now.iter().zip(&self.searched).step_by(7);
        pairs.for_each(|(a, b)| counts[usize::from(a.abs_diff(*b))] += 1);
        let most = counts.iter().sum::<usize>() * 99 / 100;
        let mut below = 0;
        let place = counts.iter().position(|count| {
            below += count;
            below > most
        });
        place.unwrap_or(0) as f64
    }
}

/// Boxes (left, top, right, bottom; ends beyond) that hold all cells that are set, with a margin, and have none in common.
fn boxes(set: &[bool], across: usize) -> Vec<[usize; 4]> {
    let down = set.len() / across.max(1);
    let is_set = |row: usize, column: usize| set[row * across + column];
    let mut out = Vec::new();
    for [top, bottom] in runs(down, &|row| (0..across).any(|column| is_set(row, column))) {
        let columns = runs(across, &|column| (top..bottom).any(|row| is_set(row, column)));
        out.extend(columns.into_iter().map(|[left, right]| [left, top, right, bottom]));
    }
    out
}

/// Runs of places that are set, each with a margin; runs that then meet are one.
fn runs(count: usize, is_set: &dyn Fn(usize) -> bool) -> Vec<[usize; 2]> {
    let mut out: Vec<[usize; 2]> = Vec::new();
    for place in (0..count).filter(|place| is_set(*place)) {
        let (from, to) = (place.saturating_sub(MARGIN), (place + MARGIN + 1).min(count));
        match out.last_mut().filter(|last| from <= last[1]) {
            Some(last) => last[1] = to,
            None => out.push([from, to]),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    const SIZE: [usize; 2] = [1280, 720];

    /// Trees and grass with a phone's noise, a little brighter or darker than they are.
    fn picture(seed: u64, brighter: f64) -> Vec<u8> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let ground = |x: usize, y: usize| 90.0 + 30.0 * (0.05 * x as f64).sin() * (0.07 * y as f64).cos();
        let places = (0..SIZE[1]).flat_map(|y| (0..SIZE[0]).map(move |x| (x, y)));
        places
            .map(|(x, y)| {
                let noise: f64 = (0..6).map(|_| rng.random_range(-2.5..2.5)).sum::<f64>() / 2.0;
                (ground(x, y) + brighter + noise).round() as u8
            })
            .collect()
    }

    /// Half black and half white cells of 2 pixels, as bright in the mean as what is around, `side` pixels wide.
    fn hold_up(picture: &mut [u8], [left, top]: [usize; 2], side: usize) {
        for (x, y) in (0..side).flat_map(|y| (0..side).map(move |x| (x, y))) {
            let pixel = &mut picture[(top + y) * SIZE[0] + left + x];
            *pixel = if (x / 2 + y / 2) % 2 == 0 { *pixel - 40 } else { *pixel + 40 };
        }
    }

    fn parts(changes: &mut Changes, picture: &[u8]) -> Vec<Window> {
        let [width, height] = SIZE;
        changes.parts(&Plane { data: PlaneData::Bits8(picture), width, height, stride: width })
    }

    fn share(windows: &[Window]) -> f64 {
        let area: u32 = windows.iter().map(|w| w.size_px[0] * w.size_px[1]).sum();
        f64::from(area) / (SIZE[0] * SIZE[1]) as f64
    }

    fn holds(windows: &[Window], from: [usize; 2], side: usize) -> bool {
        let ends = |w: &Window, k: usize| {
            (w.from_px[k] as usize) < from[k] && from[k] + side < (w.from_px[k] + w.size_px[k]) as usize
        };
        windows.iter().any(|w| ends(w, 0) && ends(w, 1))
    }

    #[test]
    fn noise_is_no_change_and_the_smallest_card_anywhere_is_one() {
        let mut changes = Changes::default();
        assert_eq!(share(&parts(&mut changes, &picture(1, 0.0))), 1.0);
        for seed in 2..12 {
            assert_eq!(parts(&mut changes, &picture(seed, 0.0)), [], "{seed}");
            // what some encoders write: the same picture again
            assert_eq!(parts(&mut changes, &picture(1, 0.0)), [], "{seed}");
        }
        // glints on the water, 5 pixels wide
        let mut glints = picture(12, 0.0);
        for left in (20..1240).step_by(60) {
            (0..25).for_each(|i| glints[(600 + i / 5) * SIZE[0] + left + i % 5] = 250);
        }
        assert_eq!(parts(&mut changes, &glints), []);
        // its corner anywhere within a cell
        for (k, at) in [[300, 200], [305, 207], [311, 203], [940, 655], [7, 9]].into_iter().enumerate() {
            let mut with_card = picture(20 + k as u64, 0.0);
            hold_up(&mut with_card, at, 12);
            let found = parts(&mut changes, &with_card);
            let margin = [at[0] - 4, at[1] - 4];
            assert!(holds(&found, margin, 20) && share(&found) < 0.25, "{at:?}: {found:?}");
            // what was searched is no change any more; what is gone is one
            let still = parts(&mut changes, &with_card);
            assert!(!holds(&still, margin, 20), "{at:?}: {still:?}");
            assert!(holds(&parts(&mut changes, &picture(40 + k as u64, 0.0)), margin, 20), "{at:?}");
        }
        changes.forget();
        assert_eq!(share(&parts(&mut changes, &picture(60, 0.0))), 1.0);
    }

    #[test]
    fn two_places_are_two_parts_and_light_changes_all_however_slowly_it_does() {
        let mut changes = Changes::default();
        parts(&mut changes, &picture(1, 0.0));
        let mut two = picture(2, 0.0);
        hold_up(&mut two, [100, 100], 30);
        hold_up(&mut two, [1000, 120], 30);
        let found = parts(&mut changes, &two);
        assert!(found.len() == 2 && share(&found) < 0.25, "{found:?}");
        let mut changes = Changes::default();
        parts(&mut changes, &picture(3, 0.0));
        assert!(share(&parts(&mut changes, &picture(4, 25.0))) > 0.9);
        let slowly: f64 =
            (0..20).map(|k| share(&parts(&mut changes, &picture(5 + k, 25.0 - k as f64)))).sum();
        assert!(slowly > 0.9, "{slowly}");
    }
}
