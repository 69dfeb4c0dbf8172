//! Stated probabilities against what came true: bins, intervals, scores, a plot.

use std::collections::BTreeMap;
use std::fmt::Write as _;

/// A stated probability and whether it came true.
pub type Said = (f64, bool);

/// Bins begin here; neighbours with fewer than [`FEWEST`] go together.
const EDGES: [f64; 10] = [0.0, 0.01, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 0.99];
/// Fewest strokes of a bin that is judged.
pub const FEWEST: usize = 30;

/// Strokes of about the same stated probability.
#[derive(Debug, Clone, PartialEq)]
pub struct Bin {
    pub strokes: usize,
    /// Mean of what was stated.
    pub stated: f64,
    pub came_true: usize,
    /// How many may come true: central 95 % of the count, if what was stated is so.
    pub within: [usize; 2],
}

impl Bin {
    fn of(said: &[Said]) -> Self {
        let stated: Vec<f64> = said.iter().map(|s| s.0).collect();
        Self {
            strokes: said.len(),
            stated: stated.iter().sum::<f64>() / said.len() as f64,
            came_true: said.iter().filter(|s| s.1).count(),
            within: central_95(&stated),
        }
    }

    pub fn share(&self) -> f64 {
        self.came_true as f64 / self.strokes as f64
    }

    pub fn is_inside(&self) -> bool {
        (self.within[0]..=self.within[1]).contains(&self.came_true)
    }
}

/// Central 95 % of the number that come true, of events with these probabilities: the sum of independent events that are not
/// alike (Poisson's binomial), its distribution built up event by event.
fn central_95(stated: &[f64]) -> [usize; 2] {
    let mut p = vec![1.0];
    for s in stated {
        p.push(0.0);
        for k in (0..p.len()).rev() {
            p[k] = p[k] * (1.0 - s) + if k > 0 { p[k - 1] * s } else { 0.0 };
        }
    }
    let mut below = 0.0;
    let mut out = [0, p.len() - 1];
    for (k, p) in p.iter().enumerate() {
        if below + p <= 0.025 {
            out[0] = k + 1;
        }
        below += p;
        if below >= 0.975 {
            out[1] = k;
            break;
        }
    }
    out
}

/// Bins of at least [`FEWEST`] strokes, from the unlikely to the likely; one smaller bin when there are fewer in all.
pub fn bins(said: &[Said]) -> Vec<Bin> {
    let mut sorted = said.to_vec();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut parts: Vec<Vec<Said>> = vec![Vec::new()];
    let mut edge = 0;
    for s in sorted {
        let own = EDGES.iter().rposition(|e| s.0 >= *e).unwrap_or(0);
        let full = parts.last().is_some_and(|p| p.len() >= FEWEST);
        if own != edge && full {
            parts.push(Vec::new());
        }
        edge = own;
        if let Some(last) = parts.last_mut() {
            last.push(s);
        }
    }
    if parts.len() > 1 && parts.last().is_some_and(|p| p.len() < FEWEST) {
        let rest = parts.pop().unwrap_or_default();
        if let Some(last) = parts.last_mut() {
            last.extend(rest);
        }
    }
    parts.iter().filter(|p| !p.is_empty()).map(|p| Bin::of(p)).collect()
}

/// Prints one thing's bins and scores. Bins that count, and those of them that lie outside.
pub fn print(name: &str, said: &[Said]) -> (usize, usize) {
    if said.is_empty() {
        println!("\n{name}: never asked");
        return (0, 0);
    }
    let n = said.len() as f64;
    let base = said.iter().filter(|s| s.1).count() as f64 / n;
    let brier = said.iter().map(|(p, t)| (p - f64::from(u8::from(*t))).powi(2)).sum::<f64>() / n;
    let of_base = base * (1.0 - base);
    let score = if of_base > 0.0 {
        format!("{:+.0} % against the base rate's", 100.0 * (brier / of_base - 1.0))
    } else {
        "nothing to tell".to_owned()
    };
    let told: Vec<&Said> = said.iter().filter(|s| s.0 >= 0.7).collect();
    let true_told = told.iter().filter(|s| s.1).count();
    println!(
        "\n{name}: {} strokes, base rate {:.1} %, Brier {brier:.4} ({score}), of {} told from 70 % on {:.0} % true, {:.0} % of the true told",
        said.len(),
        100.0 * base,
        told.len(),
        100.0 * true_told as f64 / told.len().max(1) as f64,
        100.0 * true_told as f64 / (base * n).max(1.0),
    );
    let (mut judged, mut outside) = (0, 0);
    for bin in bins(said) {
        let verdict = match (bin.strokes < FEWEST, bin.is_inside()) {
            (true, _) => "few",
            (_, true) => "inside",
            _ => "OUTSIDE",
        };
        judged += usize::from(bin.strokes >= FEWEST);
        outside += usize::from(verdict == "OUTSIDE");
        println!(
            "    stated {:5.1} %   came true {:4} of {:4} = {:5.1} %   95 %: {} to {}   {verdict}",
            100.0 * bin.stated,
            bin.came_true,
            bin.strokes,
            100.0 * bin.share(),
            bin.within[0],
            bin.within[1],
        );
    }
    (judged, outside)
}

/// Stated against came true, a dot a bin, with the interval of what was stated.
pub fn plot(all: &BTreeMap<String, Vec<Said>>) -> String {
    const SIDE: f64 = 150.0;
    let mut out = String::new();
    for (k, (name, said)) in all.iter().enumerate() {
        let (x0, y0) = (40.0 + (k % 4) as f64 * (SIDE + 40.0), 30.0 + (k / 4) as f64 * (SIDE + 50.0));
        let _ = write!(
            out,
            "<text x=\"{x0}\" y=\"{}\">{name} ({})</text><rect x=\"{x0}\" y=\"{y0}\" width=\"{SIDE}\" height=\"{SIDE}\" \
             fill=\"none\" stroke=\"#888\"/><path d=\"M{x0} {}l{SIDE} -{SIDE}\" stroke=\"#bbb\"/>",
            y0 - 6.0,
            said.len(),
            y0 + SIDE
        );
        for bin in bins(said) {
            let height = |share: f64| y0 + SIDE * (1.0 - share);
            let [low, high] = bin.within.map(|n| height(n as f64 / bin.strokes as f64));
            let (x, y) = (x0 + SIDE * bin.stated, height(bin.share()));
            let ink = if bin.strokes < FEWEST { "#aaa" } else { "#000" };
            let _ = write!(
                out,
                "<path d=\"M{x:.1} {low:.1}V{high:.1}\" stroke=\"{ink}\"/><circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3\" fill=\"{ink}\"/>"
            );
        }
    }
    let rows = all.len().div_ceil(4) as f64;
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"820\" height=\"{}\" font-family=\"serif\" font-size=\"11\">\
         <title>Came true against stated probability; bars: 95 % of what was stated; grey: fewer than {FEWEST}</title>{out}</svg>\n",
        40.0 + rows * (SIDE + 50.0)
    )
}
