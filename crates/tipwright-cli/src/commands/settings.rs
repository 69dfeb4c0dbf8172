//! `settings`, and the files it writes read back for other commands; completions and the man page.

use clap::CommandFactory;
use tipwright::evidence::Rules;
use tipwright::line::SizeLimits;
use tipwright_day::day::DayConfig;
use tipwright_day::settings::Settings;
use tipwright_report::files::write_atomic;

use crate::args::{Args, CompletionsArgs, SettingsArgs, StageArgs};
use crate::failure::Failure;
use crate::ui::Ui;

/// Writes every setting.
pub fn run(args: &SettingsArgs, ui: &Ui) -> Result<(), Failure> {
    let settings = Settings::default();
    let text = settings.to_commented_toml();
    ui.result_json(serde_json::to_value(&settings).map_err(Failure::other)?);
    match &args.output {
        Some(file) => {
            write_atomic(file, text.as_bytes()).map_err(Failure::other)?;
            ui.say(&format!("Wrote {}", file.display()));
        }
        None => ui.result(text.trim_end()),
    }
    Ok(())
}

/// Settings of the stages and rules of the evidence as a command was told.
pub fn config(args: &StageArgs) -> Result<DayConfig, Failure> {
    let mut config = DayConfig { look: true, ..DayConfig::default() };
    if let Some(file) = &args.settings {
        config = config.with_settings(Settings::read(file).map_err(Failure::unusable)?);
    }
    if let Some(file) = &args.evidence {
        config.evidence = Rules::read(file).map_err(Failure::unusable)?;
    }
    if let Some(file) = &args.loop_sizes {
        config.loops.sizes = SizeLimits::read(file).map_err(Failure::unusable)?;
    }
    Ok(config)
}

/// Completions of a shell.
pub fn completions(args: &CompletionsArgs, ui: &Ui) {
    let mut text = Vec::new();
    clap_complete::generate(args.shell, &mut Args::command(), "tipwright", &mut text);
    page(&text, ui);
}

/// The man page.
pub fn man(ui: &Ui) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_mangen::Man::new(Args::command()).render(&mut text).map_err(Failure::other)?;
    page(&text, ui);
    Ok(())
}

fn page(text: &[u8], ui: &Ui) {
    let text = String::from_utf8_lossy(text);
    ui.result_json(serde_json::json!({ "text": text }));
    ui.result(text.trim_end());
}
