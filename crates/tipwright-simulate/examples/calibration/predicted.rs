//! The loop that the line model makes of the measured path, against the loop of the simulated line: prints width, dip and
//! crossings, with the share of truths inside the 95 % interval.

use tipwright::model::{FigureId, StrokeKind};
use tipwright_simulate::confusion::Judged;

fn median(v: &mut [f64]) -> f64 {
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Prints what was predicted of the strokes that are no pick-ups.
pub fn print<'a>(judged: impl Iterator<Item = &'a Judged> + Clone) {
    let cast = judged.filter(|j| j.true_kind != Some(StrokeKind::PickUp));
    let pairs = |id: FigureId, of: FigureId| -> Vec<(f64, f64, f64)> {
        cast.clone()
            .filter_map(|j| {
                let (m, t) = (j.stroke.figures.get(id)?, j.truth.as_ref()?.figures.get(of)?);
                Some((m.value, m.sd, t.value))
            })
            .collect()
    };
    println!("\nthe loop that the path makes, line told with mass and length each 10 % off (one sd):");
    for (id, of) in [
        (FigureId::LoopWidthPredicted, FigureId::LoopWidth),
        (FigureId::FlyLegDipPredicted, FigureId::FlyLegDip),
    ] {
        let found = pairs(id, of);
        let mut off: Vec<f64> = found.iter().map(|(m, _, t)| (m - t).abs()).collect();
        let mut signed: Vec<f64> = found.iter().map(|(m, _, t)| m - t).collect();
        let mut sds: Vec<f64> = found.iter().map(|f| f.1).collect();
        let inside = found.iter().filter(|(m, sd, t)| (m - t).abs() <= 1.96 * sd).count();
        println!(
            "    {}: {} strokes, median error {:.3} m (of all {:+.3} m), median sd {:.3} m, {:.1} % inside 95 %",
            id.info().key,
            found.len(),
            median(&mut off),
            median(&mut signed),
            median(&mut sds),
            100.0 * inside as f64 / found.len().max(1) as f64
        );
    }
    let crossings = pairs(FigureId::LoopCrossingsPredicted, FigureId::LoopCrossings);
    let mut table = [[0; 3]; 3];
    for (said, _, truth) in &crossings {
        table[(*truth as usize).min(2)][(*said as usize).min(2)] += 1;
    }
    let right: usize = (0..3).map(|k| table[k][k]).sum();
    println!(
        "    crossings right in {right} of {} ({:.1} %); true none, once, twice said none/once/twice: {table:?}",
        crossings.len(),
        100.0 * right as f64 / crossings.len().max(1) as f64
    );
}
