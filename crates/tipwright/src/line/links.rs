//! Faint places of the search that hang together: compression leaves short pieces of curves everywhere, a line goes on.
//!
//! Two limits, as in hysteresis thresholding (Canny, IEEE Trans. Pattern Anal. Mach. Intell. 8 (1986) 679, from memory):
//! a place above the upper one stands by itself, one above the lower one only with enough others before and behind it.

/// Directions of search: steps along and across.
pub(super) const DIRECTIONS: [[isize; 4]; 4] = [[1, 0, 0, 1], [1, 1, 1, -1], [0, 1, 1, 0], [1, -1, 1, 1]];

/// A place of the search: half-size pixel, sign of its ridge, direction and response.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub x: usize,
    pub y: usize,
    pub bright: bool,
    /// Index into the directions of search.
    pub direction: usize,
    pub response: i16,
}

/// Steps looked ahead each way: 24 pixels of the full picture, 13 cm of a line 8 m away.
const STEPS: usize = 12;
/// Steps in a row without a place at which a curve has ended.
const LONGEST_GAP: usize = 3;

/// Marks around the picture, so that nothing followed leaves them: a step goes one on and one aside at most.
const MARGIN: usize = 2 * STEPS + 1;

/// A picture of the places, for looking around.
#[derive(Debug, Default)]
pub(super) struct Links {
    width: usize,
    marks: Vec<u8>,
}

impl Links {
    /// Removes the places that are not above `alone` and have fewer than `fewest` others along their curve.
    pub fn keep_linked(&mut self, places: &mut Vec<Place>, size: [usize; 2], alone: i16, fewest: usize) {
        let [width, height] = size;
        self.width = width + 2 * MARGIN;
        self.marks.resize(self.width * (height + 2 * MARGIN), 0);
        for p in places.iter() {
            let at = self.at(p);
            self.marks[at] = mark(p);
        }
        // the marks of all stay until all are judged, so that their order does not matter
        let linked = |p: &Place| {
            let ahead = self.along(p, 1, fewest);
            ahead >= fewest || ahead + self.along(p, -1, fewest - ahead) >= fewest
        };
        let mut kept = 0;
        for i in 0..places.len() {
            if places[i].response > alone || linked(&places[i]) {
                places.swap(kept, i);
                kept += 1;
            }
        }
        for p in places.iter() {
            let at = self.at(p);
            self.marks[at] = 0;
        }
        places.truncate(kept);
    }

    fn at(&self, p: &Place) -> usize {
        (p.y + MARGIN) * self.width + p.x + MARGIN
    }

    /// Places met from one on, one way, up to `enough`.
    fn along(&self, from: &Place, sign: isize, enough: usize) -> usize {
        let (mut at, mut direction) = (self.at(from), from.direction);
        let (mut toward, mut found, mut gap) = (sign, 0, 0);
        for _ in 0..STEPS {
            let [ax, ay, cx, cy] = DIRECTIONS[direction];
            at = at.wrapping_add_signed(toward * (ay * self.width as isize + ax));
            let aside = cy * self.width as isize + cx;
            let met = [0, aside, -aside]
                .map(|k| at.wrapping_add_signed(k))
                .into_iter()
                .find(|at| ALIKE[direction][usize::from(from.bright)] >> self.marks[*at] & 1 == 1);
            if let Some(place) = met {
                let next = usize::from(self.marks[place] >> 1) - 1;
                // the same way on, whichever way the new direction is written
                let [bx, by, ..] = DIRECTIONS[next];
                match (bx * ax + by * ay) * toward {
                    0 => {}
                    same => toward = same.signum(),
                }
                (at, direction) = (place, next);
                (found, gap) = (found + 1, 0);
                if found == enough {
                    break;
                }
            } else {
                gap += 1;
                if gap > LONGEST_GAP {
                    break;
                }
            }
        }
        found
    }
}

/// Marks that go on with a direction, dark or bright, as bits: any direction but the one across.
const ALIKE: [[u16; 2]; 4] = {
    let mut out = [[0; 2]; 4];
    let mut k = 0;
    while k < 32 {
        let (direction, bright, other) = (k / 8, k / 4 % 2, k % 4);
        if (4 + other - direction) % 4 != 2 {
            out[direction][bright] |= 1 << (((other + 1) << 1) | bright);
        }
        k += 1;
    }
    out
};

fn mark(p: &Place) -> u8 {
    ((p.direction as u8 + 1) << 1) | u8::from(p.bright)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(x: usize, y: usize, direction: usize, bright: bool) -> Place {
        Place { x, y, bright, direction, response: 10 }
    }

    fn kept(mut places: Vec<Place>) -> Vec<(usize, usize)> {
        Links::default().keep_linked(&mut places, [100, 80], 20, 8);
        let mut at: Vec<_> = places.iter().map(|p| (p.x, p.y)).collect();
        at.sort_unstable();
        at
    }

    #[test]
    fn a_faint_curve_stays_where_it_goes_on_and_turns() {
        // level, then downward to the right, every third place missing
        let mut places: Vec<Place> = (20..40).filter(|x| x % 3 != 0).map(|x| place(x, 30, 0, true)).collect();
        places.extend((1..12).filter(|k| k % 3 != 0).map(|k| place(39 + k, 30 + k, 1, true)));
        assert_eq!(kept(places.clone()).len(), places.len());
    }

    #[test]
    fn short_pieces_and_what_runs_across_or_is_darker_go() {
        let short = (20..27).map(|x| place(x, 30, 0, true));
        let across = (50..70).map(|x| place(x, 20, 2, true));
        let beside = (20..60).map(|x| place(x, 60, 0, false)).chain([place(40, 61, 0, true)]);
        assert_eq!(kept(short.clone().collect()), []);
        assert_eq!(kept(across.collect()), []);
        let beside = kept(beside.collect());
        assert!(beside.len() == 40 && !beside.contains(&(40, 61)));
        let mut strong: Vec<Place> = short.collect();
        strong[3].response = 21;
        assert_eq!(kept(strong), [(23, 30)]);
    }

    #[test]
    fn a_picture_is_left_as_it_was_found() {
        let mut links = Links::default();
        let line: Vec<Place> = (20..60).map(|x| place(x, 30, 0, true)).collect();
        links.keep_linked(&mut line.clone(), [100, 80], 20, 8);
        let mut lone = vec![place(40, 31, 0, true)];
        links.keep_linked(&mut lone, [100, 80], 20, 8);
        assert!(lone.is_empty());
    }
}
