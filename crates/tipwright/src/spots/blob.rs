//! A first measure of what stands at a peak: the connected samples above half contrast and their moments.

use super::causes::Cause;
use super::grid::Map;
use crate::model::footage::{Plane, PlaneData};

/// What can be looked at sample by sample, in steps of eight bits; places outside repeat the border.
pub(super) trait Samples {
    fn at(&self, x: i32, y: i32) -> f32;
}

impl Samples for Map {
    #[inline(always)]
    fn at(&self, x: i32, y: i32) -> f32 {
        let (x, y) = (x.clamp(0, self.width as i32 - 1), y.clamp(0, self.height as i32 - 1));
        f32::from(self.data[y as usize * self.width + x as usize])
    }
}

impl Samples for Plane<'_> {
    #[inline(always)]
    fn at(&self, x: i32, y: i32) -> f32 {
        let (x, y) = (x.clamp(0, self.width as i32 - 1), y.clamp(0, self.height as i32 - 1));
        let at = y as usize * self.stride + x as usize;
        match self.data {
            PlaneData::Bits8(data) => f32::from(data[at]),
            PlaneData::Bits10(data) => 0.25 * f32::from(data[at]),
        }
    }
}

/// How much brighter it is than before.
pub(super) struct Rise<'a, S>(pub &'a S, pub &'a S);

impl<S: Samples> Samples for Rise<'_, S> {
    #[inline(always)]
    fn at(&self, x: i32, y: i32) -> f32 {
        self.0.at(x, y) - self.1.at(x, y)
    }
}

/// A square of samples around a place.
#[derive(Debug, Clone, Copy)]
pub(super) struct Square {
    side: usize,
    /// Column and row of its first sample.
    left: i32,
    top: i32,
}

impl Square {
    pub fn around([x, y]: [usize; 2], side: usize) -> Self {
        let half = (side / 2) as i32;
        Self { side, left: x as i32 - half, top: y as i32 - half }
    }

    #[inline(always)]
    fn of(self, samples: &impl Samples, x: usize, y: usize) -> f32 {
        samples.at(self.left + x as i32, self.top + y as i32)
    }
}

/// A connected bright area, in samples of its plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Blob {
    /// Centre in the plane.
    pub x: f32,
    pub y: f32,
    /// Half the width across the longest direction.
    pub radius: f32,
    /// Length of the motion that would stretch a disc so far.
    pub length: f32,
    pub angle_rad: f32,
    pub area: f32,
    /// Top less background, in steps of eight bits.
    pub contrast: f32,
    /// Rise since the frame before, as a share of the contrast, -1 to 1.
    pub rise: f32,
}

impl Blob {
    /// Half the width of the streak that has this blob's moments: what a disc leaves is a rectangle in its middle part, whose
    /// variance across is a third of its half width squared, where a disc's is a quarter.
    pub fn radius_of_streak(&self) -> f32 {
        let (disc, middle) = (std::f32::consts::PI * self.radius, 2.0 * self.length);
        let across = (disc / 4.0 + middle / 3.0) / (disc + middle);
        0.5 * self.radius / across.sqrt()
    }
}

/// What is so many times longer than wide is drawn out.
const DRAWN_OUT: f32 = 2.5;

/// How far samples of at least `threshold` reach through a place, along the four lines across, down and between: least and most.
fn extents(samples: &impl Samples, square: Square, (x, y): (usize, usize), threshold: f32) -> [f32; 2] {
    let run = |dx: i32, dy: i32| {
        (1..square.side as i32)
            .take_while(|k| {
                let (x, y) = (x as i32 + k * dx, y as i32 + k * dy);
                let inside = |v: i32| (0..square.side as i32).contains(&v);
                inside(x) && inside(y) && square.of(samples, x as usize, y as usize) >= threshold
            })
            .count() as f32
    };
    let lines =
        [(1, 0, 1.0), (0, 1, 1.0), (1, 1, std::f32::consts::SQRT_2), (1, -1, std::f32::consts::SQRT_2)];
    let lengths = lines.map(|(dx, dy, step)| step * (1.0 + run(dx, dy) + run(-dx, -dy)));
    lengths.iter().fold([f32::INFINITY, 0.0], |[low, high], l| [low.min(*l), high.max(*l)])
}

/// Working memory of the flood.
#[derive(Debug, Default)]
pub(super) struct Flood {
    /// Which flood came to a sample of the square last.
    seen: Vec<u32>,
    floods: u32,
    stack: Vec<(u16, u16)>,
    members: Vec<(u16, u16)>,
    /// The members' samples.
    values: Vec<f32>,
}

impl Flood {
    /// Floods from a place of the square through samples of at least `threshold`; false when the start is below it, or when the area
    /// grows beyond `area_limit` or touches the square's rim.
    fn flood(
        &mut self,
        samples: &impl Samples,
        square: Square,
        start: (usize, usize),
        threshold: f32,
        area_limit: usize,
    ) -> bool {
        let side = square.side;
        if self.seen.len() != side * side || self.floods == u32::MAX {
            self.seen.clear();
            self.seen.resize(side * side, 0);
            self.floods = 0;
        }
        self.floods += 1;
        self.stack.clear();
        self.members.clear();
        self.values.clear();
        let first = square.of(samples, start.0, start.1);
        if first < threshold {
            return false;
        }
        self.seen[start.1 * side + start.0] = self.floods;
        self.stack.push((start.0 as u16, start.1 as u16));
        while let Some((x, y)) = self.stack.pop() {
            self.members.push((x, y));
            let (x, y) = (usize::from(x), usize::from(y));
            if self.members.len() > area_limit || x == 0 || y == 0 || x + 1 == side || y + 1 == side {
                return false;
            }
            for (x, y) in [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)] {
                let seen = &mut self.seen[y * side + x];
                if *seen != self.floods && square.of(samples, x, y) >= threshold {
                    *seen = self.floods;
                    self.stack.push((x as u16, y as u16));
                }
            }
        }
        self.values
            .extend(self.members.iter().map(|(x, y)| square.of(samples, usize::from(*x), usize::from(*y))));
        true
    }

    /// Measures the blob in the middle of a square. `top` and `background` are its levels; `floor` is a level the flood never goes below;
    /// `before` is the picture of the frame before.
    pub fn measure<S: Samples>(
        &mut self,
        samples: &S,
        square: Square,
        before: Option<&S>,
        [top, background, floor]: [f32; 3],
        area_limit: usize,
    ) -> Result<Blob, Cause> {
        let middle = square.side / 2;
        // The best sample near the middle starts the flood.
        let mut start = (middle, middle);
        let mut best = square.of(samples, middle, middle);
        for y in middle.saturating_sub(1)..=middle + 2 {
            for x in middle.saturating_sub(1)..=middle + 2 {
                let value = square.of(samples, x, y);
                if value > best {
                    (start, best) = ((x, y), value);
                }
            }
        }
        let contrast = top - background;
        let threshold = (background + 0.5 * contrast).max(floor);
        if contrast <= 0.0 {
            return Err(Cause::Shape);
        }
        if !self.flood(samples, square, start, threshold, area_limit) {
            let [shortest, longest] = extents(samples, square, start, threshold);
            return Err(if longest > DRAWN_OUT * shortest { Cause::Blurred } else { Cause::Large });
        }
        // Weights grow from the threshold up, so that the centre does not jump with single samples at the rim.
        let (mut w, mut sx, mut sy, mut rise) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
        let of_start = |(x, y): &(u16, u16)| (f32::from(*x) - start.0 as f32, f32::from(*y) - start.1 as f32);
        for (member, value) in self.members.iter().zip(&self.values) {
            let weight = (value - threshold).min(0.5 * contrast) + 0.15 * contrast;
            let (x, y) = of_start(member);
            w += weight;
            sx += weight * x;
            sy += weight * y;
            if let Some(before) = before {
                rise += value - square.of(before, usize::from(member.0), usize::from(member.1));
            }
        }
        let (mx, my) = (sx / w, sy / w);
        let (mut xx, mut xy, mut yy) = (0.0f32, 0.0f32, 0.0f32);
        for member in &self.members {
            let (x, y) = of_start(member);
            xx += (x - mx) * (x - mx);
            xy += (x - mx) * (y - my);
            yy += (y - my) * (y - my);
        }
        let count = self.members.len() as f32;
        let (xx, xy, yy) = (xx / count + 1.0 / 12.0, xy / count, yy / count + 1.0 / 12.0);
        let mean = 0.5 * (xx + yy);
        let spread = (0.25 * (xx - yy) * (xx - yy) + xy * xy).sqrt();
        let (large, small) = (mean + spread, (mean - spread).max(1.0 / 12.0));
        // A disc has variance r^2 / 4 on each axis, a segment of length l has l^2 / 12.
        Ok(Blob {
            x: mx + start.0 as f32 + square.left as f32,
            y: my + start.1 as f32 + square.top as f32,
            radius: 2.0 * small.sqrt(),
            length: (12.0 * (large - small)).sqrt(),
            angle_rad: 0.5 * (2.0 * xy).atan2(xx - yy),
            area: count,
            contrast,
            rise: if before.is_some() { (rise / count / contrast).clamp(-1.0, 1.0) } else { 0.0 },
        })
    }
}
