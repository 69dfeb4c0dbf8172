//! Errors beside what was stated of them.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use tipwright_simulate::casters::Habit;

/// One figure of one stroke (stroke 0: of the take or its set-up).
pub struct Row {
    pub seed: u64,
    pub habit: Habit,
    pub stroke: u32,
    pub figure: String,
    pub value: f64,
    pub error: f64,
    pub sd: f64,
}

pub fn csv(rows: &[Row]) -> String {
    let mut out = String::from("seed,habit,stroke,figure,true,error,sd\n");
    for r in rows {
        let _ = writeln!(
            out,
            "{},{},{},{},{},{},{}",
            r.seed,
            r.habit.key(),
            r.stroke,
            r.figure,
            r.value,
            r.error,
            r.sd
        );
    }
    out
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Standard error of the share inside: strokes of one set-up share its errors, so set-ups are drawn, not strokes (ratio
/// estimator of cluster sampling: Cochran, Sampling Techniques, 3rd ed. 1977, 9A, from memory).
fn share_se(rows: &[&Row], inside: impl Fn(&Row) -> bool) -> f64 {
    let mut by: BTreeMap<u64, (f64, f64)> = BTreeMap::new();
    for r in rows {
        let (hits, n) = by.entry(r.seed).or_default();
        *hits += f64::from(u8::from(inside(r)));
        *n += 1.0;
    }
    let (hits, n) = by.values().fold((0.0, 0.0), |a, b| (a.0 + b.0, a.1 + b.1));
    let share = hits / n;
    let set_ups = by.len() as f64;
    let sum: f64 = by.values().map(|(hits, n)| (hits - share * n).powi(2)).sum();
    (sum * set_ups / (set_ups - 1.0)).sqrt() / n
}

pub fn print(rows: &[Row]) {
    let mut by: BTreeMap<(bool, &str), Vec<&Row>> = BTreeMap::new();
    for r in rows {
        by.entry((r.stroke > 0, &r.figure)).or_default().push(r);
    }
    println!(
        "{:30} {:>6} {:>12} {:>12} {:>12} {:>10} {:>6} {:>10} {:>8}",
        "figure", "n", "median |e|", "mean e", "median sd", "inside 95", "se", "rms z", "med |z|"
    );
    let (mut inside_all, mut all) = (0.0, 0.0);
    for ((of_stroke, figure), rows) in &by {
        let n = rows.len() as f64;
        let is_inside = |r: &Row| r.error.abs() <= 1.959_964 * r.sd;
        let inside = rows.iter().filter(|r| is_inside(r)).count() as f64;
        let mut z: Vec<f64> = rows.iter().map(|r| (r.error / r.sd.max(1e-12)).abs().min(100.0)).collect();
        let rms_z = (z.iter().map(|z| z * z).sum::<f64>() / n).sqrt();
        let mut e: Vec<f64> = rows.iter().map(|r| r.error.abs()).collect();
        let mut sd: Vec<f64> = rows.iter().map(|r| r.sd).collect();
        let mean = rows.iter().map(|r| r.error).sum::<f64>() / n;
        if *of_stroke {
            inside_all += inside;
            all += n;
        }
        println!(
            "{figure:30} {n:>6} {:>12.5} {mean:>+12.5} {:>12.5} {:>8.1} % {:>6.1} {rms_z:>10.2} {:>8.2}",
            median(&mut e),
            median(&mut sd),
            100.0 * inside / n,
            100.0 * share_se(rows, is_inside),
            median(&mut z)
        );
    }
    let strokes: std::collections::BTreeSet<_> =
        rows.iter().filter(|r| r.stroke > 0).map(|r| (r.seed, r.stroke)).collect();
    println!(
        "{} strokes; all figures of strokes together: {:.1} % inside",
        strokes.len(),
        100.0 * inside_all / f64::max(all, 1.0)
    );
}
