//! What a row of places answers to the search for ridges in one direction: rows of what lies on it and to either side.

/// A ridge stands out on both sides: the smaller of the two steps.
#[inline(always)]
fn answer(mid: i16, low: i16, high: i16) -> i16 {
    let (p, q) = (mid - low, mid - high);
    p.min(q).max(0) + p.max(q).min(0)
}

/// What answers in the first direction.
#[inline(always)]
pub(super) fn take_first([mid, low, high]: [&[i16]; 3], best: &mut [i16]) {
    let len = mid.len();
    let (low, high, best) = (&low[..len], &high[..len], &mut best[..len]);
    for i in 0..len {
        best[i] = answer(mid[i], low[i], high[i]);
    }
}

/// Takes in what answers stronger in one more direction. Slices of its own: the compiler then knows that none overlaps another.
#[inline(always)]
pub(super) fn take_stronger(which: i16, [mid, low, high]: [&[i16]; 3], best: &mut [i16], across: &mut [i16]) {
    let len = mid.len();
    let (low, high, best, across) = (&low[..len], &high[..len], &mut best[..len], &mut across[..len]);
    for i in 0..len {
        let r = answer(mid[i], low[i], high[i]);
        // all ones or none: a branch would keep it from vectors
        let better = -i16::from(r.abs() > best[i].abs());
        best[i] = (r & better) | (best[i] & !better);
        across[i] = (which & better) | (across[i] & !better);
    }
}
