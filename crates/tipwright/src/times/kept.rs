//! Which stamps can be times of one clip.

/// Longest pause within a clip, seconds. Nothing a phone films stops for longer without a new file: exposures last a quarter of
/// a second at most, a full memory stalls for a second or two (common practice).
const LONGEST_PAUSE_S: f64 = 10.0;

/// Positions of the longest run of stamps that go on without running back or pausing for longer. A single stamp that jumps
/// away costs one frame; one that jumps and stays away costs the shorter part.
pub(super) fn kept(stamps_s: &[f64]) -> Vec<usize> {
    let mut runs: Vec<Vec<usize>> = Vec::new();
    for (i, stamp_s) in stamps_s.iter().enumerate().filter(|(_, s)| s.is_finite()) {
        let step_s = |run: &Vec<usize>| stamp_s - stamps_s[run[run.len() - 1]];
        // the run that it goes on, the latest first; few runs ever matter, so few are asked
        let asked = runs.len().saturating_sub(8);
        let goes_on = |run: &Vec<usize>| (0.0..=LONGEST_PAUSE_S).contains(&step_s(run));
        match runs[asked..].iter().rposition(goes_on) {
            Some(at) if step_s(&runs[asked + at]) > 0.0 => runs[asked + at].push(i),
            // the same stamp twice, or a little back: no frame of its own
            Some(_) => {}
            None if runs.last().is_some_and(|r| step_s(r).abs() <= LONGEST_PAUSE_S) => {}
            None => runs.push(vec![i]),
        }
    }
    runs.into_iter().rev().max_by_key(Vec::len).unwrap_or_default()
}
