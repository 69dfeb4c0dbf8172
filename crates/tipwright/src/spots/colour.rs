//! Colours of markers in the plane of the two chroma components.
//!
//! Hue directions follow from the BT.709 conversion (ITU-R BT.709-6, item 3.2-3.3): Cb = (B - Y) / 1.8556,
//! Cr = (R - Y) / 1.5748 with Y = 0.2126 R + 0.7152 G + 0.0722 B. The conversion of BT.601 turns a hue by less than
//! 10 degrees, well inside the wedge that counts as the same colour.

use crate::model::Colour;

/// Direction of a hue: unit vector in (Cb, Cr), and the same times 128 for whole-number arithmetic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hue {
    pub along: [f32; 2],
    pub along_64: [i16; 2],
}

impl Hue {
    /// Direction of a colour; `None` for white, which has none.
    pub fn of(colour: Colour) -> Option<Self> {
        // Paint as a camera renders it (gamma-corrected), common practice: fluorescent orange leans to red.
        let [r, g, b] = match colour {
            Colour::White => return None,
            Colour::Red => [1.0, 0.1, 0.1],
            Colour::Orange => [1.0, 0.5, 0.1],
            Colour::Yellow => [1.0, 0.9, 0.2],
            Colour::Green => [0.3, 0.9, 0.3],
            Colour::Blue => [0.15, 0.35, 0.9],
            Colour::Magenta => [0.9, 0.2, 0.75],
        };
        let y: f32 = 0.2126 * r + 0.7152 * g + 0.0722 * b;
        let (cb, cr) = ((b - y) / 1.8556, (r - y) / 1.5748);
        let norm = cb.hypot(cr);
        let along = [cb / norm, cr / norm];
        Some(Self { along, along_64: along.map(|a| (128.0 * a).round() as i16) })
    }
}

/// How well the chroma of a spot fits a colour, each from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ColourMatch {
    /// How near its hue is; for white, how little of a hue it has.
    pub hue: f32,
    /// How much of the colour there is.
    pub strength: f32,
}

impl ColourMatch {
    /// Without chroma in the picture every spot may have the colour.
    pub const ANY: Self = Self { hue: 1.0, strength: 1.0 };

    /// Both together.
    pub fn score(self) -> f32 {
        self.hue * self.strength
    }
}

/// How well the chroma of a spot fits a colour. `core` and `around` are (Cb, Cr) less 128 in the middle of the
/// spot and beside it; `cover` is the share of the middle that is marker and not background seen through its blur.
pub(super) fn match_colour(hue: Option<Hue>, core: [f32; 2], around: [f32; 2], cover: f32) -> ColourMatch {
    let cover = cover.clamp(0.15, 1.0);
    let marker = [0, 1].map(|k| around[k] + (core[k] - around[k]) / cover);
    match hue {
        None => {
            // White mirrors the light, which may be warm or blue: some chroma is allowed. What counts is the weaker of
            // the chroma as seen and with the background taken out.
            let seen = core[0].hypot(core[1]).min(marker[0].hypot(marker[1]));
            ColourMatch { hue: (-0.5 * (seen / 16.0).powi(2)).exp(), strength: 1.0 }
        }
        Some(hue) => {
            let judged = |c: [f32; 2]| {
                let along = c[0] * hue.along[0] + c[1] * hue.along[1];
                let across = (c[1] * hue.along[0] - c[0] * hue.along[1]).abs();
                if along <= 1.0 {
                    return ColourMatch { hue: 0.0, strength: 0.0 };
                }
                let off_rad = across.atan2(along);
                // 20 degrees one sigma: neighbouring hues of the list are 35 degrees apart.
                ColourMatch { hue: (-0.5 * (off_rad / 0.35).powi(2)).exp(), strength: along / (along + 12.0) }
            };
            let (core, marker) = (judged(core), judged(marker));
            if core.score() >= marker.score() { core } else { marker }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hues_of_the_contract_are_apart() {
        let coloured: Vec<_> = Colour::ALL.into_iter().filter_map(Hue::of).collect();
        assert_eq!(coloured.len(), 6);
        for (k, a) in coloured.iter().enumerate() {
            for b in &coloured[..k] {
                let cos = a.along[0] * b.along[0] + a.along[1] * b.along[1];
                assert!(cos < 30.0_f32.to_radians().cos(), "{a:?} {b:?}");
            }
        }
    }

    #[test]
    fn a_grey_spot_is_white_and_nothing_else() {
        assert!(match_colour(None, [1.0, -2.0], [0.0, 0.0], 1.0).score() > 0.9);
        for colour in Colour::ALL.into_iter().filter(|c| *c != Colour::White) {
            let grey = match_colour(Hue::of(colour), [1.0, -2.0], [0.0, 0.0], 1.0);
            assert!(grey.score() < 0.2, "{colour:?}");
        }
        let red = Hue::of(Colour::Red);
        let along = red.unwrap().along.map(|a| 60.0 * a);
        assert!(match_colour(red, along, [0.0, 0.0], 1.0).score() > 0.8);
        assert!(match_colour(None, along, [0.0, 0.0], 1.0).score() < 0.01);
    }
}
