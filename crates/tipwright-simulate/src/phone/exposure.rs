//! From light to code values and back: gain, tone curve, colours.
//!
//! Tone curve: the opto-electronic transfer of ITU-R BT.709 (1.099 L^0.45 - 0.099, 4.5 L below 0.018), clipped at
//! white. Luma and chroma by the BT.709 matrix (Kr 0.2126, Kb 0.0722), 16 to 235 and 16 to 240.
//! Inside, a sample is a code value times 64 in an `i16`, so that noise and slow changes are finer than a code.

use std::sync::OnceLock;

/// Steps of the inner samples per 8-bit code.
pub const STEPS_PER_CODE: i32 = 64;
/// Largest inner sample.
pub const TOP: i32 = 255 * STEPS_PER_CODE;

/// A colour of the world as linear light, 1 = diffuse white in the sun at the nominal exposure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    /// Red.
    pub r: f32,
    /// Green.
    pub g: f32,
    /// Blue.
    pub b: f32,
}

/// A colour as the camera stores it, inner samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stored {
    /// Linear luminance before the tone curve, for mixing.
    pub luminance: f32,
    /// Cb, inner sample.
    pub cb: f32,
    /// Cr, inner sample.
    pub cr: f32,
}

impl Light {
    /// From linear red, green and blue.
    #[must_use]
    pub const fn new(r: f32, g: f32, b: f32) -> Self {
        Self { r, g, b }
    }

    /// Times a factor.
    #[must_use]
    pub fn times(self, f: f32) -> Self {
        Self { r: self.r * f, g: self.g * f, b: self.b * f }
    }

    /// Between this (0) and another (1).
    #[must_use]
    pub fn mix(self, other: Self, a: f32) -> Self {
        Self {
            r: self.r + (other.r - self.r) * a,
            g: self.g + (other.g - self.g) * a,
            b: self.b + (other.b - self.b) * a,
        }
    }

    /// Luma, Cb, Cr as inner samples.
    #[must_use]
    pub fn codes(self) -> [f32; 3] {
        let (r, g, b) = (tone(self.r), tone(self.g), tone(self.b));
        let y = 0.2126 * r + 0.7152 * g + 0.0722 * b;
        let steps = STEPS_PER_CODE as f32;
        [
            (16.0 + 219.0 * y) * steps,
            (128.0 + 224.0 * (b - y) / 1.8556) * steps,
            (128.0 + 224.0 * (r - y) / 1.5748) * steps,
        ]
    }

    /// For mixing into a picture. The luminance is the one whose tone is the stored luma, so that a fully covered
    /// pixel has exactly the colour of [`Self::codes`].
    #[must_use]
    pub fn stored(self) -> Stored {
        let [y, cb, cr] = self.codes();
        Stored { luminance: luminance_of_luma(y), cb, cr }
    }
}

/// BT.709 transfer, clipped.
#[must_use]
pub fn tone(linear: f32) -> f32 {
    let l = linear.clamp(0.0, 1.0);
    if l < 0.018 { 4.5 * l } else { 1.099 * l.powf(0.45) - 0.099 }
}

/// Inverse of [`tone`].
#[must_use]
pub fn tone_inverse(v: f32) -> f32 {
    let v = v.clamp(0.0, 1.0);
    if v < 0.081 { v / 4.5 } else { ((v + 0.099) / 1.099).powf(1.0 / 0.45) }
}

/// Linear luminance of an inner luma sample.
#[must_use]
pub fn luminance_of_luma(y: f32) -> f32 {
    tone_inverse((y / STEPS_PER_CODE as f32 - 16.0) / 219.0)
}

/// Inner luma sample of a linear luminance.
#[must_use]
pub fn luma_of_luminance(l: f32) -> f32 {
    (16.0 + 219.0 * tone(l)) * STEPS_PER_CODE as f32
}

/// The two conversions as tables: they run for every pixel of every sprite.
pub struct Tables {
    luminance: Vec<f32>,
    luma: Vec<f32>,
}

const LUMA_CELLS: usize = 8192;

/// The tables, made once.
pub fn tables() -> &'static Tables {
    static TABLES: OnceLock<Tables> = OnceLock::new();
    TABLES.get_or_init(|| Tables {
        luminance: (0..=TOP).map(|y| luminance_of_luma(y as f32)).collect(),
        // over the square root of luminance, where the curve is nearly straight
        luma: (0..=LUMA_CELLS + 1)
            .map(|i| {
                let root = i as f32 / LUMA_CELLS as f32;
                luma_of_luminance(root * root)
            })
            .collect(),
    })
}

impl Tables {
    /// Linear luminance of an inner luma sample.
    #[inline]
    #[must_use]
    pub fn luminance(&self, y: i16) -> f32 {
        self.luminance[usize::from(y.clamp(0, TOP as i16) as u16)]
    }

    /// Inner luma sample of a linear luminance.
    #[inline]
    #[must_use]
    pub fn luma(&self, luminance: f32) -> f32 {
        let x = luminance.clamp(0.0, 1.0).sqrt() * LUMA_CELLS as f32;
        let i = x as usize;
        let a = x - i as f32;
        self.luma[i] + (self.luma[i + 1] - self.luma[i]) * a
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn truth_bt709_transfer() {
        // ITU-R BT.709-6, item 1.2: V = 1.099 L^0.45 - 0.099; at L = 0.18 that is 0.409
        assert!((tone(0.18) - 0.4090).abs() < 5e-4);
        assert!((tone(1.0) - 1.0).abs() < 1e-6);
        for i in 0..200 {
            let l = i as f32 / 199.0;
            assert!((tone_inverse(tone(l)) - l).abs() < 1e-3);
        }
    }

    #[test]
    fn tables_agree_with_the_curves() {
        let t = tables();
        for i in 0..1000 {
            let l = i as f32 / 999.0;
            assert!((t.luma(l) - luma_of_luminance(l)).abs() < 2.0, "{l}");
        }
        for y in [1024_i16, 5000, 9000, 15000] {
            assert!((t.luminance(y) - luminance_of_luma(f32::from(y))).abs() < 1e-6);
        }
    }

    #[test]
    fn truth_white_is_235_128_128() {
        // ITU-R BT.709-6, item 3: white at 8 bits is Y 235, Cb = Cr = 128
        let [y, cb, cr] = Light::new(1.0, 1.0, 1.0).codes().map(|c| c / STEPS_PER_CODE as f32);
        assert!((y - 235.0).abs() < 0.01 && (cb - 128.0).abs() < 0.01 && (cr - 128.0).abs() < 0.01);
    }
}
