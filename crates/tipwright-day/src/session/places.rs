//! Some pictures here and there of a clip.

use super::LookConfig;
use tipwright::model::footage::{ClipInfo, FootageError, FrameSource, FrameView};

/// A jump leads to the last picture that stands alone before a time and a little; so much later is on the safe side of one at the time itself.
pub(crate) const BEHIND_S: f64 = 0.06;

/// Some pictures in a row at some places of a clip, as if they were the clip.
pub(crate) struct Places {
    source: Box<dyn FrameSource + Send>,
    from_s: f64,
    length_s: Option<f64>,
    places: u32,
    pictures: u32,
    given: u32,
    last_s: f64,
    /// So much is read on from a frame jumped to, seconds.
    read_on_s: f64,
}

impl Places {
    pub(crate) fn new(
        source: Box<dyn FrameSource + Send>,
        capture_fps: Option<f64>,
        span_s: Option<[f64; 2]>,
        config: &LookConfig,
    ) -> Self {
        let info = source.info();
        let clip_s = info.duration_s.map(|s| s / info.slow_down(capture_fps));
        let [from_s, to_s] = span_s.map_or([0.0, f64::INFINITY], |[from, to]| [from.max(0.0), to]);
        let length_s = clip_s.map(|s| (s.min(to_s) - from_s).max(0.0));
        Self {
            source,
            from_s,
            length_s,
            places: config.places,
            pictures: config.pictures,
            given: 0,
            last_s: f64::NEG_INFINITY,
            read_on_s: 0.0,
        }
    }

    /// The same so much after the pictures that stand alone.
    pub(crate) fn reading_on(self, read_on_s: f64) -> Self {
        Self { read_on_s, ..self }
    }

    /// Length of what is looked at, where the clip says it.
    pub(crate) fn length_s(&self) -> Option<f64> {
        self.length_s
    }

    /// The clip, wherever it was read to.
    pub(crate) fn into_source(self) -> Box<dyn FrameSource + Send> {
        self.source
    }
}

impl FrameSource for Places {
    fn info(&self) -> &ClipInfo {
        self.source.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if self.given >= self.places * self.pictures {
            return Ok(None);
        }
        let is_first = self.given.is_multiple_of(self.pictures);
        let elsewhere = self.given > 0 || self.from_s > 0.0;
        if let (true, true, Some(length_s)) = (is_first, elsewhere, self.length_s) {
            // the last place leaves room for its pictures
            let share = f64::from(self.given / self.pictures) / f64::from(self.places);
            let place_s = self.from_s + share * length_s;
            if place_s > self.last_s {
                self.source.jump_before(place_s + BEHIND_S);
                // what was given already may lie between the frame jumped to and the place
                let mut begin_s = None;
                loop {
                    match self.source.next_frame()? {
                        Some(view) if view.pts_s > self.last_s => {
                            if view.pts_s >= *begin_s.get_or_insert(view.pts_s) + self.read_on_s {
                                break;
                            }
                        }
                        Some(_) => {}
                        None => return Ok(None),
                    }
                }
            }
        }
        let Some(view) = self.source.next_frame()? else { return Ok(None) };
        self.last_s = view.pts_s;
        self.given += 1;
        let before = if is_first { None } else { view.before };
        Ok(Some(FrameView { frame_idx: self.given - 1, before, ..view }))
    }

    fn damaged_frames(&self) -> u64 {
        self.source.damaged_frames()
    }
}
