//! The card that is held up in the first seconds of a clip, and whose it is.

use super::shown::board_in;
use crate::session::{Phase, Places, Session};
use tipwright::cards::{Card, Grey, read};
use tipwright::model::Board;
use tipwright::model::footage::{ClipInfo, Footage, FootageError, FrameSource, FrameView, Planes, Window};

/// A card is looked for until then, by the clip's own time.
const UNTIL_S: f64 = 4.2;
/// Looked at when the places of the clip show too little of its beginning: cards are held up for three seconds, and a phone's pictures that
/// stand alone, from which decoding is quick, come once a second.
const LOOKS_S: [f64; 3] = [1.2, 2.2, 3.2];
/// Frames decoded on the way to a look where pictures that stand alone are farther apart than that: a second of fast ones.
const MOST_READ_ON: u32 = 240;
/// Places, of six, at which the board is looked for: whoever films it shows it through most of the clip.
const BOARD_PLACES: [u32; 2] = [0, 2];
/// Looks nearer to each other show the same.
const APART_S: f64 = 0.6;

/// Reads the card in these parts of a picture; none where two say different things.
pub(super) fn card_in(
    planes: &Planes<'_>,
    within: &[Window],
    footage: &dyn Footage,
    luma: &mut Vec<u8>,
) -> Option<Card> {
    if within.is_empty() {
        return None;
    }
    let plane = planes.luma;
    plane.to_grey(luma);
    let size_px = [plane.width as u32, plane.height as u32];
    let squares = within.iter().flat_map(|part| footage.dark_squares(luma, size_px, *part));
    let picture = Grey { luma, width: plane.width, height: plane.height };
    let mut seen = squares.filter_map(|s| read(&picture, &s)).map(|s| s.card);
    let first = seen.next()?;
    seen.all(|card| card == first).then_some(first)
}

/// The same anywhere in it.
fn card_anywhere(planes: &Planes<'_>, footage: &dyn Footage, luma: &mut Vec<u8>) -> Option<Card> {
    let whole = Window::whole([planes.luma.width as u32, planes.luma.height as u32]);
    card_in(planes, &[whole], footage, luma)
}

/// Places of a clip that look for a card and for the board by the way, and end where one is found: it says what the clip is.
pub(super) struct ByTheWay<'a> {
    places: Places,
    pictures: u32,
    board: Option<Board>,
    footage: &'a dyn Footage,
    luma: Vec<u8>,
    looked_s: Vec<f64>,
    card: Option<Card>,
    shows_board: bool,
}

impl<'a> ByTheWay<'a> {
    /// Places of so many pictures each.
    pub(super) fn new(places: Places, pictures: u32, board: Option<Board>, footage: &'a dyn Footage) -> Self {
        Self {
            places,
            pictures,
            board,
            footage,
            luma: Vec::new(),
            looked_s: Vec::new(),
            card: None,
            shows_board: false,
        }
    }

    /// Whether the board was seen.
    pub(super) fn shows_board(&self) -> bool {
        self.shows_board
    }

    /// The card of the clip, which is looked at once more where the places were too far apart; and the clip.
    pub(super) fn card(mut self) -> Result<(Option<Card>, Box<dyn FrameSource + Send>), FootageError> {
        let length_s = self.places.length_s().unwrap_or(f64::INFINITY);
        let left: Vec<f64> =
            LOOKS_S.into_iter().filter(|s| *s < length_s && !is_near(*s, &self.looked_s)).collect();
        if self.card.is_some() || self.shows_board {
            return Ok((self.card, self.places.into_source()));
        }
        let mut source = self.places.into_source();
        let mut read_on = 0;
        for at_s in left {
            if read_on == 0 {
                source.jump_before(at_s);
            }
            let Some(mut view) = source.next_frame()? else { break };
            // pictures that stand alone are far apart: the one jumped to was seen already
            while is_near(view.pts_s, &self.looked_s) && view.pts_s < at_s && read_on < MOST_READ_ON {
                read_on += 1;
                let Some(next) = source.next_frame()? else { return Ok((None, source)) };
                view = next;
            }
            if is_near(view.pts_s, &self.looked_s) {
                continue;
            }
            self.looked_s.push(view.pts_s);
            if let Some(card) = card_anywhere(&view.now, self.footage, &mut self.luma) {
                return Ok((Some(card), source));
            }
        }
        Ok((None, source))
    }
}

impl FrameSource for ByTheWay<'_> {
    fn info(&self) -> &ClipInfo {
        self.places.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.card.is_some() || self.shows_board {
            return Ok(None);
        }
        let Some(view) = self.places.next_frame()? else { return Ok(None) };
        if !view.frame_idx.is_multiple_of(self.pictures) {
            return Ok(Some(view));
        }
        if view.pts_s < UNTIL_S && !is_near(view.pts_s, &self.looked_s) {
            self.looked_s.push(view.pts_s);
            self.card = card_anywhere(&view.now, self.footage, &mut self.luma);
        }
        if let Some(board) = self.board.filter(|_| BOARD_PLACES.contains(&(view.frame_idx / self.pictures))) {
            self.shows_board =
                self.card.is_none() && board_in(&view.now, self.footage, &board, &mut self.luma);
        }
        Ok(Some(view))
    }

    fn damaged_frames(&self) -> u64 {
        self.places.damaged_frames()
    }
}

fn is_near(at_s: f64, looked_s: &[f64]) -> bool {
    looked_s.iter().any(|l| (l - at_s).abs() < APART_S)
}

/// What the cards of a take's clips say together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Held {
    /// None was seen.
    Nothing,
    /// Whose it is, and in which phase.
    Of { caster: String, phase: String },
    /// It goes with nobody; why.
    Unclear(String),
}

/// Reads what the phones saw.
pub(super) fn held(session: &Session, phases: &[Phase], cards: &[Card]) -> Held {
    let mut takes: Vec<(usize, usize, u8)> = cards
        .iter()
        .filter_map(|card| match card {
            Card::Take { caster_idx, phase_idx, check } => Some((*caster_idx, *phase_idx, *check)),
            _ => None,
        })
        .collect();
    takes.sort_unstable();
    takes.dedup();
    let [(caster_idx, phase_idx, check)] = takes[..] else {
        return match takes.is_empty() {
            true => Held::Nothing,
            false => Held::Unclear("the phones saw different cards".into()),
        };
    };
    let row = caster_idx + 1;
    let Some(caster) = session.casters.get(caster_idx) else {
        return Held::Unclear(format!("the card is of row {row}, which casters.csv has not"));
    };
    let Some(phase) = phases.get(phase_idx) else {
        return Held::Unclear(format!(
            "the card is of phase number {}, and --phases names fewer",
            phase_idx + 1
        ));
    };
    if tipwright::cards::check(&caster.id, phase) != check {
        return Held::Unclear(format!(
            "the card of row {row} was printed for another caster than {} or another phase than {phase}: was casters.csv changed since?",
            caster.id
        ));
    }
    Held::Of { caster: caster.id.to_string(), phase: phase.to_string() }
}
