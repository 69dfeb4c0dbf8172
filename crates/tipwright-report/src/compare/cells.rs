//! Strokes sorted into the cells a comparison needs: who (rows), and which side (before or after, or one session or
//! another).

use std::collections::{BTreeMap, BTreeSet};

use super::{CompareBy, CompareChoice};
use tipwright::evidence::consistency::{Errors, errors_of};
use tipwright::model::results::{SessionResults, TakeKeys, TakeResults};
use tipwright::model::{FigureId, Measured, RspSource, Stroke, StrokeKind};

/// Strokes of one caster on one side, in order.
#[derive(Debug, Clone)]
pub struct Cell<'a> {
    /// The strokes.
    pub strokes: Vec<&'a Stroke>,
    /// What most of all the compared strokes take rod straight position from.
    source: RspSource,
    /// Whose the strokes' errors of measurement are.
    errors: Errors,
}

impl Cell<'_> {
    /// Values of a figure, in order of the strokes: of one that ends at rod straight position, where that is from the usual source.
    #[must_use]
    pub fn values(&self, id: FigureId) -> Vec<f64> {
        self.measured(id).iter().map(|m| m.value).collect()
    }

    /// One standard deviation of what the strokes' errors have in common; 0 where two cameras saw them.
    #[must_use]
    pub fn shared_sd(&self, id: FigureId) -> f64 {
        self.errors.shared_sd(&self.measured(id))
    }

    fn measured(&self, id: FigureId) -> Vec<Measured> {
        self.strokes.iter().filter_map(|s| s.like(id, self.source)).collect()
    }
}

/// Whose strokes, beyond one comparison; empty where several are meant, or names are left out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Keys {
    /// The session, where all strokes are of one.
    pub session_id: Option<String>,
    /// The caster's key over all sessions.
    pub caster_key: Option<String>,
}

/// What is put beside another: a phase, a session, or all strokes.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Side {
    /// Shown name; empty where casters are compared with each other.
    pub name: String,
    /// The session's id, where sides are sessions.
    pub session_id: Option<String>,
    /// The session's day, where sides are sessions.
    pub date: Option<String>,
}

impl Side {
    fn named(name: String) -> Self {
        Self { name, ..Self::default() }
    }
}

/// One caster with its cells by side.
#[derive(Debug, Clone)]
pub struct Row<'a> {
    /// Shown name.
    pub label: String,
    /// Who it is.
    pub keys: Keys,
    /// Class of casters, where casters.csv gives one.
    pub class: Option<String>,
    /// Cells by index of their side.
    pub cells: BTreeMap<usize, Cell<'a>>,
}

/// Everything sorted.
#[derive(Debug, Clone)]
pub struct Sorted<'a> {
    /// The sides; one when casters are compared with each other.
    pub sides: Vec<Side>,
    /// Casters.
    pub rows: Vec<Row<'a>>,
    /// What was left out and why.
    pub left_out: Vec<String>,
    /// One camera alone saw every stroke.
    pub one_camera: bool,
    /// Casters of the sessions who have nothing to be compared, and why.
    pub absent: Vec<String>,
}

impl Sorted<'_> {
    /// Whose strokes a row's cell of a side holds; of all rows together without one.
    #[must_use]
    pub fn keys(&self, row: Option<&Row<'_>>, side: usize) -> Keys {
        let of_row = row.map(|r| r.keys.clone()).unwrap_or_default();
        Keys { session_id: self.sides[side].session_id.clone().or(of_row.session_id), ..of_row }
    }
}

/// Sorts the strokes of some sessions.
#[must_use]
pub fn sort<'a>(sessions: &'a [SessionResults], choice: &CompareChoice) -> Sorted<'a> {
    let sides = sides(sessions, choice);
    let mut rows: Vec<Person<'a>> = Vec::new();
    let mut left_out: BTreeMap<String, usize> = BTreeMap::new();
    let errors = errors_of(sessions.iter().flat_map(|s| &s.takes).flat_map(|t| &t.strokes));
    for (session_idx, session) in sessions.iter().enumerate() {
        for take in &session.takes {
            let (pick_ups, strokes): (Vec<&Stroke>, Vec<&Stroke>) = take
                .strokes
                .iter()
                .filter(|s| choice.direction.is_none_or(|d| s.direction == d))
                .partition(|s| s.kind == StrokeKind::PickUp);
            let (alone, strokes): (Vec<&Stroke>, Vec<&Stroke>) =
                strokes.into_iter().partition(|s| errors == Errors::OfEach && s.views == 1);
            if !alone.is_empty() {
                let what = "strokes seen by one camera alone, which are measured in a plane that other takes or hung wands told";
                *left_out.entry(what.into()).or_default() += alone.len();
            }
            if !pick_ups.is_empty() {
                *left_out.entry("pick-ups, which are like no other stroke".into()).or_default() +=
                    pick_ups.len();
            }
            let side = match choice.by {
                CompareBy::Caster => Some(0),
                CompareBy::Phase => take.phase.as_ref().and_then(|p| sides.iter().position(|s| s.name == *p)),
                CompareBy::Session => Some(session_idx),
            };
            let Some(side) = side else {
                if !strokes.is_empty() {
                    let phase = match take.phase.as_deref() {
                        Some(_) if choice.anonymous => "another phase",
                        phase => phase.unwrap_or("no phase"),
                    };
                    *left_out.entry(format!("strokes of takes with {phase}")).or_default() += strokes.len();
                }
                continue;
            };
            let key = key_of(take, session_idx);
            let at = rows.iter().position(|p| p.key == key).unwrap_or_else(|| {
                rows.push(Person { key, session_idx, take, several: false, cells: BTreeMap::new() });
                rows.len() - 1
            });
            rows[at].several |= rows[at].session_idx != session_idx;
            let empty = || Cell { strokes: Vec::new(), source: RspSource::Bend, errors };
            rows[at].cells.entry(side).or_insert_with(empty).strokes.extend(strokes);
        }
    }
    let (mut rows, gone): (Vec<Person<'a>>, Vec<Person<'a>>) =
        rows.into_iter().partition(|row| row.cells.values().any(|c| !c.strokes.is_empty()));
    let absent = gone.iter().map(|p| absent(p, sessions, choice, errors)).collect();
    if let Some((what, n)) = take_usual_source(&mut rows) {
        left_out.insert(what, n);
    }
    let by_session = choice.by == CompareBy::Session;
    rows.sort_by_key(|p| (if by_session { 0 } else { p.session_idx }, &p.take.caster, p.session_idx));
    let rows = labelled(rows, sessions, choice);
    let nameless = choice.anonymous && choice.by == CompareBy::Phase;
    let numbered = |n| (1..=n).map(|k| Side::named(format!("phase {k}"))).collect();
    let sides = if nameless { numbered(sides.len()) } else { sides };
    let one = |what: &str| {
        what.replacen("s ", " ", 1).replacen("s, which are", ", which is", 1).replacen(
            "which are",
            "which is",
            1,
        )
    };
    let counted = |(what, n): (String, usize)| format!("{n} {}", if n == 1 { one(&what) } else { what });
    let left_out = left_out.into_iter().map(counted).collect();
    Sorted { sides, rows, left_out, one_camera: errors == Errors::Shared, absent }
}

/// A caster without a stroke to compare, and why.
fn absent(
    person: &Person<'_>,
    sessions: &[SessionResults],
    choice: &CompareChoice,
    errors: Errors,
) -> String {
    let takes: Vec<&TakeResults> = sessions
        .iter()
        .enumerate()
        .flat_map(|(k, s)| s.takes.iter().filter(move |t| key_of(t, k) == person.key))
        .collect();
    let strokes: Vec<&Stroke> = takes.iter().flat_map(|t| &t.strokes).collect();
    let of_way = |s: &&&Stroke| choice.direction.is_none_or(|d| s.direction == d);
    let why = if strokes.is_empty() {
        match takes.len() {
            1 => "the only take could not be measured".to_owned(),
            n => format!("none of {n} takes could be measured"),
        }
    } else if !strokes.iter().any(|s| of_way(&s)) {
        "none was cast this way".to_owned()
    } else if strokes.iter().filter(of_way).all(|s| s.kind == StrokeKind::PickUp) {
        "nothing but pick-ups".to_owned()
    } else if errors == Errors::OfEach
        && strokes.iter().filter(of_way).all(|s| s.views == 1 || s.kind == StrokeKind::PickUp)
    {
        "one camera alone saw all of it".to_owned()
    } else {
        "none on a side that is compared".to_owned()
    };
    let name = if choice.anonymous { "one caster" } else { person.take.alias.as_str() };
    format!("{name} ({why})")
}

/// Says to every cell what most strokes take rod straight position from, and how many of them take it from elsewhere.
fn take_usual_source(rows: &mut [Person<'_>]) -> Option<(String, usize)> {
    let all = || rows.iter().flat_map(|r| r.cells.values()).flat_map(|c| c.strokes.iter().copied());
    let source = RspSource::usual(all());
    let others = all().filter(|s| s.rsp_source != source).count();
    let what = match source {
        RspSource::Bend => {
            "strokes whose rod straight position is from the speed, in figures that end there: most have it from the bend"
        }
        RspSource::Speed => {
            "strokes whose rod straight position is from the bend, in figures that end there: most have it from the speed"
        }
    };
    rows.iter_mut().flat_map(|r| r.cells.values_mut()).for_each(|c| c.source = source);
    (others > 0).then(|| (what.into(), others))
}

/// One person's cells.
struct Person<'a> {
    key: String,
    /// Session and take first met in.
    session_idx: usize,
    take: &'a TakeResults,
    /// Met in further sessions.
    several: bool,
    cells: BTreeMap<usize, Cell<'a>>,
}

/// Who casts in a take: the same person in two sessions only where a key says so.
pub(super) fn key_of(take: &TakeResults, session_idx: usize) -> String {
    // results without an id, of an earlier program, are told apart by their places
    take.keys.of_caster(&take.caster).unwrap_or_else(|| format!("{session_idx}/{}", take.caster))
}

/// Rows with the names they are shown by: with the session's where an alias alone would not tell.
fn labelled<'a>(
    people: Vec<Person<'a>>,
    sessions: &[SessionResults],
    choice: &CompareChoice,
) -> Vec<Row<'a>> {
    let mut told: BTreeMap<&str, usize> = BTreeMap::new();
    for person in &people {
        *told.entry(person.take.alias.as_str()).or_default() += 1;
    }
    let mixed = sessions.len() > 1 && choice.by != CompareBy::Session;
    let label = |(index, p): (usize, &Person<'_>)| {
        if choice.anonymous {
            format!("Caster {}", letters(index))
        } else if !p.several && (mixed || told[p.take.alias.as_str()] > 1) {
            let title = &sessions[p.session_idx].title;
            let same_title = sessions.iter().filter(|s| s.title == *title).count() > 1;
            match &p.take.keys.date {
                Some(date) if same_title => format!("{} ({title}, {date})", p.take.alias),
                _ => format!("{} ({title})", p.take.alias),
            }
        } else {
            p.take.alias.clone()
        }
    };
    let labels: Vec<String> = people.iter().enumerate().map(label).collect();
    let keys = |p: &Person<'_>| match choice.anonymous {
        true => Keys::default(),
        false => Keys {
            session_id: p.take.keys.session_id.clone().filter(|_| !p.several),
            caster_key: p.take.keys.of_caster(&p.take.caster),
        },
    };
    let row = |(p, label): (Person<'a>, String)| Row {
        label,
        keys: keys(&p),
        class: p.take.keys.caster_class.clone().filter(|_| !choice.anonymous),
        cells: p.cells,
    };
    people.into_iter().zip(labels).map(row).collect()
}

/// The sides.
fn sides(sessions: &[SessionResults], choice: &CompareChoice) -> Vec<Side> {
    match choice.by {
        CompareBy::Caster => vec![Side::default()],
        CompareBy::Session => (0..sessions.len()).map(|k| side_of(sessions, k, choice.anonymous)).collect(),
        CompareBy::Phase => {
            let phases = choice.phases.clone().map_or_else(|| first_phases(sessions), |(a, b)| vec![a, b]);
            phases.into_iter().map(Side::named).collect()
        }
    }
}

/// A session as a side. Two of one title are told apart by their day, or by their place in the call.
fn side_of(sessions: &[SessionResults], k: usize, anonymous: bool) -> Side {
    let s = &sessions[k];
    if anonymous {
        return Side::named(format!("session {}", k + 1));
    }
    let is_shared = sessions.iter().filter(|o| o.title == s.title).count() > 1;
    let date = s.takes.iter().find_map(|t| t.keys.date.clone());
    let is_shared_day = |d: &&String| {
        let same = sessions.iter().filter(|o| o.title == s.title);
        same.filter(|o| o.takes.iter().any(|t| t.keys.date.as_ref() == Some(*d))).count() > 1
    };
    let name = match date.as_ref().filter(|d| !is_shared_day(d)) {
        _ if !is_shared => s.title.clone(),
        Some(day) => format!("{}, {day}", s.title),
        None => format!("{} ({})", s.title, k + 1),
    };
    Side { name, session_id: s.takes.iter().find_map(|t| t.keys.session_id.clone()), date }
}

/// The first two phases in the order they appear.
fn first_phases(sessions: &[SessionResults]) -> Vec<String> {
    let mut seen = BTreeSet::new();
    let mut out = Vec::new();
    for phase in sessions.iter().flat_map(|s| &s.takes).filter_map(|t| t.phase.clone()) {
        if seen.insert(phase.clone()) && out.len() < 2 {
            out.push(phase);
        }
    }
    out
}

/// The same results with letters for casters, numbers for takes and phases, and neither titles, ids, days, clip names nor film.
/// What a warning says of clips stays out too. A phase is a text of somebody's own: it may be a name.
#[must_use]
pub fn without_names(session: &SessionResults) -> SessionResults {
    let mut out = session.clone();
    let ids: BTreeSet<String> = session.takes.iter().map(|t| t.caster.clone()).collect();
    let letter = |id: &str| letters(ids.iter().position(|i| i == id).unwrap_or(0));
    let mut phases: Vec<&str> = Vec::new();
    for phase in session.takes.iter().filter_map(|t| t.phase.as_deref()) {
        if !phases.contains(&phase) {
            phases.push(phase);
        }
    }
    let numbered = |phase: &mut Option<String>| {
        if let Some(text) = phase {
            let idx = phases.iter().position(|p| p == text).unwrap_or(phases.len());
            *text = format!("phase {}", idx + 1);
        }
    };
    out.title = "A session".into();
    out.warnings.clear();
    out.notes.clear();
    for (k, take) in out.takes.iter_mut().enumerate() {
        let own = letter(&take.caster);
        take.session = "A session".into();
        take.keys = TakeKeys::default();
        numbered(&mut take.phase);
        take.take = format!("take {}", k + 1);
        // why may name clips
        take.one_view.iter_mut().for_each(|alone| alone.why.clear());
        take.alias = format!("Caster {own}");
        take.caster = own;
        take.clips.clear();
        take.warnings.clear();
        take.film.clear();
    }
    for s in &mut out.steadiness {
        numbered(&mut s.phase);
        s.caster = letter(&s.caster);
    }
    for d in &mut out.differences {
        numbered(&mut d.first);
        numbered(&mut d.second);
        d.caster = letter(&d.caster);
    }
    out
}

/// A, B, ..., Z, AA, AB, ...
#[must_use]
pub fn letters(index: usize) -> String {
    let mut left = index + 1;
    let mut out = String::new();
    while left > 0 {
        let letter = u8::try_from((left - 1) % 26).unwrap_or(0);
        out.insert(0, char::from(b'A' + letter));
        left = (left - 1) / 26;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::letters;

    #[test]
    fn letters_go_on_after_z() {
        assert_eq!([0, 1, 25, 26, 27, 701, 702].map(letters), ["A", "B", "Z", "AA", "AB", "ZZ", "AAA"]);
    }
}
