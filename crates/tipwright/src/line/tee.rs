//! A gatherer beside a clip: whoever reads the clip decodes for both.

use crate::model::Warning;
use crate::model::footage::{ClipInfo, FootageError, FrameSource, FrameView};

use super::{GatherConfig, Gatherer};

/// A clip that shows every frame to a gatherer on its way to whoever reads it.
pub struct Tee<'a> {
    source: &'a mut (dyn FrameSource + Send),
    /// The gatherer.
    pub gatherer: Gatherer,
}

impl<'a> Tee<'a> {
    /// Puts a gatherer beside a clip.
    pub fn new(source: &'a mut (dyn FrameSource + Send), config: &GatherConfig) -> Self {
        let picture = source.info().picture;
        Self { source, gatherer: Gatherer::new(picture, config) }
    }
}

impl FrameSource for Tee<'_> {
    fn info(&self) -> &ClipInfo {
        self.source.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        let frame = self.source.next_frame()?;
        if let Some(frame) = &frame {
            self.gatherer.look_at(frame);
        }
        Ok(frame)
    }

    fn damaged_frames(&self) -> u64 {
        self.source.damaged_frames()
    }

    fn tick_s(&self) -> Option<f64> {
        self.source.tick_s()
    }

    fn warnings(&self) -> Vec<Warning> {
        self.source.warnings()
    }
}
