//! Cards that are held up before a take: whose it is and which phase, or that a clip shows the wand, the plumb, a toss, the board.
//!
//! A card is a black square with a grid of white and black cells inside ([`dictionary`]: our own code, words far apart so that a card
//! turned, creased or badly lit is read right or not at all). [`read`](read::read) finds the word in a dark square of a picture.
//!
//! A caster's card carries the place of the caster in casters.csv, the place of the phase among the phases, and a check of both names: a
//! list that was sorted or cut after printing is noticed instead of giving casts to somebody else.

pub mod dictionary;
mod edges;
pub mod read;

pub use read::{CardSeen, Grey, Square, read};

/// Most casters that have cards.
pub const MOST_CASTERS: usize = 64;
/// Most phases that have cards.
pub const MOST_PHASES: usize = 4;
/// Values of the check.
const CHECKS: usize = 8;
/// Numbers kept for cards that are no caster's.
const OTHERS: usize = 8;
/// How many cards there are.
pub const COUNT: usize = OTHERS + MOST_CASTERS * MOST_PHASES * CHECKS;

/// What a card says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Card {
    /// The clip shows the wand waved.
    Wand,
    /// The clip shows the wand hung still.
    Plumb,
    /// The clip shows a ball tossed.
    Toss,
    /// The clip shows the board.
    Board,
    /// What was begun is over: what follows counts for nothing until another card.
    End,
    /// A take.
    Take {
        /// Place in casters.csv, from 0.
        caster_idx: usize,
        /// Place among the phases, from 0.
        phase_idx: usize,
        /// [`check`] of both names.
        check: u8,
    },
}

impl Card {
    /// Cards that are no caster's, in the order they are needed on a day.
    pub const OTHERS: [Self; 5] = [Self::Board, Self::Wand, Self::Plumb, Self::Toss, Self::End];

    /// The card of a caster and a phase; `None` beyond [`MOST_CASTERS`] and [`MOST_PHASES`].
    #[must_use]
    pub fn take(caster_idx: usize, caster: &str, phase_idx: usize, phase: &str) -> Option<Self> {
        let has_one = caster_idx < MOST_CASTERS && phase_idx < MOST_PHASES;
        has_one.then(|| Self::Take { caster_idx, phase_idx, check: check(caster, phase) })
    }

    /// Its number, below [`COUNT`].
    #[must_use]
    pub fn number(self) -> usize {
        match self {
            Self::Wand => 0,
            Self::Plumb => 1,
            Self::Toss => 2,
            Self::Board => 3,
            Self::End => 4,
            Self::Take { caster_idx, phase_idx, check } => {
                OTHERS + (caster_idx * MOST_PHASES + phase_idx) * CHECKS + usize::from(check)
            }
        }
    }

    /// The card of a number.
    #[must_use]
    pub fn of(number: usize) -> Option<Self> {
        if let Some(card) = Self::OTHERS.into_iter().find(|c| c.number() == number) {
            return Some(card);
        }
        let n = number.checked_sub(OTHERS).filter(|n| *n < COUNT - OTHERS)?;
        let (both, check) = (n / CHECKS, (n % CHECKS) as u8);
        Some(Self::Take { caster_idx: both / MOST_PHASES, phase_idx: both % MOST_PHASES, check })
    }

    /// Its cells, row by row from the top left, true where black.
    #[must_use]
    pub fn cells(self) -> [[bool; dictionary::SIDE]; dictionary::SIDE] {
        dictionary::cells(dictionary::words()[self.number()])
    }
}

/// A value of 0 to 7 from two names without regard to case (FNV-1a: Fowler, Noll and Vo, 1991, folded to three bits).
#[must_use]
pub fn check(caster: &str, phase: &str) -> u8 {
    let text = format!("{}\n{}", caster.to_lowercase(), phase.to_lowercase());
    let hash = text
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325_u64, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3));
    let folded = (0..64).step_by(3).fold(0, |x, shift| x ^ (hash >> shift));
    (folded % CHECKS as u64) as u8
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_number_is_one_card() {
        let mut cards = 0;
        for number in 0..COUNT {
            if let Some(card) = Card::of(number) {
                assert_eq!(card.number(), number);
                cards += 1;
            }
        }
        assert_eq!(cards, COUNT - OTHERS + Card::OTHERS.len());
        assert_eq!(Card::of(COUNT), None);
        assert_eq!(Card::take(MOST_CASTERS, "a", 0, "before"), None);
    }

    #[test]
    fn the_check_tells_seven_in_eight_exchanged_names() {
        let names: Vec<String> = (0..64).map(|i| format!("{i:02}")).collect();
        let mut same = 0;
        for pair in names.windows(2) {
            same += usize::from(check(&pair[0], "before") == check(&pair[1], "before"));
        }
        // binomial(63, 1/8): 7.9 expected, under 18 in all but 1 of 1000
        assert!(same < 18, "{same}");
        assert_eq!(check("Ann", "Before"), check("ann", "before"));
    }
}
