//! A part of a clip, as if it were the clip.

use tipwright::model::Warning;
use tipwright::model::footage::{ClipInfo, FootageError, FrameSource, FrameView};

/// Frames of a clip between two times of its own clock; decoding begins at the last frame before from which it can.
pub(crate) struct Excerpt {
    source: Box<dyn FrameSource + Send>,
    span_s: [f64; 2],
    /// Frames a second by the re-timed clock, for numbering frames after a jump.
    fps: Option<f64>,
    /// Number of the first frame given less the source's; known once that frame is there.
    shift: Option<i64>,
    jumped: bool,
}

impl Excerpt {
    /// The part of a clip; all of it without a span.
    pub fn of(
        source: Box<dyn FrameSource + Send>,
        capture_fps: Option<f64>,
        span_s: Option<[f64; 2]>,
    ) -> Self {
        let info = source.info();
        let fps = info.container_fps.map(|fps| fps * info.slow_down(capture_fps));
        let span_s = span_s.unwrap_or([f64::NEG_INFINITY, f64::INFINITY]);
        let jumped = span_s[0] <= 0.0;
        Self { source, span_s, fps, shift: jumped.then_some(0), jumped }
    }
}

impl FrameSource for Excerpt {
    fn info(&self) -> &ClipInfo {
        self.source.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        if !self.jumped {
            self.jumped = true;
            self.source.jump_before(self.span_s[0]);
            // the frame that reaches the span is the one before the first given
            loop {
                match self.source.next_frame()? {
                    Some(view) if view.pts_s >= self.span_s[0] => break,
                    Some(_) => {}
                    None => return Ok(None),
                }
            }
        }
        let Some(view) = self.source.next_frame()? else { return Ok(None) };
        if view.pts_s > self.span_s[1] {
            return Ok(None);
        }
        let own = i64::from(view.frame_idx);
        // a clip's frames are numbered from its beginning, and the source has lost count in the jump
        let by_time = || self.fps.map_or(0, |fps| (view.pts_s * fps).round() as i64 - own);
        let shift = *self.shift.get_or_insert_with(by_time);
        let frame_idx = u32::try_from(own + shift).unwrap_or(view.frame_idx);
        Ok(Some(FrameView { frame_idx, ..view }))
    }

    fn jump_before(&mut self, pts_s: f64) {
        self.source.jump_before(pts_s);
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

#[cfg(test)]
mod tests {
    use tipwright::model::footage::{Plane, PlaneData, Planes};
    use tipwright::model::{Picture, Rotation};

    use super::*;

    /// Ten seconds of 120 frames a second that decode from every half second on and lose count when jumped in.
    struct Clip {
        info: ClipInfo,
        next: u32,
        given: u32,
    }

    const FPS: f64 = 120.0;

    impl FrameSource for Clip {
        fn info(&self) -> &ClipInfo {
            &self.info
        }
        fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
            let pts_s = f64::from(self.next) / FPS;
            if pts_s >= 10.0 {
                return Ok(None);
            }
            self.next += 1;
            self.given += 1;
            let luma = Plane { data: PlaneData::Bits8(&[0]), width: 1, height: 1, stride: 1 };
            let now = Planes { luma, cb: None, cr: None, chroma_step: [2, 2], full_range: false };
            Ok(Some(FrameView { frame_idx: self.given - 1, pts_s, now, before: None }))
        }
        fn jump_before(&mut self, pts_s: f64) {
            self.next = ((2.0 * pts_s).floor().max(0.0) * FPS / 2.0) as u32;
        }
        fn damaged_frames(&self) -> u64 {
            0
        }
    }

    fn given(span_s: Option<[f64; 2]>) -> Vec<(u32, f64)> {
        let picture = Picture { stored_px: [1, 1], rotation: Rotation::R0 };
        let info = ClipInfo {
            duration_s: Some(10.0),
            container_fps: Some(FPS),
            ..ClipInfo::of_picture("long.mp4", picture)
        };
        let mut part = Excerpt::of(Box::new(Clip { info, next: 0, given: 0 }), None, span_s);
        let mut out = Vec::new();
        while let Some(view) = part.next_frame().unwrap() {
            out.push((view.frame_idx, view.pts_s));
        }
        out
    }

    #[test]
    fn frames_of_a_part_keep_their_times_and_numbers() {
        let whole = given(None);
        assert_eq!(whole.len(), 1200);
        for span_s in [[3.21, 4.75], [0.1, 0.4], [9.5, 20.0], [-1.0, 1.0], [f64::NEG_INFINITY, 2.0]] {
            let part = given(Some(span_s));
            let inside: Vec<_> =
                whole.iter().copied().filter(|(_, t)| *t >= span_s[0] && *t <= span_s[1]).collect();
            // the first frame inside may go to the jump
            let skipped = usize::from(span_s[0] > 0.0);
            assert_eq!(part, inside[skipped..], "{span_s:?}");
        }
        assert!(given(Some([11.0, 12.0])).is_empty());
    }
}
