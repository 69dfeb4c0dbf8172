//! A first measure of what stands at a peak: the connected samples above half contrast and their moments.

use super::causes::Cause;
use super::patch::Patch;

/// A connected bright area, in samples of its patch's plane.
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
fn extents(patch: &Patch, (x, y): (usize, usize), threshold: f32) -> [f32; 2] {
    let run = |dx: i32, dy: i32| {
        (1..patch.side as i32)
            .take_while(|k| {
                let (x, y) = (x as i32 + k * dx, y as i32 + k * dy);
                let inside = |v: i32| (0..patch.side as i32).contains(&v);
                inside(x) && inside(y) && patch.data[y as usize * patch.side + x as usize] >= threshold
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
    seen: Vec<bool>,
    stack: Vec<(u16, u16)>,
    members: Vec<(u16, u16)>,
}

impl Flood {
    /// Floods from the patch's middle through samples of at least `threshold`; `None` when the start is below it,
    /// or when the area grows beyond `area_limit` or touches the patch's rim.
    fn flood(&mut self, patch: &Patch, start: (usize, usize), threshold: f32, area_limit: usize) -> bool {
        let side = patch.side;
        self.seen.clear();
        self.seen.resize(side * side, false);
        self.stack.clear();
        self.members.clear();
        if patch.data[start.1 * side + start.0] < threshold {
            return false;
        }
        self.seen[start.1 * side + start.0] = true;
        self.stack.push((start.0 as u16, start.1 as u16));
        while let Some((x, y)) = self.stack.pop() {
            self.members.push((x, y));
            let (x, y) = (usize::from(x), usize::from(y));
            if self.members.len() > area_limit || x == 0 || y == 0 || x + 1 == side || y + 1 == side {
                return false;
            }
            for (x, y) in [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)] {
                let at = y * side + x;
                if !self.seen[at] && patch.data[at] >= threshold {
                    self.seen[at] = true;
                    self.stack.push((x as u16, y as u16));
                }
            }
        }
        true
    }

    /// Measures the blob in the middle of `patch`. `top` and `background` are its levels; `floor` is a level the
    /// flood never goes below; `before` is the same square of the frame before.
    pub fn measure(
        &mut self,
        patch: &Patch,
        before: Option<&Patch>,
        top: f32,
        background: f32,
        floor: f32,
        area_limit: usize,
    ) -> Result<Blob, Cause> {
        let middle = patch.side / 2;
        // The best sample near the middle starts the flood.
        let mut start = (middle, middle);
        for y in middle.saturating_sub(1)..=middle + 2 {
            for x in middle.saturating_sub(1)..=middle + 2 {
                if patch.data[y * patch.side + x] > patch.data[start.1 * patch.side + start.0] {
                    start = (x, y);
                }
            }
        }
        let contrast = top - background;
        let threshold = (background + 0.5 * contrast).max(floor);
        if contrast <= 0.0 {
            return Err(Cause::Shape);
        }
        if !self.flood(patch, start, threshold, area_limit) {
            let [shortest, longest] = extents(patch, start, threshold);
            return Err(if longest > DRAWN_OUT * shortest { Cause::Blurred } else { Cause::Large });
        }
        // Weights grow from the threshold up, so that the centre does not jump with single samples at the rim.
        let (mut w, mut sx, mut sy, mut rise) = (0.0f32, 0.0f32, 0.0f32, 0.0f32);
        let of_start = |(x, y): &(u16, u16)| (f32::from(*x) - start.0 as f32, f32::from(*y) - start.1 as f32);
        for member in &self.members {
            let at = usize::from(member.1) * patch.side + usize::from(member.0);
            let weight = (patch.data[at] - threshold).min(0.5 * contrast) + 0.15 * contrast;
            let (x, y) = of_start(member);
            w += weight;
            sx += weight * x;
            sy += weight * y;
            if let Some(before) = before {
                rise += patch.data[at] - before.data[at];
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
            x: mx + start.0 as f32 + patch.left as f32,
            y: my + start.1 as f32 + patch.top as f32,
            radius: 2.0 * small.sqrt(),
            length: (12.0 * (large - small)).sqrt(),
            angle_rad: 0.5 * (2.0 * xy).atan2(xx - yy),
            area: count,
            contrast,
            rise: if before.is_some() { (rise / count / contrast).clamp(-1.0, 1.0) } else { 0.0 },
        })
    }
}
