//! Upright 8-bit 4:2:0 pictures of a wanted height from planes as they come: turned by the rotation tag, made smaller,
//! 10 bits to 8.
//!
//! Sampling is bilinear at the middle of each pixel; along either side of the upright picture only one side of the
//! stored one changes, so two tables of offsets serve the whole picture.

use tipwright::model::footage::{Plane, PlaneData, Planes};
use tipwright::model::{Picture, RawPixel};

/// An upright picture to draw on.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Canvas {
    /// Width and height, both even.
    pub size_px: [usize; 2],
    /// Y, row-major.
    pub luma: Vec<u8>,
    /// Cb and Cr at half the size.
    pub chroma: [Vec<u8>; 2],
    /// Samples use 0 to 255 instead of 16 to 235.
    pub full_range: bool,
}

impl Canvas {
    /// As the encoder takes it.
    pub fn planes(&self) -> Planes<'_> {
        let [width, height] = self.size_px;
        let plane =
            |data, width, height| Plane { data: PlaneData::Bits8(data), width, height, stride: width };
        Planes {
            luma: plane(&self.luma, width, height),
            cb: Some(plane(&self.chroma[0], width / 2, height / 2)),
            cr: Some(plane(&self.chroma[1], width / 2, height / 2)),
            chroma_step: [2, 2],
            full_range: self.full_range,
        }
    }

    /// Blue, green, red, row-major (ITU-R BT.709 coefficients).
    pub fn bgr(&self) -> Vec<u8> {
        let [width, height] = self.size_px;
        let (low, span, chroma_span) =
            if self.full_range { (0.0, 255.0, 255.0) } else { (16.0, 219.0, 224.0) };
        let mut out = Vec::with_capacity(3 * width * height);
        for y in 0..height {
            for x in 0..width {
                let half = (y / 2) * (width / 2) + x / 2;
                let luma = (f32::from(self.luma[y * width + x]) - low) / span;
                let [cb, cr] = [0, 1].map(|k| (f32::from(self.chroma[k][half]) - 128.0) / chroma_span);
                let (red, blue) = (luma + 1.5748 * cr, luma + 1.8556 * cb);
                let green = (luma - 0.2126 * red - 0.0722 * blue) / 0.7152;
                out.extend([blue, green, red].map(|v| (255.0 * v).round().clamp(0.0, 255.0) as u8));
            }
        }
        out
    }
}

/// Offsets of the two samples around a place along one side, and the weight of the second of 256.
type Along = Vec<(usize, usize, u16)>;

/// How to read one plane.
struct Table {
    across: Along,
    down: Along,
}

/// Makes upright pictures of one clip.
pub(crate) struct Upright {
    size_px: [usize; 2],
    corner_px: [f64; 2],
    scale: [f64; 2],
    luma: Table,
    chroma: Option<Table>,
}

impl Upright {
    /// The part `crop_px` (left, top, width, height) of planes like these; no higher than `height_px`, never enlarged.
    pub fn new(planes: &Planes<'_>, picture: Picture, crop_px: [f64; 4], height_px: u32) -> Self {
        let [whole_width, whole_height] = picture.upright_px().map(f64::from);
        let left = crop_px[0].floor().clamp(0.0, whole_width - 2.0);
        let top = crop_px[1].floor().clamp(0.0, whole_height - 2.0);
        let width = crop_px[2].ceil().clamp(2.0, whole_width - left);
        let height = crop_px[3].ceil().clamp(2.0, whole_height - top);
        let even = |v: f64| (((v / 2.0).round() as usize) * 2).max(2);
        let out_height = even(height.min(f64::from(height_px)));
        let out_width = if out_height as f64 >= height - 1.0 {
            (width as usize / 2) * 2
        } else {
            even(width * out_height as f64 / height)
        };
        let out_height = if out_height as f64 > height { out_height - 2 } else { out_height };
        let scale = [width / out_width as f64, height / out_height as f64];
        let size_px = [out_width, out_height];
        let corner_px = [left, top];
        let luma = table(&planes.luma, picture, [1.0, 1.0], size_px, (corner_px, scale));
        let chroma = planes.cb.map(|cb| {
            let step = planes.chroma_step.map(|s| s as f64);
            table(&cb, picture, step, size_px.map(|n| n / 2), (corner_px, scale.map(|s| 2.0 * s)))
        });
        Self { size_px, corner_px, scale, luma, chroma }
    }

    /// Place on the canvas of a pixel of the upright picture.
    pub fn canvas_from_upright(&self, p: RawPixel) -> (f64, f64) {
        let along = |v: f64, k: usize| (v - self.corner_px[k] + 0.5) / self.scale[k] - 0.5;
        (along(p.x_px, 0), along(p.y_px, 1))
    }

    /// A frame, turned upright.
    pub fn turned(&self, planes: &Planes<'_>) -> Canvas {
        let grey = vec![128; self.size_px[0] / 2 * (self.size_px[1] / 2)];
        let chroma = [planes.cb, planes.cr].map(|plane| match (plane, &self.chroma) {
            (Some(plane), Some(table)) => gather(&plane, table),
            _ => grey.clone(),
        });
        Canvas {
            size_px: self.size_px,
            luma: gather(&planes.luma, &self.luma),
            chroma,
            full_range: planes.full_range,
        }
    }
}

/// `corner` and `scale` take a place of the picture to be made to the upright one.
fn table(
    plane: &Plane<'_>,
    picture: Picture,
    step: [f64; 2],
    out: [usize; 2],
    (corner, scale): ([f64; 2], [f64; 2]),
) -> Table {
    // Stored place of an upright one, in samples of this plane.
    let stored = |x: f64, y: f64| {
        let place = |v: f64, k: usize| corner[k] + (v + 0.5) * scale[k] - 0.5;
        let (u, v) = picture.stored_from_upright(RawPixel::new(place(x, 0), place(y, 1)));
        [(u + 0.5) / step[0] - 0.5, (v + 0.5) / step[1] - 0.5]
    };
    let (origin, right) = (stored(0.0, 0.0), stored(1.0, 0.0));
    // Which side of the stored picture changes on the way to the right.
    let along_columns = (right[0] - origin[0]).abs() > (right[1] - origin[1]).abs();
    let entry = |place: f64, is_column: bool| {
        let (last, stride) = if is_column { (plane.width - 1, 1) } else { (plane.height - 1, plane.stride) };
        let place = place.clamp(0.0, last as f64);
        let first = (place as usize).min(last);
        let second = (first + 1).min(last);
        (first * stride, second * stride, ((place - first as f64) * 256.0) as u16)
    };
    let side = |is_column: bool, place: [f64; 2]| entry(place[usize::from(!is_column)], is_column);
    Table {
        across: (0..out[0]).map(|k| side(along_columns, stored(k as f64, 0.0))).collect(),
        down: (0..out[1]).map(|k| side(!along_columns, stored(0.0, k as f64))).collect(),
    }
}

fn gather(plane: &Plane<'_>, table: &Table) -> Vec<u8> {
    match plane.data {
        PlaneData::Bits8(data) => sample(table, data, u32::from),
        PlaneData::Bits10(data) => sample(table, data, |v: u16| u32::from(v >> 2)),
    }
}

fn sample<T: Copy>(table: &Table, data: &[T], value: impl Fn(T) -> u32) -> Vec<u8> {
    let mut out = Vec::with_capacity(table.across.len() * table.down.len());
    let offsets = || table.across.iter().flat_map(|(left, right, _)| [*left, *right]);
    let (first, end) = (offsets().min().unwrap_or(0), offsets().max().map_or(0, |last| last + 1));
    let mut mixed = vec![0_u32; end - first];
    // Where rows of the picture lie along rows of the plane, two of them are mixed first, from one end to the other.
    let is_row = end - first <= 4 * table.across.len();
    for &(up, low, v) in &table.down {
        let v = u32::from(v);
        if is_row {
            let (up, low) = (&data[up + first..up + end], &data[low + first..low + end]);
            for ((out, a), b) in mixed.iter_mut().zip(up).zip(low) {
                *out = value(*a) * (256 - v) + value(*b) * v;
            }
        }
        let at = |k: usize| match is_row {
            true => mixed[k - first],
            false => value(data[up + k]) * (256 - v) + value(data[low + k]) * v,
        };
        out.extend(table.across.iter().map(|&(left, right, u)| {
            let u = u32::from(u);
            ((at(left) * (256 - u) + at(right) * u + (1 << 15)) >> 16) as u8
        }));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use tipwright::model::Rotation;

    /// A plane whose samples tell where they are.
    fn ramp(width: usize, height: usize) -> Vec<u8> {
        (0..height).flat_map(|v| (0..width).map(move |u| (2 * u + 3 * v) as u8)).collect()
    }

    #[test]
    fn every_turn_reads_the_pixel_the_geometry_names() {
        let (width, height) = (24, 16);
        let data = ramp(width, height);
        let luma = Plane { data: PlaneData::Bits8(&data), width, height, stride: width };
        let planes = Planes { luma, cb: None, cr: None, chroma_step: [2, 2], full_range: true };
        for rotation in [Rotation::R0, Rotation::R90, Rotation::R180, Rotation::R270] {
            let picture = Picture { stored_px: [24, 16], rotation };
            let upright = Upright::new(&planes, picture, [0.0, 0.0, 1e4, 1e4], 4000);
            let canvas = upright.turned(&planes);
            assert_eq!(canvas.size_px, picture.upright_px().map(|n| n as usize), "{rotation:?}");
            for (x, y) in [(0, 0), (3, 5), (14, 9)] {
                let (u, v) = picture.stored_from_upright(RawPixel::new(x as f64, y as f64));
                let want = (2.0 * u + 3.0 * v) as u8;
                assert_eq!(canvas.luma[y * canvas.size_px[0] + x], want, "{rotation:?} {x} {y}");
            }
        }
    }

    #[test]
    fn a_part_keeps_places() {
        let (width, height) = (60, 40);
        let data = ramp(width, height);
        let luma = Plane { data: PlaneData::Bits8(&data), width, height, stride: width };
        let planes = Planes { luma, cb: None, cr: None, chroma_step: [2, 2], full_range: true };
        let picture = Picture { stored_px: [60, 40], rotation: Rotation::R180 };
        let upright = Upright::new(&planes, picture, [10.0, 6.0, 20.0, 16.0], 4000);
        let canvas = upright.turned(&planes);
        assert_eq!(canvas.size_px, [20, 16]);
        assert_eq!(upright.canvas_from_upright(RawPixel::new(14.0, 9.0)), (4.0, 3.0));
        let (u, v) = picture.stored_from_upright(RawPixel::new(14.0, 9.0));
        assert_eq!(canvas.luma[3 * 20 + 4], (2.0 * u + 3.0 * v) as u8);
    }

    #[test]
    fn a_smaller_picture_keeps_places() {
        let (width, height) = (60, 40);
        let data = ramp(width, height);
        let luma = Plane { data: PlaneData::Bits8(&data), width, height, stride: width };
        let planes = Planes { luma, cb: None, cr: None, chroma_step: [2, 2], full_range: true };
        let picture = Picture { stored_px: [60, 40], rotation: Rotation::R0 };
        let upright = Upright::new(&planes, picture, [0.0, 0.0, 1e4, 1e4], 20);
        let canvas = upright.turned(&planes);
        assert_eq!(canvas.size_px, [30, 20]);
        // Pixel (10, 6) of the half-size picture stands for (20.5, 12.5) of the whole one, and back.
        let (x, y) = upright.canvas_from_upright(RawPixel::new(20.5, 12.5));
        assert!((x - 10.0).abs() < 1e-12 && (y - 6.0).abs() < 1e-12);
        let want = 2.0 * 20.5 + 3.0 * 12.5;
        assert!((f64::from(canvas.luma[6 * 30 + 10]) - want).abs() <= 1.0);
    }
}
