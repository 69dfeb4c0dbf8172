//! What stages and clips cost: processor time and wall time, against decoding the same frames.
//!
//! Processor time is that of the thread that did the work. Clips are decoded by one thread each, the one that searches them, so what
//! decoding costs within the pipeline is that thread's clock around every call for a frame. What a thread takes over of other stages
//! while it waits is theirs, not the waiting stage's; what other threads do for a stage that splits its work is in the whole run's
//! time alone.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::ops::{Add, AddAssign, Sub};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use tipwright::model::Warning;
use tipwright::model::footage::{ClipInfo, FootageError, FrameSource, FrameView};

/// Stages that belong to takes, beside looking through their clips.
const OF_TAKES: [&str; 6] = ["landmarks", "path", "strokes", "line", "predicted", "plots"];

/// Time that something took, seconds.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Spent {
    /// Of one processor; 0 where the machine does not tell.
    pub processor_s: f64,
    /// By the clock on the wall, summed over threads.
    pub wall_s: f64,
}

impl Add for Spent {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self { processor_s: self.processor_s + other.processor_s, wall_s: self.wall_s + other.wall_s }
    }
}

impl AddAssign for Spent {
    fn add_assign(&mut self, other: Self) {
        *self = *self + other;
    }
}

impl Sub for Spent {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self { processor_s: self.processor_s - other.processor_s, wall_s: self.wall_s - other.wall_s }
    }
}

/// One clip looked through.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipTimings {
    /// As session.toml writes it.
    pub clip: PathBuf,
    /// Whether it is of a take; else of a set-up.
    pub of_take: bool,
    /// Frames given by the decoder.
    pub frames: u64,
    /// Decoding alone.
    pub decoding: Spent,
    /// The search for markers.
    pub spots: Spent,
    /// Gathering points of the line.
    pub line_points: Spent,
}

impl ClipTimings {
    fn all(&self) -> Spent {
        self.decoding + self.spots + self.line_points
    }
}

/// What a run cost.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Timings {
    /// By stage.
    pub stages: BTreeMap<&'static str, Spent>,
    /// Every clip that was looked through, in the order of their names.
    pub clips: Vec<ClipTimings>,
    /// The whole run: of all threads of the program, and from its beginning to its end.
    pub whole: Spent,
}

impl Timings {
    /// Processor time of takes for that of decoding their frames; `None` where none was looked through, or the machine tells no
    /// processor time.
    #[must_use]
    pub fn takes_ratio(&self) -> Option<f64> {
        let of_takes = || self.clips.iter().filter(|c| c.of_take);
        let solving: f64 = OF_TAKES.iter().filter_map(|s| self.stages.get(s)).map(|s| s.processor_s).sum();
        let looking: f64 = of_takes().map(|c| c.all().processor_s).sum();
        ratio(solving + looking, of_takes().map(|c| c.decoding.processor_s).sum())
    }

    /// Processor time of the whole run for that of decoding every clip that was looked through, as [`Self::takes_ratio`].
    #[must_use]
    pub fn whole_ratio(&self) -> Option<f64> {
        ratio(self.whole.processor_s, self.clips.iter().map(|c| c.decoding.processor_s).sum())
    }

    /// A table for a person, line by line.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let row = |what: &str, spent: &Spent| {
            format!("{:>9.2} s {:>9.2} s  {what}", spent.processor_s, spent.wall_s)
        };
        let times = |of: Option<f64>| of.map_or_else(String::new, |r| format!("{r:.2} times decoding"));
        let mut lines = vec!["  processor        wall  summed over threads".to_owned()];
        lines.extend(self.stages.iter().map(|(stage, spent)| row(stage, spent)));
        for clip in &self.clips {
            let all = clip.all();
            let of = times(ratio(all.processor_s, clip.decoding.processor_s));
            let what = format!(
                "{}: {} frames, decoding {:.2} s, {of}",
                clip.clip.display(),
                clip.frames,
                clip.decoding.processor_s
            );
            lines.push(row(&what, &all));
        }
        if let Some(takes) = self.takes_ratio() {
            lines.push(format!("takes: {}, from their clips to their plots", times(Some(takes))));
        }
        lines.push(row(&format!("the whole run: {}", times(self.whole_ratio())), &self.whole));
        lines
    }
}

fn ratio(of: f64, to: f64) -> Option<f64> {
    (to > 0.0).then(|| of / to)
}

thread_local! {
    /// What stages that ran within the one at hand took of this thread.
    static WITHIN: Cell<Spent> = const { Cell::new(Spent { processor_s: 0.0, wall_s: 0.0 }) };
}

/// Two clocks, read together: wall time, and processor time of this thread or of all threads of the program.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clocks {
    wall: Instant,
    processor: Duration,
    of_all: bool,
}

impl Clocks {
    /// Of the whole program.
    pub(super) fn of_program() -> Self {
        Self::now(true)
    }

    fn of_thread() -> Self {
        Self::now(false)
    }

    fn now(of_all: bool) -> Self {
        Self { wall: Instant::now(), processor: processor_time(of_all), of_all }
    }

    /// What was spent since they were read.
    pub(super) fn since(self) -> Spent {
        Spent {
            processor_s: processor_time(self.of_all).saturating_sub(self.processor).as_secs_f64(),
            wall_s: self.wall.elapsed().as_secs_f64(),
        }
    }
}

/// Processor time of this thread, or of all threads of the program; 0 where the machine does not tell.
#[cfg(unix)]
fn processor_time(of_all: bool) -> Duration {
    use rustix::time::{ClockId, clock_gettime};
    let now = clock_gettime(if of_all { ClockId::ProcessCPUTime } else { ClockId::ThreadCPUTime });
    Duration::new(u64::try_from(now.tv_sec).unwrap_or(0), u32::try_from(now.tv_nsec).unwrap_or(0))
}

#[cfg(not(unix))]
fn processor_time(_of_all: bool) -> Duration {
    Duration::ZERO
}

/// A stage being timed on this thread; stages that begin and end within it are taken off.
pub(super) struct Stopwatch {
    began: Clocks,
    outside: Spent,
}

impl Stopwatch {
    pub(super) fn start() -> Self {
        let outside = WITHIN.replace(Spent::default());
        Self { began: Clocks::of_thread(), outside }
    }

    /// What the stage itself took.
    pub(super) fn stop(self) -> Spent {
        let all = self.began.since();
        let within = WITHIN.replace(self.outside + all);
        all - within
    }
}

/// A clip whose decoder is timed.
pub(super) struct Timed<'a> {
    source: &'a mut (dyn FrameSource + Send),
    pub(super) spent: Spent,
    pub(super) frames: u64,
}

impl<'a> Timed<'a> {
    pub(super) fn new(source: &'a mut (dyn FrameSource + Send)) -> Self {
        Self { source, spent: Spent::default(), frames: 0 }
    }
}

impl FrameSource for Timed<'_> {
    fn info(&self) -> &ClipInfo {
        self.source.info()
    }

    fn next_frame(&mut self) -> Result<Option<FrameView<'_>>, FootageError> {
        let began = Clocks::of_thread();
        let frame = self.source.next_frame();
        self.spent += began.since();
        self.frames += u64::from(matches!(frame, Ok(Some(_))));
        frame
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
    use super::*;

    fn busy(wall: Duration) {
        let began = Instant::now();
        while began.elapsed() < wall {
            std::hint::black_box(began);
        }
    }

    #[test]
    fn a_stage_within_another_is_its_own() {
        let outer = Stopwatch::start();
        busy(Duration::from_millis(20));
        let inner = Stopwatch::start();
        busy(Duration::from_millis(60));
        let inner = inner.stop();
        let outer = outer.stop();
        assert!(inner.wall_s >= 0.06 && outer.wall_s >= 0.02);
        // only what a busy machine takes away between two readings may be counted to the outer one
        assert!(outer.processor_s < 0.05, "{outer:?} {inner:?}");
    }

    /// A sleeping thread uses no processor: the two clocks are different things.
    #[cfg(unix)]
    #[test]
    fn sleep_is_wall_time_alone() {
        let watch = Stopwatch::start();
        std::thread::sleep(Duration::from_millis(80));
        let spent = watch.stop();
        assert!(spent.wall_s >= 0.08 && spent.processor_s < 0.04, "{spent:?}");
    }

    #[test]
    fn ratios_count_what_belongs_to_takes() {
        let spent = |processor_s| Spent { processor_s, wall_s: processor_s };
        let clip = |name: &str, of_take, decoding, spots| ClipTimings {
            clip: name.into(),
            of_take,
            frames: 100,
            decoding: spent(decoding),
            spots: spent(spots),
            line_points: Spent::default(),
        };
        let timings = Timings {
            stages: BTreeMap::from([("path", spent(1.0)), ("report", spent(5.0)), ("spots", spent(9.0))]),
            clips: vec![clip("wand.mp4", false, 4.0, 7.0), clip("0003.mp4", true, 2.0, 2.0)],
            whole: spent(30.0),
        };
        // (2 + 2 + 1) / 2, and 30 / (4 + 2)
        assert_eq!(timings.takes_ratio(), Some(2.5));
        assert_eq!(timings.whole_ratio(), Some(5.0));
        let words = timings.in_words().join("\n");
        assert!(words.contains("0003.mp4: 100 frames, decoding 2.00 s, 2.00 times decoding"), "{words}");
        assert_eq!(Timings::default().takes_ratio(), None);
    }
}
