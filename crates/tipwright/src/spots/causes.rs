//! Why a marker is not seen, from what was seen instead. Limits here and of what is told to be drawn out choose words; no place of a
//! marker depends on them. Tested (`tests/causes.rs`) for a marker that moves, one at rest and none, a faint one, one of another hue and one that
//! is too large. Known to be wrong: a ball of twice the largest size that moves slowly may be told as drawn out. The other causes have no test.

use super::finder::Found;
use crate::model::Colour;

/// Quality from which on something looks like the marker it should be: the product of five marks of three quarters each.
pub(super) const LIKELY: f32 = 0.2;
/// Quality below which a fitted spot says less of the marker than what was turned down before the fit.
const HARDLY: f32 = 0.05;

/// A marker is rare when not one in so many frames has it: who films a cast has it in most.
const RARE: u64 = 10;

/// What stands between a spot and a marker.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// Nothing of the colour stands out at all.
    Nothing,
    /// Drawn out by motion for longer than a marker can be.
    Blurred,
    /// Too large in the picture.
    Large,
    /// Too small in the picture.
    Small,
    /// It hardly stands out from what is around it.
    Faint,
    /// Another hue, or for white a hue at all.
    OffColour,
    /// No disc and no streak of one: an edge, a leaf, a smear.
    Shape,
}

const CAUSES: [Cause; 7] = [
    Cause::Nothing,
    Cause::Blurred,
    Cause::Large,
    Cause::Small,
    Cause::Faint,
    Cause::OffColour,
    Cause::Shape,
];

/// What was seen of one look over a clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Sight {
    /// Frames with something that looks like the marker, moving or at rest.
    pub likely: u64,
    /// Of these, frames in which the best of it was at rest.
    pub resting: u64,
    /// Frames without, by what stood against the best that was there, in the order of [`Cause`].
    pub causes: [u64; 7],
}

impl Sight {
    pub(super) fn add(&mut self, found: &[Found], turned_down: Option<Cause>) {
        let best_of = |large: bool| {
            found.iter().filter(|f| f.of_large == large).max_by(|a, b| a.quality.total_cmp(&b.quality))
        };
        if best_of(true).is_some() && best_of(false).is_none_or(|best| best.quality <= LIKELY) {
            self.causes[Cause::Large as usize] += 1;
            return;
        }
        match best_of(false) {
            Some(best) if best.quality > LIKELY => {
                self.likely += 1;
                self.resting += u64::from(best.candidate.moving < 0.2);
            }
            best => {
                let fitted = best.filter(|b| b.quality > HARDLY).or(best.filter(|_| turned_down.is_none()));
                let cause = match (fitted.map(|b| b.weakness), turned_down) {
                    (Some(Cause::Shape), Some(Cause::Blurred)) => Cause::Blurred,
                    (fitted, turned_down) => fitted.or(turned_down).unwrap_or(Cause::Nothing),
                };
                self.causes[cause as usize] += 1;
            }
        }
    }

    /// Frames looked at.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.likely + self.causes.iter().sum::<u64>()
    }

    /// Whether hardly a frame has anything like the marker.
    #[must_use]
    pub fn is_rare(&self) -> bool {
        self.likely * RARE < self.frames()
    }

    /// Says why hardly a frame has anything like the marker that moves, and what helps; `None` when enough have.
    #[must_use]
    pub fn no_mover(&self, colour: Colour) -> Option<String> {
        let (moving, frames) = (self.likely - self.resting, self.frames());
        if moving * RARE >= frames {
            return None;
        }
        let (why, remedy) = match self.main_cause() {
            Some(cause) if self.is_rare() => cause.words(colour),
            _ => (
                "what looks like one there is at rest".to_owned(),
                "Check that the rod tip is in this phone's picture, and that nothing else there has its colour",
            ),
        };
        Some(format!("sees no moving {colour} marker (in {moving} of {frames} frames): {why}. {remedy}"))
    }

    /// Frames without it, by what stood against it.
    pub fn by_cause(&self) -> impl Iterator<Item = (Cause, u64)> + '_ {
        CAUSES.into_iter().map(|c| (c, self.causes[c as usize]))
    }

    /// What stands against the marker in most of the frames without it; `None` when it is in all of them.
    #[must_use]
    pub fn main_cause(&self) -> Option<Cause> {
        let most = CAUSES.into_iter().max_by_key(|c| self.causes[*c as usize])?;
        (self.causes[most as usize] > 0).then_some(most)
    }
}

impl Cause {
    /// What is wrong and what helps, for a marker of a colour.
    #[must_use]
    pub fn words(self, colour: Colour) -> (String, &'static str) {
        let (what, remedy) = match self {
            Self::Nothing => (
                format!("nothing {colour} stands out in the picture"),
                "Check that this phone sees the marker, that it is in the light, and its colour in session.toml",
            ),
            Self::Blurred => (
                format!("what is {colour} there is drawn out by its motion"),
                "Use a shorter shutter (1/1000 s or less), more light and more frames a second; the colour is right",
            ),
            Self::Large => (
                format!("what is {colour} there is larger than the marker would be"),
                "Check diameter_mm in session.toml, and that the marker is at least 3 m away; or something else there has its colour",
            ),
            Self::Small => (
                format!("what is {colour} there is smaller than the marker would be"),
                "Check diameter_mm in session.toml; go nearer, or use a larger marker or a finer picture",
            ),
            Self::Faint => (
                format!("what is {colour} there hardly stands out from what is around it"),
                "Use brighter, purer paint (fluorescent), put the sun behind the phones, or have another background",
            ),
            Self::OffColour if colour == Colour::White => (
                "what stands out there has a colour".to_owned(),
                "Give that colour in session.toml, or lock the white balance",
            ),
            Self::OffColour => (
                format!("what stands out there is not quite {colour}"),
                "Check the marker's colour in session.toml, and lock the white balance",
            ),
            Self::Shape => (
                format!("what is {colour} there has not the shape of a ball or its streak"),
                "Look whether the marker is whole, free of leaves and cloth of its colour, and sharp (focus locked on it)",
            ),
        };
        (what, remedy)
    }
}
