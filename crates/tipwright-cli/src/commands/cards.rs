//! `cards CASTERS.csv`: a page to hold up for each caster and phase, and for what else is filmed.

use std::collections::BTreeSet;

use tipwright::cards::{Card, MOST_CASTERS, MOST_PHASES};
use tipwright::model::{Severity, Warning};
use tipwright_day::session::{Caster, Phase, read_casters};
use tipwright_report::files::write_atomic;
use tipwright_report::print::{CardWords, card_sheet, pdf};

use crate::args::CardsArgs;
use crate::failure::Failure;
use crate::ui::Ui;

/// Writes the pages.
pub fn run(args: &CardsArgs, ui: &Ui) -> Result<(), Failure> {
    if args.output.extension().is_none_or(|e| !e.eq_ignore_ascii_case("pdf")) {
        return Err(Failure::Unusable(format!("the output must end in .pdf: {}", args.output.display())));
    }
    let phases = phases(&args.phases)?;
    let path = if args.casters.is_dir() { args.casters.join("casters.csv") } else { args.casters.clone() };
    let casters = read_casters(&path).map_err(Failure::unusable)?;
    if casters.len() > MOST_CASTERS {
        return Err(Failure::Unusable(format!(
            "there are cards for {MOST_CASTERS} casters, and here are {}; make a list and a session for each half of the day: {}",
            casters.len(),
            path.display()
        )));
    }
    let mut pages: Vec<(Card, CardWords)> =
        Card::OTHERS.into_iter().filter_map(|card| Some((card, CardWords::of(card)?))).collect();
    for (caster_idx, caster) in casters.iter().enumerate() {
        for (phase_idx, phase) in phases.iter().enumerate() {
            let card = Card::take(caster_idx, &caster.id, phase_idx, phase);
            pages.extend(card.map(|card| (card, words(caster_idx, caster, phase))));
        }
    }
    for (_, words) in pages.iter().filter(|(_, words)| !words.can_be_printed()) {
        ui.warn(&Warning::new(
            Severity::Warning,
            format!("card {} {}", words.big, words.small),
            "its words have letters that the printed fonts lack; they are printed as question marks",
            "write them on the card by hand, or give an alias in letters of Western Europe",
        ));
    }
    let paper = args.paper.into();
    let sheets: Vec<_> = pages.iter().map(|(card, words)| card_sheet(*card, words, paper)).collect();
    write_atomic(&args.output, &pdf(&sheets, "Cards to hold up")).map_err(Failure::other)?;
    let told: Vec<_> = pages
        .iter()
        .map(|(card, words)| serde_json::json!({ "number": card.number(), "big": words.big, "small": words.small }))
        .collect();
    ui.result_json(serde_json::json!({ "cards": args.output.display().to_string(), "pages": told }));
    ui.result(&format!(
        "{} cards in {}: print them on plain paper at 100 %, add casters only at the end of {}",
        pages.len(),
        args.output.display(),
        path.display()
    ));
    Ok(())
}

fn words(caster_idx: usize, caster: &Caster, phase: &Phase) -> CardWords {
    CardWords {
        big: caster.alias.clone(),
        small: phase.to_string(),
        note: format!("Caster {}, row {} of casters.csv.", caster.id, caster_idx + 1),
    }
}

/// Phases by name, each once.
pub fn phases(given: &[String]) -> Result<Vec<Phase>, Failure> {
    let phases: Vec<Phase> = given
        .iter()
        .map(|p| Phase::new(p.trim()))
        .collect::<Result<_, _>>()
        .map_err(|e| Failure::Unusable(format!("--phases: {e}")))?;
    let keys: BTreeSet<String> = phases.iter().map(Phase::key).collect();
    if keys.len() < phases.len() || phases.len() > MOST_PHASES {
        return Err(Failure::Unusable(format!(
            "--phases: give 1 to {MOST_PHASES} names, each once; got {}",
            given.join(",")
        )));
    }
    Ok(phases)
}
