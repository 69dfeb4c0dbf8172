//! Made-up results that belong together: of one school's evenings, and of one cast and its copies.

use nalgebra::Vector3;
use tipwright::model::results::SessionResults;
use tipwright::model::{FigureId, Measured, Stroke};

use super::{Wish, session};

/// The same under another title.
pub fn renamed(mut session: SessionResults, title: &str) -> SessionResults {
    session.title = title.into();
    for take in &mut session.takes {
        take.session = title.into();
        take.keys.session_id = Some(title.to_lowercase().replace(|c: char| !c.is_alphanumeric(), "-"));
        take.keys.caster_key = Some(format!("school-{}", take.caster));
    }
    session
}

/// Evenings of one school, a week apart: whoever was there, with keys and classes, and one thing in common for everybody on each evening.
pub fn season(evenings: usize, takes: usize) -> Vec<SessionResults> {
    let evening = |k: usize| {
        let seed = 1000 * k as u64;
        let mut session = renamed(
            session(&Wish { takes, feet: false, butt: true, seed }),
            &format!("Alder Reach, evening {}", k + 1),
        );
        let set_up = 1.0 + 0.05 * (k as f64 * 1.7).sin();
        for take in &mut session.takes {
            let day = 7 * k;
            take.keys.date =
                Some(format!("{}-{:02}-{:02}", 2025 + day / 336, 1 + day / 28 % 12, 1 + day % 28));
            take.keys.caster_class =
                Some(["beginners", "club"][usize::from(take.caster.as_str() > "02")].into());
            // the first caster's dip gets less, evening by evening
            let own = if take.caster == "01" { 1.0 - 0.6 * k as f64 / evenings as f64 } else { 1.0 };
            for stroke in &mut take.strokes {
                for (id, share) in [(FigureId::DipDepth, set_up * own), (FigureId::PeakSpeed, set_up)] {
                    if let Some(m) = stroke.figures.get(id) {
                        stroke.figures.set(id, Measured::new(m.value * share, m.sd));
                    }
                }
            }
        }
        session
    };
    (0..evenings).map(evening).collect()
}

/// One forward cast; the same 0.37 s later and elsewhere; the same with rod straight called 0.05 s later.
pub fn shifted() -> SessionResults {
    let mut out = session(&Wish { takes: 1, feet: false, butt: true, seed: 7 });
    let mut cast = out.takes[0].clone();
    cast.strokes = vec![cast.strokes[1].clone()];
    cast.phase = None;
    let moments = [FigureId::TStart, FigureId::TRsp, FigureId::TStop];
    let later = |stroke: &mut Stroke, ids: &[FigureId], by_s: f64| {
        for &id in ids {
            let m = stroke.figures.get(id).unwrap();
            stroke.figures.set(id, Measured::new(m.value + by_s, m.sd));
        }
    };
    let named = |who: (&str, &str), change: &dyn Fn(&mut Stroke)| {
        let mut take = cast.clone();
        (take.caster, take.alias, take.take) = (who.0.into(), who.1.into(), who.1.to_lowercase());
        change(&mut take.strokes[0]);
        take
    };
    out.takes = vec![
        named(("01", "Here"), &|_| {}),
        named(("02", "Elsewhere"), &|stroke| {
            let by_m = Vector3::new(1.300_04, -0.400_07, 0.250_03);
            later(stroke, &moments, 0.370_04);
            stroke.chord_in_cast.iter_mut().for_each(|p| *p += by_m);
            for sample in &mut stroke.samples {
                sample.t_s += 0.370_04;
                sample.tip_in_cast += by_m;
            }
        }),
        named(("03", "Otherwise"), &|stroke| later(stroke, &[FigureId::TRsp], 0.05)),
    ];
    out
}
