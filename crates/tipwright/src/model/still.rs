//! What a camera sees when nothing moves: kept from a clip's one pass, to tell whether its tripod was touched since.

use super::camera::{Picture, RawPixel};

/// Mean of some frames of a clip, luma at half size. Row-major, stored orientation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Still {
    /// Geometry of the clip's full picture.
    pub picture: Picture,
    /// Columns and rows of `luma`: half of the stored picture's.
    pub size_px: [u32; 2],
    /// Samples.
    pub luma: Vec<u8>,
}

impl Still {
    /// Upright pixel of the full picture from a place in the half-size one.
    #[must_use]
    pub fn upright_from_half(&self, x_half_px: f64, y_half_px: f64) -> RawPixel {
        // a half-size sample is the mean of two by two
        self.picture.upright_from_stored(2.0 * x_half_px + 0.5, 2.0 * y_half_px + 0.5)
    }

    /// As a portable grey map (Netpbm's PGM, binary).
    #[must_use]
    pub fn to_pgm(&self) -> Vec<u8> {
        let mut out = format!("P5\n{} {}\n255\n", self.size_px[0], self.size_px[1]).into_bytes();
        out.extend_from_slice(&self.luma);
        out
    }

    /// From a portable grey map of a clip with the given picture; `None` when it is none or of another size.
    #[must_use]
    pub fn from_pgm(bytes: &[u8], picture: Picture) -> Option<Self> {
        let size_px = picture.stored_px.map(|n| n / 2);
        let head = format!("P5\n{} {}\n255\n", size_px[0], size_px[1]);
        let luma = bytes.strip_prefix(head.as_bytes())?;
        (luma.len() == size_px[0] as usize * size_px[1] as usize).then(|| Self {
            picture,
            size_px,
            luma: luma.to_vec(),
        })
    }
}

/// The same thing in two stills of one camera, upright pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Landmark {
    /// Where it was.
    pub before: RawPixel,
    /// Where it is.
    pub now: RawPixel,
}
