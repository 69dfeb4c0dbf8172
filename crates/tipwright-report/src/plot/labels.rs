//! Labels that do not lie on each other: each is tried at places around its point, nearest first, until it
//! overlaps no other label and as little of the drawing as possible.

use super::svg::{Anchor, Svg, Xy, coordinate};

/// Height of a line of text over its font size.
const LINE_EM: f64 = 1.22;
/// Width of an average character over the font size, on the wide side: the reader's fonts are not known here.
const CHARACTER_EM: f64 = 0.59;

/// Estimated width of a text.
#[must_use]
pub fn text_width(content: &str, font_size: f64) -> f64 {
    content.chars().filter(|c| !matches!(c, '\u{200a}')).count() as f64 * CHARACTER_EM * font_size
}

/// An upright rectangle.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    /// Left.
    pub left: f64,
    /// Top.
    pub top: f64,
    /// Right.
    pub right: f64,
    /// Bottom.
    pub bottom: f64,
}

impl Area {
    /// Both have a point in common.
    #[must_use]
    pub fn overlaps(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }

    /// The point lies inside.
    #[must_use]
    pub fn holds(&self, (x, y): Xy) -> bool {
        x > self.left && x < self.right && y > self.top && y < self.bottom
    }

    fn inside(&self, other: &Self) -> bool {
        self.left >= other.left
            && self.right <= other.right
            && self.top >= other.top
            && self.bottom <= other.bottom
    }

    /// Nearest point of the rectangle.
    fn nearest(&self, (x, y): Xy) -> Xy {
        (x.clamp(self.left, self.right), y.clamp(self.top, self.bottom))
    }
}

/// Area of a text hung on its baseline.
#[must_use]
pub fn text_area(at: Xy, anchor: Anchor, content: &str, font_size: f64) -> Area {
    let width = text_width(content, font_size);
    let left = match anchor {
        Anchor::Start => at.0,
        Anchor::Middle => at.0 - width / 2.0,
        Anchor::End => at.0 - width,
    };
    Area {
        left,
        top: at.1 - 0.92 * font_size,
        right: left + width,
        bottom: at.1 + (LINE_EM - 0.92) * font_size,
    }
}

/// What is already taken on a panel.
#[derive(Debug, Clone)]
pub struct Labels {
    bounds: Area,
    taken: Vec<Area>,
    ink: Vec<Xy>,
    font_size: f64,
}

/// Where a label went.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placed {
    /// Baseline start.
    pub at: Xy,
    /// Its area.
    pub area: Area,
}

impl Placed {
    /// Where its text hangs: at the side that its point and its leader are on, for the area is as wide as the widest letters would be.
    #[must_use]
    pub fn hung(&self, point: Xy) -> (Xy, Anchor) {
        let share =
            (self.area.nearest(point).0 - self.area.left) / (self.area.right - self.area.left).max(1e-9);
        let (x, anchor) = if share < 0.3 {
            (self.area.left, Anchor::Start)
        } else if share > 0.7 {
            (self.area.right, Anchor::End)
        } else {
            (0.5 * (self.area.left + self.area.right), Anchor::Middle)
        };
        ((x, self.at.1), anchor)
    }
}

impl Labels {
    /// Nothing taken inside `bounds`.
    #[must_use]
    pub fn new(bounds: Area, font_size: f64) -> Self {
        Self { bounds, taken: Vec::new(), ink: Vec::new(), font_size }
    }

    /// Text already set here.
    pub fn take(&mut self, area: Area) {
        self.taken.push(area);
    }

    /// A mark, which labels never cover.
    pub fn take_mark(&mut self, (x, y): Xy) {
        self.taken.push(Area { left: x - 5.0, top: y - 5.0, right: x + 5.0, bottom: y + 5.0 });
    }

    /// Distance from one line of a label to the next.
    #[must_use]
    pub fn line_height(&self) -> f64 {
        LINE_EM * self.font_size
    }

    /// A line of the drawing, which labels would rather not cover. Points in between are filled in.
    pub fn ink(&mut self, points: &[Xy]) {
        const STEP: f64 = 5.0;
        for pair in points.windows(2) {
            let (dx, dy) = (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1);
            let steps = (dx.hypot(dy) / STEP).ceil().clamp(1.0, 400.0);
            let mut k = 0.0;
            while k < steps {
                self.ink.push((pair[0].0 + dx * k / steps, pair[0].1 + dy * k / steps));
                k += 1.0;
            }
        }
        self.ink.extend(points.last());
    }

    /// Finds a place for `content` near `point`, nearest first, preferring the side `(dx, dy)` points to.
    /// `None` when every place would lie on another label.
    pub fn place(&mut self, point: Xy, toward: Xy, lines: &[String]) -> Option<Placed> {
        let width = lines.iter().map(|l| text_width(l, self.font_size)).fold(0.0, f64::max);
        let height = LINE_EM * self.font_size * lines.len() as f64;
        let mut best: Option<(f64, Area)> = None;
        for distance in [7.0, 13.0, 20.0, 29.0, 40.0, 55.0, 75.0, 100.0, 130.0, 165.0] {
            for turn in 0..16 {
                let (sin, cos) = (f64::from(turn) * std::f64::consts::TAU / 16.0).sin_cos();
                let centre = (
                    point.0 + cos * (distance + width / 2.0 * cos.abs().powf(0.5)),
                    point.1 + sin * (distance + height / 2.0),
                );
                let area = Area {
                    left: centre.0 - width / 2.0,
                    right: centre.0 + width / 2.0,
                    top: centre.1 - height / 2.0,
                    bottom: centre.1 + height / 2.0,
                };
                if !area.inside(&self.bounds) || self.taken.iter().any(|t| t.overlaps(&area)) {
                    continue;
                }
                let covered = self.ink.iter().filter(|p| area.holds(**p)).count();
                let length = toward.0.hypot(toward.1);
                let against =
                    if length > 0.0 { 1.0 - (cos * toward.0 + sin * toward.1) / length } else { 0.0 };
                let cost = distance + 11.0 * against + 40.0 * covered as f64;
                if best.is_none_or(|(least, _)| cost < least) {
                    best = Some((cost, area));
                }
            }
        }
        let (_, area) = best?;
        self.taken.push(area);
        Some(Placed { at: (area.left, area.top + 0.92 * self.font_size), area })
    }

    /// The way from a point to its label, which later labels would rather not cover.
    pub fn ink_to(&mut self, point: Xy, placed: &Placed) {
        let near = placed.area.nearest(point);
        if (near.0 - point.0).hypot(near.1 - point.1) >= 13.0 {
            self.ink(&[point, near]);
        }
    }

    /// Draws the thin line from a point to a label that had to move away.
    pub fn leader(svg: &mut Svg, point: Xy, placed: &Placed) {
        let near = placed.area.nearest(point);
        let (dx, dy) = (near.0 - point.0, near.1 - point.1);
        if dx.hypot(dy) < 13.0 {
            return;
        }
        let from = (point.0 + dx * 5.0 / dx.hypot(dy), point.1 + dy * 5.0 / dx.hypot(dy));
        svg.path(
            "leader",
            &format!(
                "M{} {}L{} {}",
                coordinate(from.0),
                coordinate(from.1),
                coordinate(near.0),
                coordinate(near.1)
            ),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn placed_labels_never_overlap(points in prop::collection::vec((20.0..380.0f64, 20.0..180.0f64), 1..9)) {
            let bounds = Area { left: 0.0, top: 0.0, right: 400.0, bottom: 200.0 };
            let mut labels = Labels::new(bounds, 12.0);
            let mut areas: Vec<Area> = Vec::new();
            for point in points {
                if let Some(placed) = labels.place(point, (0.0, -1.0), &["dip 31 mm".to_owned()]) {
                    for other in &areas {
                        prop_assert!(!other.overlaps(&placed.area));
                    }
                    prop_assert!(placed.area.inside(&bounds));
                    areas.push(placed.area);
                }
            }
            prop_assert!(!areas.is_empty());
        }
    }
}
