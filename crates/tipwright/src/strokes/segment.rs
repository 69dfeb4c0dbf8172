//! From a path to strokes: movements between reversals, and which of them are strokes.
//!
//! A movement is a stretch in which the tip keeps its way along the main axis of its motion (the eigenvector of the
//! second moment of velocity weighted by speed squared, so that strokes decide it and walking does not). It is a
//! stroke when it is fast against the take's other movements, long, and not the rod's ringing after a stop; a
//! movement that the clip's end or a long gap cuts is set aside, and its neighbours are told of it ([`Cut`]). Everything set
//! aside keeps its reason.

use nalgebra::{Matrix3, SymmetricEigen, Vector3};

use super::NotAStroke;
use super::config::StrokesConfig;
use super::curve::Columns;
use super::times::{Search, Times, moments};

/// A movement that is a stroke.
#[derive(Debug, Clone)]
pub(super) struct FoundStroke {
    /// The reversals it lies between.
    pub between_s: (f64, f64),
    /// Its moments on the path itself.
    pub times: Times,
    /// From start to stop, straight.
    pub chord_m: f64,
    /// Where draws look for them.
    pub search: Search,
}

struct Movement {
    from_s: f64,
    to_s: f64,
    piece_s: (f64, f64),
    times: Times,
    chord_m: f64,
    search: Search,
}

/// A stroke, as fast as the take's others, that was not seen whole: what of it was.
#[derive(Debug, Clone)]
pub(super) struct Cut {
    pub from_s: f64,
    pub to_s: f64,
    /// Which way it goes, unit length.
    pub way: Vector3<f64>,
}

/// What the movements of a take are, each in order of time.
#[derive(Debug, Default)]
pub(super) struct Segments {
    pub found: Vec<FoundStroke>,
    pub cut: Vec<Cut>,
    pub set_aside: Vec<NotAStroke>,
}

/// Why a movement is no stroke.
enum Why {
    TrackingError { peak_m_s: f64, most_m_s: f64 },
    Ringing,
    Slow { peak_m_s: f64, slowest_m_s: f64 },
    NoStart,
    NoStop,
    Short(f64),
    Brief(f64),
    Creep,
    GoesOn,
}

impl std::fmt::Display for Why {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::TrackingError { peak_m_s, most_m_s } => {
                write!(f, "tip speed {peak_m_s:.0} m/s is over {most_m_s:.0}: a tracking error")
            }
            Self::Ringing => f.write_str("the rod ringing after a stop"),
            Self::Slow { peak_m_s, slowest_m_s } => {
                write!(
                    f,
                    "slow: {peak_m_s:.1} m/s where a stroke of this take has at least {slowest_m_s:.1} m/s"
                )
            }
            Self::NoStart => f.write_str("cut by the start of the tracked span: its start was not seen"),
            Self::NoStop => f.write_str("cut by the end of the tracked span: its stop was not seen"),
            Self::Short(chord_m) => write!(f, "short: {chord_m:.2} m"),
            Self::Brief(lasts_s) => write!(f, "brief: {:.0} ms", lasts_s * 1000.0),
            Self::Creep => f.write_str("creep: it goes the way of the stroke after it"),
            Self::GoesOn => {
                f.write_str("it goes on the way of the stroke before it: drift, or lowering the rod")
            }
        }
    }
}

/// Finds strokes in order of time.
pub(super) fn segment(columns: &Columns, config: &StrokesConfig) -> Segments {
    let Some(axis) = main_axis(columns) else { return Segments::default() };
    let mut movements = Vec::new();
    for piece_s in pieces(columns, config) {
        movements.extend(movements_in(columns, config, piece_s, axis));
    }
    let reference_m_s = reference_speed(&movements, config);
    let Segments { mut found, mut cut, mut set_aside } = Segments::default();
    let mut swing: Option<(f64, f64)> = None;
    for m in movements {
        let verdict = judge(&m, found.last(), swing, reference_m_s, config);
        swing = matches!(verdict, Err(Why::Ringing)).then_some((m.times.peak_m_s, m.chord_m));
        match verdict {
            Ok(()) => {
                let t = m.times;
                let end_s = if t.t_stop_s.is_finite() { t.t_stop_s } else { m.to_s };
                let search = Search { peak_in_s: (t.t_start_s, end_s), ..m.search };
                found.push(FoundStroke {
                    between_s: (m.from_s, m.to_s),
                    times: t,
                    chord_m: m.chord_m,
                    search,
                });
            }
            Err(why) => {
                if m.times.peak_m_s >= config.min_peak_speed_m_s / 2.0
                    && m.chord_m >= config.min_chord_m / 2.0
                {
                    if matches!(why, Why::NoStart | Why::NoStop) {
                        cut.push(Cut { from_s: m.from_s, to_s: m.to_s, way: m.search.way });
                    }
                    set_aside.push(NotAStroke {
                        t_start_s: m.from_s,
                        t_end_s: m.to_s,
                        reason: why.to_string(),
                    });
                }
            }
        }
    }
    drop_second_movements(columns, config, &mut found, &mut set_aside);
    cut.retain(|c| {
        let Some(why) = second_beside(columns, c, &found) else { return true };
        set_aside.iter_mut().filter(|a| a.t_start_s == c.from_s).for_each(|a| a.reason = why.to_string());
        false
    });
    Segments { found, cut, set_aside }
}

/// Why a movement that was not seen whole is none beside the strokes found: it goes the way of a neighbour, and no gap lies between in
/// which the other way could have been lost.
fn second_beside(columns: &Columns, cut: &Cut, found: &[FoundStroke]) -> Option<Why> {
    let is_second = |f: &FoundStroke, from_s: f64, to_s: f64| {
        f.search.way.dot(&cut.way) > 0.0 && columns.gap_in(from_s, to_s).is_none()
    };
    let before = found.iter().rfind(|f| f.times.t_peak_s < cut.from_s);
    let after = found.iter().find(|f| f.times.t_peak_s > cut.to_s);
    if before.is_some_and(|f| is_second(f, f.times.t_peak_s, cut.from_s)) {
        return Some(Why::GoesOn);
    }
    after.is_some_and(|f| is_second(f, cut.to_s, f.times.t_peak_s)).then_some(Why::Creep)
}

/// Strokes alternate. Of two in a row the same way, with no gap between in which the other way could have been lost,
/// a much weaker one is what the rod does besides casting: creep before the stroke, drift or lowering after it.
fn drop_second_movements(
    columns: &Columns,
    config: &StrokesConfig,
    found: &mut Vec<FoundStroke>,
    set_aside: &mut Vec<NotAStroke>,
) {
    let mut i = 1;
    while i < found.len() {
        let (a, b) = (&found[i - 1], &found[i]);
        let same_way = a.search.way.dot(&b.search.way) > 0.0
            && columns.gap_in(a.times.t_peak_s, b.times.t_peak_s).is_none();
        let weaker =
            |x: &FoundStroke, y: &FoundStroke| x.times.peak_m_s < config.second_share * y.times.peak_m_s;
        let dropped = match (same_way && weaker(a, b), same_way && weaker(b, a)) {
            (true, _) => i - 1,
            (_, true) => i,
            _ => {
                i += 1;
                continue;
            }
        };
        let why = if dropped < i { Why::Creep } else { Why::GoesOn };
        let gone = found.remove(dropped);
        set_aside.push(NotAStroke {
            t_start_s: gone.between_s.0,
            t_end_s: gone.between_s.1,
            reason: why.to_string(),
        });
        i = i.saturating_sub(1).max(1);
    }
    set_aside.sort_by(|a, b| a.t_start_s.total_cmp(&b.t_start_s));
}

/// `swing` is the peak and the chord of the movement just before, when that was ringing.
fn judge(
    m: &Movement,
    last: Option<&FoundStroke>,
    swing: Option<(f64, f64)>,
    reference_m_s: f64,
    config: &StrokesConfig,
) -> Result<(), Why> {
    let peak = m.times.peak_m_s;
    if peak > config.max_speed_m_s {
        return Err(Why::TrackingError { peak_m_s: peak, most_m_s: config.max_speed_m_s });
    }
    if let Some(last) = last {
        let after_s = m.from_s - last.times.t_stop_s;
        let weak = peak < config.rebound_share * last.times.peak_m_s
            && m.chord_m < config.rebound_share * last.chord_m;
        // a swing that dies out is still the same ringing
        let dies_out = swing.is_some_and(|s| peak <= 1.1 * s.0 && m.chord_m <= 1.1 * s.1);
        if weak && (after_s < config.rebound_within_s || dies_out) {
            return Err(Why::Ringing);
        }
    }
    let slowest = config.min_peak_speed_m_s.max(config.min_peak_share * reference_m_s);
    if peak < slowest {
        return Err(Why::Slow { peak_m_s: peak, slowest_m_s: slowest });
    }
    let edge_s = m.search.step_s;
    if m.times.t_start_s.is_nan() {
        return Err(Why::NoStart);
    }
    let ends_with_piece = m.to_s > m.piece_s.1 - edge_s;
    if ends_with_piece && (m.times.t_stop_s.is_nan() || m.times.t_peak_s > m.piece_s.1 - edge_s) {
        return Err(Why::NoStop);
    }
    if m.chord_m < config.min_chord_m {
        return Err(Why::Short(m.chord_m));
    }
    let stop_s = if m.times.t_stop_s.is_finite() { m.times.t_stop_s } else { m.to_s };
    let lasts_s = stop_s - m.times.t_start_s;
    if lasts_s < config.min_duration_s {
        return Err(Why::Brief(lasts_s));
    }
    Ok(())
}

/// Main axis of the motion, unit length; `None` when nothing moves.
fn main_axis(columns: &Columns) -> Option<Vector3<f64>> {
    let v = &columns.nominal.velocities_in_world_m_s;
    let moment: Matrix3<f64> = v.iter().map(|v| v * v.transpose() * v.norm_squared()).sum();
    let moves = moment.trace() > 0.0 && moment.trace().is_finite();
    if !moves {
        return None;
    }
    let eigen = SymmetricEigen::new(moment);
    let axis = eigen.eigenvectors.column(eigen.eigenvalues.imax()).into_owned();
    Some(axis.normalize())
}

/// Stretches of time between gaps too long to bridge.
fn pieces(columns: &Columns, config: &StrokesConfig) -> Vec<(f64, f64)> {
    let mut out = Vec::new();
    let (Some(&first), Some(&last)) = (columns.t_s.first(), columns.t_s.last()) else { return out };
    let mut from = first;
    for gap in columns.gaps.iter().filter(|g| g.1 - g.0 > config.longest_bridge_s) {
        out.push((from, gap.0));
        from = gap.1;
    }
    out.push((from, last));
    out.retain(|p| p.1 - p.0 >= 4.0 * columns.step_s);
    out
}

fn movements_in(
    columns: &Columns,
    config: &StrokesConfig,
    piece_s: (f64, f64),
    axis: Vector3<f64>,
) -> Vec<Movement> {
    let curve = columns.curve();
    let step_s = columns.step_s / 2.0;
    let along = |t: f64| curve.velocity(t).dot(&axis);
    let n = ((piece_s.1 - piece_s.0) / step_s).ceil() as usize;
    let unseen = columns.gaps.iter().find(|g| g.1 == piece_s.0);
    let unseen_m = unseen.map(|g| (curve.position(g.1) - curve.position(g.0)).dot(&axis));
    let mut turns = vec![piece_s.0];
    let (mut t, mut w) = (piece_s.0, along(piece_s.0));
    for i in 1..=n {
        let next = (piece_s.0 + i as f64 * step_s).min(piece_s.1);
        let w_next = along(next);
        if (w > 0.0) != (w_next > 0.0) {
            turns.push(super::curve::crossing(along, t, next));
        }
        (t, w) = (next, w_next);
    }
    turns.push(piece_s.1);
    let mut out = Vec::new();
    for pair in turns.windows(2) {
        let (from_s, to_s) = (pair[0], pair[1]);
        if to_s - from_s < step_s {
            continue;
        }
        let sign = along((from_s + to_s) / 2.0).signum();
        let search = Search {
            peak_in_s: (from_s, to_s),
            reach_s: (piece_s.0, (to_s + 0.1).min(piece_s.1)),
            way: axis * sign,
            step_s,
            unseen_advance_m: unseen_m,
        };
        let times = moments(&curve, &search, config);
        let end_s = if times.t_stop_s.is_finite() { times.t_stop_s } else { to_s };
        let start_s = if times.t_start_s.is_finite() { times.t_start_s } else { from_s };
        let chord_m = (curve.position(end_s) - curve.position(start_s)).norm();
        out.push(Movement { from_s, to_s, piece_s, times, chord_m, search });
    }
    out
}

/// Upper quartile of the peaks of movements that could be strokes.
fn reference_speed(movements: &[Movement], config: &StrokesConfig) -> f64 {
    let mut peaks: Vec<f64> = movements
        .iter()
        .filter(|m| {
            m.times.peak_m_s >= config.min_peak_speed_m_s
                && m.times.peak_m_s <= config.max_speed_m_s
                && m.chord_m >= config.min_chord_m
        })
        .map(|m| m.times.peak_m_s)
        .collect();
    peaks.sort_by(f64::total_cmp);
    match peaks.len() {
        0 => 0.0,
        n => peaks[(3 * (n - 1)).div_ceil(4)],
    }
}
