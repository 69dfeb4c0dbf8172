//! What a day consists of: phones and their modes, weather, casters, takes. No clip is made here.

use nalgebra::Vector3;
use tipwright::model::Board;
use tipwright::model::{Camera, Colour};
use tipwright_day::session::Caster;
use tipwright_footage::encode::{Depth, Maker, PictureCodec, Spend};

use super::casts;
use super::planned::PlannedTake;
use super::{DayKind, SimulateConfig, Sounds, heap, place};
use crate::phone::backdrop::Surroundings;
use crate::phone::clip::ExposureSwing;
use crate::phone::noise::{NoiseModel, between, stream};
use crate::phone::shade::Sun;
use crate::phone::skin::Skin;

/// How a phone films.
#[derive(Debug, Clone)]
pub struct PhoneMode {
    /// Frames per second at capture.
    pub fps: u32,
    /// The file plays slower by this.
    pub slowed_by: u32,
    /// The file says so itself (`com.android.capture.fps`); otherwise session.toml does.
    pub slow_tag: bool,
    /// Codec.
    pub codec: PictureCodec,
    /// Sample depth.
    pub depth: Depth,
    /// Rate or quality.
    pub spend: Spend,
    /// Rolling-shutter readout.
    pub readout_s: f64,
    /// Exposure of a row.
    pub exposure_s: f64,
    /// Time stamps wander about the exposures by this (standard deviation), and now and then a frame is missing.
    pub jitter_s: f64,
    /// Clock rate error against the first phone.
    pub drift: f64,
    /// Error of the phone's calendar clock; `None`: writes no recording time.
    pub calendar_error_s: Option<i64>,
    /// Automatic exposure left on.
    pub exposure_swing: Option<ExposureSwing>,
    /// Sharpening by the phone: share of each sample's difference from its four neighbours that is added to it.
    pub sharpening: f32,
    /// Records sound; lag of the sound track inside the phone.
    pub sound_lag_s: Option<f64>,
    /// What it writes of itself.
    pub maker: Option<Maker>,
    /// Noise.
    pub noise: NoiseModel,
    /// File name ending.
    pub extension: &'static str,
}

/// A day.
pub struct Plan {
    /// Which.
    pub kind: DayKind,
    /// Seed.
    pub seed: u64,
    /// Title of the session.
    pub title: String,
    /// Phones, in session order.
    pub cameras: Vec<Camera>,
    /// Their modes.
    pub modes: Vec<PhoneMode>,
    /// Weather.
    pub surroundings: Surroundings,
    /// Sun on the markers; `None`: they are evenly bright discs.
    pub sun: Option<Sun>,
    /// Surface of the markers.
    pub skin: Skin,
    /// The board; `None`: lens files ready made.
    pub board: Option<Board>,
    /// Frames the board clip holds a pose, frames between poses, poses.
    pub board_frames: [usize; 3],
    /// Length of the wand clip; 0: it is only hung.
    pub wand_s: f64,
    /// Length of the plumb clip.
    pub plumb_s: f64,
    /// Length of the toss clip.
    pub toss_s: Option<f64>,
    /// Wand.
    pub wand_length_m: f64,
    /// Rod.
    pub rod_length_m: f64,
    /// Tip marker.
    pub tip: (Colour, f64),
    /// Butt markers: place along the rod, colour, diameter in millimetres.
    pub butts: Vec<(f64, Colour, f64)>,
    /// Air temperature.
    pub air_c: f64,
    /// Casters.
    pub casters: Vec<Caster>,
    /// Takes.
    pub takes: Vec<PlannedTake>,
    /// Pauses before the takes, each with the take's card in it, where one clip a phone holds them all; else none.
    pub pauses_s: Vec<f64>,
    /// Nothing happens for so much longer in each pause; whole pairs of seconds.
    pub idle_s: u32,
    /// Flashes on the water per second.
    pub glints_per_s: f64,
    /// People walk in the background.
    pub walkers: usize,
    /// The caster wears a white cap.
    pub white_cap: bool,
    /// Files that belong to nothing lie among the clips.
    pub strays: bool,
    /// What is heard beside a breeze and the take's claps.
    pub sounds: Sounds,
    /// How clips are filed and what lies beside them, where that is as phones do it.
    pub heap: Option<heap::Part>,
}

const GOOD_NOISE: NoiseModel = NoiseModel { photon: 6e-5, read: 0.0022, chroma_code: 0.7 };
/// H.264 in slow motion at the bits phones spend in a second of capture: about 100 Mbit at 1080p and 240 frames, 30 at 720p
/// and 120 (common practice). The noise of a grey evening has to fit into them, as it has in a phone. The file plays slower
/// than it was captured, and so its own rate is lower.
fn slow_motion(bits_per_capture_s: u64, slowed_by: u64) -> Spend {
    Spend::BitsPerS(bits_per_capture_s / slowed_by)
}
const BAD_NOISE: NoiseModel = NoiseModel { photon: 2.6e-4, read: 0.006, chroma_code: 1.4 };

fn mode(fps: u32) -> PhoneMode {
    PhoneMode {
        fps,
        slowed_by: 1,
        slow_tag: true,
        codec: PictureCodec::H264,
        depth: Depth::Bits8,
        // 20 to 40 Mbit/s at 1080p and 120 frames a second, as phones spend (common practice)
        spend: Spend::Quality(16.5),
        readout_s: 6.1e-3,
        exposure_s: 1.0 / 1000.0,
        jitter_s: 0.0,
        drift: 0.0,
        calendar_error_s: Some(0),
        exposure_swing: None,
        sharpening: 0.0,
        sound_lag_s: Some(0.0),
        maker: None,
        noise: GOOD_NOISE,
        extension: "mp4",
    }
}

fn fair_weather(seed: u64) -> Surroundings {
    Surroundings {
        tree_top_deg: 24.0,
        cloudiness: 0.35,
        cloud_light: 0.80,
        cloud_drift_px_s: 1.5,
        daylight: 1.0,
        sun_in_world: Vector3::new(-0.4, -0.7, 0.6),
        sun_visible: false,
        in_bloom: 0.0,
        seed: seed as u32 ^ 0xa1de,
    }
}

impl Plan {
    /// The plan of a configuration; of a day of several set-ups the first.
    #[must_use]
    pub fn new(config: &SimulateConfig) -> Self {
        let mut plan = match config.kind {
            DayKind::Clinic => Self::clinic(config),
            DayKind::Faults => Self::faults(config),
            DayKind::Hard => Self::hard(config),
            DayKind::Minimal => Self::minimal(config),
            DayKind::Long => Self::long(config),
            DayKind::Careless => Self::careless(config),
            DayKind::Single => Self::single(config),
            DayKind::Hour => Self::hour(config),
            DayKind::Heap => heap::plans(config).remove(0),
        };
        let side_light_deg = config.side_light_deg.or((config.kind == DayKind::Careless).then_some(50));
        plan.sun = side_light_deg.map(|deg| place::low_sun(f64::from(deg), &plan.cameras));
        plan.skin = config.skin;
        plan
    }

    fn clinic(config: &SimulateConfig) -> Self {
        let seed = config.seed;
        let mut rng = stream(seed, "plan");
        let cameras = place::phones(1920, 1080, (seed % 2 == 1).then_some(1), &mut rng);
        let west = PhoneMode { calendar_error_s: Some(2), sound_lag_s: Some(0.004), ..mode(120) };
        let east = PhoneMode {
            readout_s: 7.2e-3,
            exposure_s: 1.0 / 1250.0,
            drift: between(&mut rng, -25e-6, 25e-6),
            calendar_error_s: Some(-3),
            sound_lag_s: Some(0.011),
            extension: "mov",
            ..mode(120)
        };
        let casters = casts::clinic_casters();
        let takes = casts::clinic_takes(seed);
        Self {
            kind: config.kind,
            seed,
            title: "Alder Reach clinic".into(),
            cameras,
            modes: vec![west, east],
            surroundings: fair_weather(seed),
            sun: None,
            skin: Skin::Even,
            board: Some(Board::chessboard(9, 6, 25.0)),
            board_frames: [10, 6, 32],
            wand_s: 14.0,
            plumb_s: 3.5,
            toss_s: Some(3.0),
            wand_length_m: 1.0,
            rod_length_m: 2.743,
            tip: (Colour::White, 40.0),
            butts: vec![(0.40, Colour::Orange, 30.0), (0.66, Colour::Blue, 30.0)],
            air_c: 18.0,
            casters,
            takes,
            pauses_s: Vec::new(),
            idle_s: 0,
            glints_per_s: 25.0,
            walkers: 1,
            white_cap: true,
            strays: false,
            sounds: config.sounds,
            heap: None,
        }
    }

    fn hard(config: &SimulateConfig) -> Self {
        let mut plan = Self::clinic(config);
        let mut rng = stream(config.seed, "hard plan");
        plan.cameras = place::phones(1920, 1080, Some(1), &mut rng);
        plan.title = "Alder Reach, a grey evening".into();
        let swing = ExposureSwing { amount: 0.22, period_s: 3.1 };
        plan.modes[0] = PhoneMode {
            codec: PictureCodec::Hevc,
            depth: Depth::Bits10,
            jitter_s: 2.2e-4,
            calendar_error_s: None,
            exposure_s: 1.0 / 500.0,
            exposure_swing: Some(swing),
            noise: BAD_NOISE,
            extension: "mov",
            ..mode(120)
        };
        plan.modes[1] = PhoneMode {
            slowed_by: 8,
            spend: slow_motion(100_000_000, 8),
            readout_s: 3.9e-3,
            exposure_s: 1.0 / 640.0,
            drift: between(&mut rng, -30e-6, 30e-6),
            sound_lag_s: None,
            calendar_error_s: Some(4),
            noise: BAD_NOISE,
            ..mode(240)
        };
        let mut mill = place::phones(1280, 720, None, &mut rng).remove(1);
        mill.name = "mill".into();
        mill.lens = place::phone_lens(0, 1280, 720);
        mill.pose = place::looking(
            nalgebra::Point3::new(-6.4, -5.2, 1.7),
            nalgebra::Point3::from(place::MIDDLE),
            0.02,
        );
        plan.cameras.push(mill);
        plan.modes.push(PhoneMode {
            slowed_by: 4,
            slow_tag: false,
            spend: slow_motion(30_000_000, 4),
            readout_s: 5.2e-3,
            exposure_s: 1.0 / 800.0,
            drift: between(&mut rng, -30e-6, 30e-6),
            sound_lag_s: None,
            calendar_error_s: Some(-7),
            noise: BAD_NOISE,
            ..mode(120)
        });
        plan.surroundings = Surroundings {
            tree_top_deg: 13.0,
            cloudiness: 0.62,
            cloud_light: 0.86,
            cloud_drift_px_s: 9.0,
            daylight: 0.62,
            sun_in_world: Vector3::new(-0.28, 0.90, 0.36),
            sun_visible: true,
            in_bloom: 0.0,
            seed: config.seed as u32 ^ 0x9eaf,
        };
        plan.glints_per_s = 260.0;
        plan.walkers = 3;
        plan.toss_s = None;
        plan.wand_s = 10.0;
        plan.takes = casts::hard_takes(config.seed);
        plan
    }

    fn careless(config: &SimulateConfig) -> Self {
        let mut plan = Self::clinic(config);
        let mut rng = stream(config.seed, "careless plan");
        plan.title = "Alder Reach, as it came".into();
        plan.cameras = place::careless_phones(&mut rng);
        // set to nothing: exposure and sharpening are the phone's own, bits are scarce (common practice: 8 Mbit/s is a phone's small setting)
        plan.modes[0] = PhoneMode {
            spend: Spend::BitsPerS(8_000_000),
            readout_s: 14.0e-3,
            exposure_s: 1.0 / 400.0,
            exposure_swing: Some(ExposureSwing { amount: 0.15, period_s: 4.3 }),
            sharpening: 0.5,
            calendar_error_s: Some(31),
            ..mode(30)
        };
        plan.modes[1] = PhoneMode {
            slowed_by: 8,
            spend: slow_motion(64_000_000, 8),
            readout_s: 3.9e-3,
            exposure_s: 1.0 / 480.0,
            drift: between(&mut rng, -30e-6, 30e-6),
            exposure_swing: Some(ExposureSwing { amount: 0.12, period_s: 3.4 }),
            sharpening: 0.8,
            sound_lag_s: None,
            calendar_error_s: Some(-64),
            extension: "mov",
            ..mode(240)
        };
        plan.surroundings.in_bloom = 0.02;
        plan.board = None;
        plan.tip.0 = Colour::Yellow;
        plan.wand_s = 12.0;
        plan.toss_s = None;
        plan.takes = casts::short_takes(config.seed);
        plan.takes.truncate(4);
        plan
    }

    fn faults(config: &SimulateConfig) -> Self {
        let mut plan = Self::minimal(config);
        plan.title = "Alder Reach, a bad day for files".into();
        plan.casters = casts::clinic_casters();
        plan.takes = casts::faulty_takes(config.seed);
        plan.strays = true;
        plan
    }

    pub(super) fn minimal(config: &SimulateConfig) -> Self {
        let mut plan = Self::clinic(config);
        let mut rng = stream(config.seed, "minimal plan");
        plan.title = "Alder Reach, one cast".into();
        plan.cameras = place::phones(960, 540, None, &mut rng);
        plan.board = None;
        plan.wand_s = 5.0;
        plan.plumb_s = 1.5;
        plan.toss_s = None;
        plan.casters.truncate(1);
        plan.walkers = 0;
        // half the resolution needs larger butt markers to be seen as well as in full-size pictures
        for butt in &mut plan.butts {
            butt.2 = 50.0;
        }
        plan.takes = vec![casts::minimal_take(config.seed)];
        plan
    }

    fn single(config: &SimulateConfig) -> Self {
        let mut plan = Self::minimal(config);
        let mut rng = stream(config.seed, "single plan");
        plan.title = "Alder Reach, with one phone".into();
        plan.cameras = place::phones(1280, 720, None, &mut rng);
        plan.cameras.truncate(1);
        plan.modes.truncate(1);
        plan.wand_s = 0.0;
        plan.plumb_s = place::TwiceHung::SECONDS;
        plan.casters = casts::clinic_casters();
        plan.casters.truncate(2);
        plan.takes = casts::single_takes(config.seed);
        plan
    }
}
