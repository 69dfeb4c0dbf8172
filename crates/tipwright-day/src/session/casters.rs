//! casters.csv: who casts.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::names::shown;
use super::{CasterId, CasterKey, Finding, RodLengthM, Subject};
use tipwright::model::Severity;

/// Its columns.
const COLUMNS: [&str; 7] = ["id", "alias", "hand", "rod_length_m", "note", "key", "class"];
/// What to do about a file that cannot be read.
pub(super) const REMEDY: &str =
    "its columns are id,alias,hand,rod_length_m,note and, if wanted, key and class; mend it, or take it away";
/// Rows told of; the rest is counted.
const MOST_MESSAGES: usize = 20;
/// Longest alias; a page has room for no more.
const LONGEST_ALIAS: usize = 64;

/// The hand that casts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Hand {
    /// Right.
    Right,
    /// Left.
    Left,
}

impl std::fmt::Display for Hand {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(match self {
            Self::Right => "right",
            Self::Left => "left",
        })
    }
}

/// A row of casters.csv.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Caster {
    /// Id, as used in takes.
    pub id: CasterId,
    /// Shown instead of a name.
    pub alias: String,
    /// The hand, where it is said.
    pub hand: Option<Hand>,
    /// Own rod's length, when it differs.
    pub rod_length_m: Option<RodLengthM>,
    /// Free text.
    pub note: String,
    /// The same person in every session of a school; without one nobody is.
    pub key: Option<CasterKey>,
    /// What kind of caster, in the school's own words: seasons are shown by it too.
    pub class: Option<String>,
}

/// What the file holds.
#[derive(Debug, Default)]
pub(super) struct Rows {
    /// Rows that can be used.
    pub casters: Vec<Caster>,
    /// Why the rows of an id cannot be used, by [`CasterId::key`]: what and what to do.
    pub bad: BTreeMap<String, (String, &'static str)>,
    /// What is wrong beside that.
    pub findings: Vec<Finding>,
}

fn finding(path: &Path, line: Option<u64>, severity: Severity, what: String, remedy: &str) -> Finding {
    let mut out = Finding::new(Subject::Session, severity, what, remedy).in_file(path);
    out.line = line.and_then(|l| usize::try_from(l).ok());
    out
}

/// A list of casters that cannot be used as it is.
#[derive(Debug, thiserror::Error)]
#[error("{what}; {remedy}: {}", path.display())]
pub struct CastersError {
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub remedy: String,
    /// File.
    pub path: PathBuf,
}

/// Every caster of a list, in its order; for those who need all of them.
///
/// # Errors
/// It cannot be read, a row cannot be used, or there is none.
pub fn read_casters(path: &Path) -> Result<Vec<Caster>, CastersError> {
    let fail =
        |what: String, remedy: &str| CastersError { what, remedy: remedy.into(), path: path.to_path_buf() };
    let text = super::read::read_file(path).map_err(|what| fail(what, REMEDY))?;
    let rows = parse(&text, path);
    if let Some(problem) = rows.findings.iter().find(|f| f.is_problem()) {
        return Err(fail(problem.what.clone(), &problem.remedy));
    }
    if let Some((what, remedy)) = rows.bad.into_values().next() {
        return Err(fail(what, remedy));
    }
    if rows.casters.is_empty() {
        return Err(fail("has no caster in it".into(), "write a row for each, as `tipwright new` shows"));
    }
    Ok(rows.casters)
}

/// Reads the file's text.
pub(super) fn parse(text: &str, path: &Path) -> Rows {
    let mut out = Rows::default();
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .flexible(true)
        .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
    let headers: Vec<String> = match reader.headers() {
        Ok(headers) => headers.iter().map(str::to_lowercase).collect(),
        Err(error) => {
            out.findings.push(finding(
                path,
                None,
                Severity::Problem,
                format!("cannot be read ({error})"),
                REMEDY,
            ));
            return out;
        }
    };
    let column = |name: &str| headers.iter().position(|h| h == name);
    let missing: Vec<&str> = COLUMNS[..2].iter().copied().filter(|c| column(c).is_none()).collect();
    if !missing.is_empty() {
        let what = format!("has no column {}", missing.join(", "));
        out.findings.push(finding(path, Some(1), Severity::Problem, what, REMEDY));
        return out;
    }
    for header in headers.iter().filter(|h| !COLUMNS.contains(&h.as_str())).take(MOST_MESSAGES) {
        let what = format!("column `{}` is not known", shown(header, 40));
        out.findings.push(finding(path, Some(1), Severity::Warning, what, REMEDY));
    }
    let mut told = 0;
    let (mut ids, mut keys) = (BTreeMap::new(), BTreeMap::new());
    for record in reader.records() {
        let (record, line) = match record {
            Ok(record) => {
                let line = record.position().map(csv::Position::line);
                (record, line)
            }
            Err(error) => {
                let what = format!("cannot be read ({error})");
                out.findings.push(finding(path, None, Severity::Problem, what, REMEDY));
                return out;
            }
        };
        let field = |name: &str| column(name).and_then(|i| record.get(i)).unwrap_or_default();
        match row(&field) {
            Ok((caster, hand_unknown)) => {
                if let (Some(hand), true) = (hand_unknown, told < MOST_MESSAGES) {
                    told += 1;
                    let what = format!("hand `{hand}` of caster {} is not known", caster.id);
                    out.findings.push(finding(path, line, Severity::Warning, what, "write right or left"));
                }
                *ids.entry(caster.id.key()).or_insert(0_usize) += 1;
                if let Some(key) = &caster.key {
                    keys.entry(key.key()).or_insert_with(Vec::new).push(caster.id.key());
                }
                out.casters.push(caster);
            }
            Err((what, remedy)) => {
                let key = field("id").to_lowercase();
                if told < MOST_MESSAGES {
                    told += 1;
                    out.findings.push(finding(path, line, Severity::Warning, what.clone(), remedy));
                }
                out.bad.insert(key, (what, remedy));
            }
        }
    }
    for (key, count) in ids {
        if count > 1 {
            let what = format!("casters.csv has {count} rows for caster `{key}`");
            out.bad.insert(key, (what, "give each caster an id of its own"));
        }
    }
    for (key, of) in keys.into_iter().filter(|(_, of)| of.len() > 1) {
        for id in of {
            let what = format!("casters.csv has the key `{key}` for {id} and for somebody else");
            out.bad.entry(id).or_insert((what, "give each caster a key of their own, or none"));
        }
    }
    let bad = &out.bad;
    out.casters.retain(|c| !bad.contains_key(&c.id.key()));
    out
}

/// One row, with a hand that is not known.
fn row<'a>(field: &dyn Fn(&str) -> &'a str) -> Result<(Caster, Option<String>), (String, &'static str)> {
    let id = CasterId::new(field("id")).map_err(|e| (format!("caster id {e}"), "correct the id"))?;
    let rod_length_m = match field("rod_length_m") {
        "" => None,
        text => {
            let number = text.parse::<f64>().unwrap_or(f64::NAN);
            let length = RodLengthM::new(number).map_err(|_| {
                let what = format!(
                    "casters.csv: rod_length_m = {} of caster {id} is no rod's length in metres",
                    shown(text, 20)
                );
                (what, "write butt cap to tip-top in metres: 9 ft is 2.743; or leave it empty")
            })?;
            Some(length)
        }
    };
    let (hand, unknown) = match field("hand").to_lowercase().as_str() {
        "right" | "r" => (Some(Hand::Right), None),
        "left" | "l" => (Some(Hand::Left), None),
        "" => (None, None),
        other => (None, Some(shown(other, 20))),
    };
    let alias = match field("alias") {
        "" => id.to_string(),
        alias => shown(alias, LONGEST_ALIAS),
    };
    let note = shown(field("note"), 1000);
    let key = match field("key") {
        "" => None,
        key => Some(CasterKey::new(key).map_err(|e| (format!("key of caster {id} {e}"), "correct the key"))?),
    };
    let class = Some(shown(field("class"), LONGEST_ALIAS)).filter(|class| !class.is_empty());
    Ok((Caster { id, alias, hand, rod_length_m, note, key, class }, unknown))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(rows: &str) -> Rows {
        parse(&format!("id,alias,hand,rod_length_m,note\n{rows}"), Path::new("casters.csv"))
    }

    #[test]
    fn values_that_no_rod_has_cost_their_caster() {
        for bad in ["-3", "NaN", "1e300", "10", "0", "inf", "9 ft"] {
            let rows = read(&format!("01,Heron,right,{bad},\n02,Otter,left,,\n"));
            assert_eq!(rows.casters.len(), 1, "{bad}");
            assert!(rows.bad["01"].0.contains("rod_length_m"), "{bad}");
        }
        assert_eq!(read("01,Heron,right,2.743,\n").casters[0].rod_length_m.map(RodLengthM::get), Some(2.743));
    }

    #[test]
    fn a_key_holds_beyond_the_session_and_is_one_persons() {
        let rows = |text: &str| parse(&format!("id,alias,key\n{text}"), Path::new("casters.csv"));
        let all = rows("01,Heron,s-17\n02,Otter,\n03,Wren\n");
        let keys: Vec<Option<&str>> =
            all.casters.iter().map(|c| c.key.as_ref().map(CasterKey::as_str)).collect();
        assert_eq!(keys, [Some("s-17"), None, None]);
        assert!(all.findings.is_empty());
        let twice = rows("01,Heron,s-17\n02,Otter,S-17\n03,Wren,s-18\n");
        assert_eq!(twice.casters.len(), 1);
        assert!(twice.bad["01"].0.contains("s-17") && twice.bad["02"].0.contains("s-17"));
        assert!(rows("01,Heron,a/b\n").bad["01"].0.contains("cannot be a name"));
    }

    #[test]
    fn a_class_is_a_text_that_may_be_absent() {
        let rows =
            parse("id,alias,class\n01,Heron, beginners \n02,Otter,\n03,Wren\n", Path::new("casters.csv"));
        let classes: Vec<Option<&str>> = rows.casters.iter().map(|c| c.class.as_deref()).collect();
        assert_eq!(classes, [Some("beginners"), None, None]);
        assert!(rows.findings.is_empty());
    }

    #[test]
    fn equal_ids_cost_their_casters() {
        let rows = read("a1,Heron,right,,\nA1,Otter,left,,\nb,Wagtail,,,\n");
        assert_eq!(rows.casters.len(), 1);
        assert!(rows.bad["a1"].0.contains("2 rows"));
    }

    #[test]
    fn what_a_terminal_would_act_on_is_blank() {
        let rows = read("01,He\u{1b}[31mron,both,,a\u{7}b\n");
        assert!(!rows.casters[0].alias.chars().any(char::is_control));
        assert!(rows.findings[0].what.contains("both"));
    }

    #[test]
    fn a_file_without_its_columns_is_refused() {
        assert!(parse("name,age\nx,3\n", Path::new("c")).findings[0].is_problem());
        assert!(parse("", Path::new("c")).findings[0].is_problem());
    }
}
