//! `simulate -o DIR --days clinic|hard|faults|minimal|long|careless|single --seed N --side-light DEG --balls even|seamed|translucent|muddy
//! --slap-db DB --noises wind,voices,claps`.

use tipwright_simulate::day::{DayKind, SimulateConfig, Skin, Sounds, simulate};

use crate::args::SimulateArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Makes a simulated day.
pub fn run(args: &SimulateArgs, ui: &Ui) -> Result<(), Failure> {
    let kind = DayKind::from_name(&args.days)
        .ok_or_else(|| Failure::Unusable(format!("there is no simulated day `{}`", args.days)))?;
    let bar = ui.frames_bar("filming", Some(0));
    let has = |noise: &str| args.noises.iter().any(|n| n == noise);
    let sounds =
        Sounds { slap_db: args.slap_db, wind: has("wind"), voices: has("voices"), claps: has("claps") };
    let skin = Skin::from_name(&args.balls)
        .ok_or_else(|| Failure::Unusable(format!("no simulated balls are `{}`", args.balls)))?;
    let config = SimulateConfig { kind, seed: args.seed, side_light_deg: args.side_light, skin, sounds };
    let made = simulate(&config, &args.output, &|progress| {
        bar.set_length(progress.frames_total);
        bar.set_position(progress.frames_done);
    });
    bar.finish_and_clear();
    let made = made.map_err(Failure::unusable)?;
    ui.result_json(serde_json::json!({
        "session": made.session.display().to_string(), "truth": made.truth.display().to_string(),
        "clips": made.clips, "frames": made.frames,
    }));
    ui.result(&format!(
        "{} clips, {} frames: {} (truth in {})",
        made.clips,
        made.frames,
        made.session.display(),
        made.truth.display()
    ));
    Ok(())
}
