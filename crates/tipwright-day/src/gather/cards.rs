//! The card that is held up in the first seconds of a clip, and whose it is.

use std::path::Path;

use crate::session::{Phase, Places, Session, SessionCamera};
use tipwright::cards::{Card, Grey, read};
use tipwright::model::footage::{ClipInfo, Footage, FootageError, FrameSource, FrameView, Planes};

/// A card is looked for until then, by the clip's own time.
const UNTIL_S: f64 = 4.2;
/// Looked at when the places of the clip show too little of its beginning: cards are held up for three seconds, and a phone's pictures that
/// stand alone, from which decoding is quick, come once a second.
const LOOKS_S: [f64; 3] = [1.2, 2.2, 3.2];
/// Frames decoded on the way to a look where pictures that stand alone are farther apart than that: a second of fast ones.
const MOST_READ_ON: u32 = 240;
/// Looks nearer to each other show the same.
const APART_S: f64 = 0.6;

/// Reads the card in a picture; none where two say different things.
pub(super) fn card_in(planes: &Planes<'_>, footage: &dyn Footage, luma: &mut Vec<u8>) -> Option<Card> {
    let plane = planes.luma;
    plane.to_grey(luma);
    let squares = footage.dark_squares(luma, [plane.width as u32, plane.height as u32]);
    let picture = Grey { luma, width: plane.width, height: plane.height };
    let mut seen = squares.iter().filter_map(|s| read(&picture, s)).map(|s| s.card);
    let first = seen.next()?;
    seen.all(|card| card == first).then_some(first)
}

/// Places of a clip that look for a card by the way.
pub(super) struct WithCard<'a> {
    places: Places,
    pictures: u32,
    footage: &'a dyn Footage,
    luma: Vec<u8>,
    looked_s: Vec<f64>,
    found: Option<Card>,
}

impl<'a> WithCard<'a> {
    /// Places of so many pictures each.
    pub(super) fn new(places: Places, pictures: u32, footage: &'a dyn Footage) -> Self {
        Self { places, pictures, footage, luma: Vec::new(), looked_s: Vec::new(), found: None }
    }

    /// The card of the clip, which is opened once more where the places were too far apart.
    pub(super) fn card(mut self, camera: &SessionCamera, clip: &Path) -> Result<Option<Card>, FootageError> {
        let near = |s: f64, looked: &[f64]| looked.iter().any(|l| (l - s).abs() < APART_S);
        let left: Vec<f64> = LOOKS_S.into_iter().filter(|s| !near(*s, &self.looked_s)).collect();
        if self.found.is_some() || left.is_empty() {
            return Ok(self.found);
        }
        let mut source = self.footage.open_clip(clip, camera.capture_fps())?;
        let mut read_on = 0;
        for at_s in left {
            if read_on == 0 {
                source.jump_before(at_s);
            }
            let Some(mut view) = source.next_frame()? else { break };
            // pictures that stand alone are far apart: the one jumped to was seen already
            while near(view.pts_s, &self.looked_s) && view.pts_s < at_s && read_on < MOST_READ_ON {
                read_on += 1;
                let Some(next) = source.next_frame()? else { return Ok(None) };
                view = next;
            }
            if near(view.pts_s, &self.looked_s) {
                continue;
            }
            self.looked_s.push(view.pts_s);
            if let Some(card) = card_in(&view.now, self.footage, &mut self.luma) {
                return Ok(Some(card));
            }
        }
        Ok(None)
    }
}

impl FrameSource for WithCard<'_> {
    fn info(&self) -> &ClipInfo {
        self.places.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        let Some(view) = self.places.next_frame()? else { return Ok(None) };
        let is_first = view.frame_idx.is_multiple_of(self.pictures);
        if self.found.is_none() && is_first && view.pts_s < UNTIL_S {
            self.looked_s.push(view.pts_s);
            self.found = card_in(&view.now, self.footage, &mut self.luma);
        }
        Ok(Some(view))
    }

    fn damaged_frames(&self) -> u64 {
        self.places.damaged_frames()
    }
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
