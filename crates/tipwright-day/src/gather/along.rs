//! A long clip looked along: which cards are held up in it, and when a tip moves as in a cast.
//!
//! Pictures that stand alone are quick to decode. Each second one of them is searched for a card where it does not look as it did when it
//! was searched before; every other second, and every second after a card, some pictures in a row are searched for the tip's marker and
//! how fast it moves.

use std::path::Path;

use super::cards::card_in;
use super::changes::Changes;
use super::kind::{FAST_SHARE_S, speed};
use super::shown::{STEP_SHARE, ways_of};
use crate::session::{BEHIND_S, LookConfig, Session, SessionCamera};
use tipwright::cards::Card;
use tipwright::model::footage::{ClipInfo, Footage, FootageError, FrameSource, FrameView};
use tipwright::spots::{MarkerLook, SpotsConfig, find_clip};

/// Clips longer than this may hold several takes: six to ten strokes with a card and a clap before take half of it.
pub(super) const LONG_S: f64 = 40.0;
/// From one look to the next: a card is held up for three seconds.
const STEP_S: f64 = 1.0;
/// Pictures that stand alone and are farther apart than this are read on to, at the cost of decoding: a card would be missed.
const SPARSE_S: f64 = 3.0;
/// Every so many looks the tip is looked for.
const TIP_EVERY: u32 = 2;
/// After a card it is looked for at every look, for so long: a clap, a word, the line laid out.
const AFTER_CARD_S: f64 = 15.0;
/// Pictures in a row in which it is: how fast it goes is told from five.
const PICTURES: u32 = 5;

/// A card that was seen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CardAt {
    /// By the clip's clock.
    pub at_s: f64,
    pub card: Card,
}

/// A place of the clip where the tip was looked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TipAt {
    /// By the clip's clock.
    pub at_s: f64,
    /// How fast the fastest mark of the tip's colour went there, in units of a slow stroke; 0 where none was followed.
    pub speed: f64,
}

/// What a clip shows along its length.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Along {
    pub length_s: f64,
    pub cards: Vec<CardAt>,
    pub tips: Vec<TipAt>,
}

/// Looks along a clip.
pub(super) fn look_along(
    session: &Session,
    camera: &SessionCamera,
    clip: &Path,
    footage: &dyn Footage,
    config: &LookConfig,
) -> Result<Along, String> {
    let tip = &session.marker.tip;
    let looks = [MarkerLook { colour: tip.colour, diameter_m: tip.diameter_mm.get() / 1000.0 }];
    let source = footage.open_clip(clip, camera.capture_fps()).map_err(|e| e.to_string())?;
    let info = source.info();
    let side_px = f64::from(info.picture.stored_px[0].max(info.picture.stored_px[1]));
    let length_s = info.duration_s.unwrap_or(0.0) / info.slow_down(camera.capture_fps());
    let mut looker = Looker::new(source, footage, length_s);
    let settings = SpotsConfig { capture_fps: camera.capture_fps(), ..SpotsConfig::default() };
    let found =
        find_clip(&camera.name, &mut looker, &looks, &settings, &mut |_| {}).map_err(|e| e.to_string())?;
    let frames = &found.spots.frames;
    let ends = looker.begins.iter().skip(1).copied().chain([frames.len()]);
    let tips = looker.begins.iter().zip(ends).filter_map(|(begin, end)| {
        let place = frames.get(*begin..end)?;
        let ways = ways_of(place, tip.colour, STEP_SHARE * side_px, 1.0, config);
        let fastest = ways.iter().map(speed).fold(0.0, f64::max);
        Some(TipAt { at_s: place.first()?.pts_s, speed: fastest / (FAST_SHARE_S * side_px) })
    });
    Ok(Along { length_s, tips: tips.collect(), cards: looker.cards })
}

/// Gives the pictures in which the tip is looked for as if they were the clip, and looks for cards by the way.
struct Looker<'a> {
    source: Box<dyn FrameSource + Send>,
    footage: &'a dyn Footage,
    luma: Vec<u8>,
    length_s: f64,
    step_s: f64,
    /// Where the next look is to be.
    next_s: f64,
    /// The picture that was decoded last.
    last_s: f64,
    looks: u32,
    /// Pictures still to give at this look.
    left: u32,
    given: u32,
    /// The first picture given at each look.
    begins: Vec<usize>,
    changes: Changes,
    cards: Vec<CardAt>,
}

impl<'a> Looker<'a> {
    fn new(source: Box<dyn FrameSource + Send>, footage: &'a dyn Footage, length_s: f64) -> Self {
        Self {
            source,
            footage,
            luma: Vec::new(),
            length_s,
            step_s: STEP_S,
            next_s: 0.0,
            last_s: 0.0,
            looks: 0,
            left: 0,
            given: 0,
            begins: Vec::new(),
            changes: Changes::default(),
            cards: Vec::new(),
        }
    }

    /// Goes on to the next look at which the tip is looked for, searching for cards on the way; false at the end.
    fn reach_next_tip(&mut self) -> Result<bool, FootageError> {
        while let Some(at_s) = self.look()? {
            self.looks += 1;
            let after_card = self.cards.last().is_some_and(|c| at_s - c.at_s < AFTER_CARD_S);
            if after_card || self.looks.is_multiple_of(TIP_EVERY) {
                self.left = PICTURES;
                self.begins.push(self.given as usize);
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Decodes the picture of the next look and searches it for a card; gives its time.
    fn look(&mut self) -> Result<Option<f64>, FootageError> {
        let mut skipped = false;
        while self.next_s < self.length_s || self.looks == 0 {
            let is_first = self.looks == 0;
            if !is_first {
                self.source.jump_before(self.next_s + BEHIND_S);
            }
            let Some(mut view) = self.source.next_frame()? else { return Ok(None) };
            if !is_first && view.pts_s < self.last_s + 0.5 * STEP_S {
                // the one that was seen already: those that stand alone are farther apart
                if self.next_s - self.last_s < SPARSE_S {
                    self.next_s += STEP_S;
                    skipped = true;
                    continue;
                }
                while view.pts_s < self.next_s {
                    let Some(next) = self.source.next_frame()? else { return Ok(None) };
                    view = next;
                }
            }
            let at_s = view.pts_s;
            let changed = self.changes.parts(&view.now.luma);
            if let Some(card) = card_in(&view.now, &changed, self.footage, &mut self.luma) {
                self.cards.push(CardAt { at_s, card });
                // one that is still there is seen again
                self.changes.forget();
            }
            if skipped {
                self.step_s = (at_s - self.last_s).clamp(STEP_S, SPARSE_S);
            }
            self.last_s = at_s;
            self.next_s = at_s + self.step_s;
            return Ok(Some(at_s));
        }
        Ok(None)
    }
}

impl FrameSource for Looker<'_> {
    fn info(&self) -> &ClipInfo {
        self.source.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.left == 0 && !self.reach_next_tip()? {
            return Ok(None);
        }
        self.left -= 1;
        let Some(view) = self.source.next_frame()? else { return Ok(None) };
        self.given += 1;
        self.last_s = view.pts_s;
        Ok(Some(FrameView { frame_idx: self.given - 1, ..view }))
    }

    fn damaged_frames(&self) -> u64 {
        self.source.damaged_frames()
    }
}
