//! Labels that lie on nothing: each is tried at places around its point, nearest first, until it overlaps no other label, no mark
//! and no curve, and its leader runs through none of them. Only over guides (rules of the grid, moments, zero) may a text stand.

use super::area::{Area, LINE_EM, text_width};
use super::frame::{DrawnUnits, Words, dual_text};
use super::svg::{Anchor, Svg, Xy, coordinate};

/// Places along a line where its name may stand, the wanted share of it first.
#[must_use]
pub fn along(line: &[Xy], share: f64) -> Vec<Xy> {
    let steps = [0.0, 0.12, -0.12, 0.24, -0.24, 0.36, -0.36, 0.48, -0.48].map(|by| share + by);
    let index = |f: f64| ((line.len() as f64 * f) as usize).min(line.len().saturating_sub(1));
    steps.iter().filter(|f| (0.0..=1.0).contains(*f)).filter_map(|&f| line.get(index(f)).copied()).collect()
}

/// What is already taken on a panel.
#[derive(Debug, Clone)]
pub struct Labels {
    bounds: Area,
    taken: Vec<Area>,
    ink: Vec<Xy>,
    guides: Vec<Xy>,
    wishes: Vec<Wish>,
    font_size: f64,
}

/// A text, and where it would be.
#[derive(Debug, Clone)]
struct Wish {
    class: String,
    points: Vec<Xy>,
    toward: Xy,
    words: Words,
}

/// Shortest leader that is drawn: a label nearer than that needs none.
const SHORTEST_LEADER: f64 = 13.0;
/// A leader may leave its own curve over so far.
const LEAVES: f64 = 7.0;
/// From one point of a filled line to the next.
const STEP: f64 = 2.5;
/// What crossing a point of a curve with a leader, and covering a point of a guide costs, in drawing units of distance.
const CROSSED: f64 = 5.0;
const GUIDED: f64 = 1.5;
/// Cost of a text that came out easily: near its point, over nothing.
const EASY: f64 = 40.0;
/// And what it costs to leave a text out.
const LEFT_OUT: f64 = 2000.0;

/// The way of a leader.
struct Way {
    from: Xy,
    unit: Xy,
    length: f64,
}

impl Way {
    /// From a point to a label so far from it that it needs one.
    fn of_leader(from: Xy, label: &Area) -> Option<Self> {
        let to = label.nearest(from);
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        let over = length.max(1e-9);
        (length >= SHORTEST_LEADER).then_some(Self { from, unit: (dx / over, dy / over), length })
    }

    /// It runs over a point of a curve, but for the one it sets out from.
    fn meets(&self, p: Xy) -> bool {
        let (x, y) = (p.0 - self.from.0, p.1 - self.from.1);
        let along = x * self.unit.0 + y * self.unit.1;
        along > LEAVES && along < self.length && (x * self.unit.1 - y * self.unit.0).abs() < 0.5 * STEP
    }
}

/// Puts points along a line, ends included.
fn fill(into: &mut Vec<Xy>, points: &[Xy]) {
    for pair in points.windows(2) {
        let (dx, dy) = (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1);
        let steps = (dx.hypot(dy) / STEP).ceil().clamp(1.0, 400.0);
        let mut k = 0.0;
        while k < steps {
            into.push((pair[0].0 + dx * k / steps, pair[0].1 + dy * k / steps));
            k += 1.0;
        }
    }
    into.extend(points.last());
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
        Self { bounds, taken: Vec::new(), ink: Vec::new(), guides: Vec::new(), wishes: Vec::new(), font_size }
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
    fn line_height(&self) -> f64 {
        LINE_EM * self.font_size
    }

    /// A curve of the drawing, which labels do not cover. Points in between are filled in.
    pub fn ink(&mut self, points: &[Xy]) {
        fill(&mut self.ink, points);
    }

    /// A line that only guides the eye: labels would rather stand beside it.
    pub fn guide(&mut self, points: &[Xy]) {
        fill(&mut self.guides, points);
    }

    /// A text that is wanted near one of the points, preferring the side `(dx, dy)` points to. It is set by [`Labels::set`], when
    /// everything is drawn.
    pub fn wish(&mut self, class: &str, points: &[Xy], toward: Xy, words: Words) {
        let points = points.to_vec();
        self.wishes.push(Wish { class: class.to_owned(), points, toward, words });
    }

    /// Sets all texts that were wished for, with leaders where they had to move away; one that finds no place is left out. Who comes first has most choice: where it does not
    /// come out easily each is tried as the first of them, pairs where one is left out, and the best is kept.
    pub fn set(mut self, svg: &mut Svg, units: DrawnUnits) {
        let wishes = std::mem::take(&mut self.wishes);
        let many = wishes.len();
        let order = |first: &[usize]| {
            first.iter().copied().chain((0..many).filter(|k| !first.contains(k))).collect::<Vec<_>>()
        };
        let singles = (0..many).map(|k| order(&[k]));
        let backwards = std::iter::once((0..many).rev().collect::<Vec<_>>());
        let pairs = (0..many).flat_map(|k| (0..many).filter(move |&j| j != k).map(move |j| [k, j]));
        let mut best = (f64::INFINITY, Vec::new());
        for (k, order) in singles.chain(backwards).chain(pairs.map(|p| order(&p))).enumerate() {
            let tried = self.clone().placed(&wishes, &order, units);
            if tried.0 < best.0 {
                best = tried;
            }
            // pairs only where one was left out
            if best.0 < EASY * many as f64 || k >= many && best.0 < LEFT_OUT {
                break;
            }
        }
        for (k, point, placed) in best.1 {
            Self::leader(svg, point, &placed);
            let words = &wishes[k].words;
            dual_text(svg, &wishes[k].class, placed.hung(point), self.line_height(), words, units);
        }
    }

    /// Places in that order: what they cost together, and whose is where.
    fn placed(
        mut self,
        wishes: &[Wish],
        order: &[usize],
        units: DrawnUnits,
    ) -> (f64, Vec<(usize, Xy, Placed)>) {
        let (mut cost, mut out) = (0.0, Vec::new());
        for &k in order {
            let wish = &wishes[k];
            match self.place(&wish.points, wish.toward, &wish.words.lines(units)) {
                Some((own, point, placed)) => {
                    cost += own;
                    self.ink_to(point, &placed);
                    out.push((k, point, placed));
                }
                None => cost += LEFT_OUT,
            }
        }
        (cost, out)
    }

    /// Finds a place for a text near one of the points, nearest first, with what it costs. `None` when every place would lie on
    /// something.
    fn place(&mut self, points: &[Xy], toward: Xy, lines: &[String]) -> Option<(f64, Xy, Placed)> {
        let width = lines.iter().map(|l| text_width(l, self.font_size)).fold(0.0, f64::max);
        let height = LINE_EM * self.font_size * lines.len() as f64;
        let long = toward.0.hypot(toward.1).max(1e-9);
        let mut best: Option<(f64, Xy, Area)> = None;
        for distance in [7.0, 13.0, 20.0, 29.0, 40.0, 55.0, 75.0, 100.0, 130.0, 165.0, 205.0, 250.0] {
            for (k, &point) in points.iter().enumerate() {
                for turn in 0..24 {
                    let (sin, cos) = (f64::from(turn) * std::f64::consts::TAU / 24.0).sin_cos();
                    let against = 1.0 - (cos * toward.0 + sin * toward.1) / long;
                    let least = distance + 11.0 * against + 2.0 * k as f64;
                    // what it lies on only adds to it
                    if best.is_some_and(|b| least >= b.0) {
                        continue;
                    }
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
                    let Some(cost) = self.lies_on(point, &area).map(|on| least + on) else { continue };
                    if best.is_none_or(|b| cost < b.0) {
                        best = Some((cost, point, area));
                    }
                }
            }
        }
        let (cost, point, area) = best?;
        self.taken.push(area);
        Some((cost, point, Placed { at: (area.left, area.top + 0.92 * self.font_size), area }))
    }

    /// What a label there would cost for what it and its leader lie on; `None` where it cannot stand.
    fn lies_on(&self, point: Xy, area: &Area) -> Option<f64> {
        if !area.inside(&self.bounds) || self.taken.iter().any(|t| t.overlaps(area)) {
            return None;
        }
        if self.ink.iter().any(|p| area.holds(*p)) {
            return None;
        }
        let cost = GUIDED * self.guides.iter().filter(|p| area.holds(**p)).count() as f64;
        let Some(way) = Way::of_leader(point, area) else { return Some(cost) };
        let end = area.nearest(point);
        // its own mark, and whatever else is at the point itself, is where it comes from
        if self.taken.iter().any(|t| !t.holds(point) && t.meets(point, end)) {
            return None;
        }
        let met = self.ink.iter().filter(|p| way.meets(**p)).count() as f64;
        Some(cost + CROSSED * met)
    }

    /// The way from a point to its label, which later labels would rather not cover.
    fn ink_to(&mut self, point: Xy, placed: &Placed) {
        if Way::of_leader(point, &placed.area).is_some() {
            self.ink(&[point, placed.area.nearest(point)]);
        }
    }

    /// Draws the thin line from a point to a label that had to move away.
    fn leader(svg: &mut Svg, point: Xy, placed: &Placed) {
        let Some(way) = Way::of_leader(point, &placed.area) else { return };
        let near = placed.area.nearest(point);
        let from = (point.0 + 5.0 * way.unit.0, point.1 + 5.0 * way.unit.1);
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
        /// Of many points and any curve: what is set lies on no other text, on no mark and no curve, and no leader runs through a text.
        #[test]
        fn labels_lie_on_nothing(
            points in prop::collection::vec((20.0..380.0f64, 20.0..180.0f64), 1..9),
            curve in prop::collection::vec((0.0..400.0f64, 0.0..200.0f64), 2..7),
        ) {
            let bounds = Area { left: 0.0, top: 0.0, right: 400.0, bottom: 200.0 };
            let mut labels = Labels::new(bounds, 12.0);
            labels.ink(&curve);
            points.iter().for_each(|p| labels.take_mark(*p));
            let marks = labels.taken.clone();
            let wish = |p: &Xy| {
                let words = Words::plain("dip 31 mm");
                Wish { class: String::new(), points: vec![*p], toward: (0.0, -1.0), words }
            };
            let wishes: Vec<Wish> = points.iter().map(wish).collect();
            let order: Vec<usize> = (0..wishes.len()).collect();
            let (_, set) = labels.placed(&wishes, &order, DrawnUnits::Metric);
            for (k, (_, point, placed)) in set.iter().enumerate() {
                let area = placed.area;
                prop_assert!(area.inside(&bounds));
                prop_assert!(!marks.iter().any(|m| m.overlaps(&area)));
                // to the width between two points of a filled line
                let inner = Area {
                    left: area.left + STEP,
                    top: area.top + STEP,
                    right: area.right - STEP,
                    bottom: area.bottom - STEP,
                };
                prop_assert!(!curve.windows(2).any(|w| inner.meets(w[0], w[1])));
                let end = area.nearest(*point);
                let has_leader = (end.0 - point.0).hypot(end.1 - point.1) >= SHORTEST_LEADER;
                for (_, _, earlier) in &set[..k] {
                    prop_assert!(!earlier.area.overlaps(&area));
                    prop_assert!(!has_leader || !earlier.area.meets(*point, end));
                }
            }
        }
    }
}
