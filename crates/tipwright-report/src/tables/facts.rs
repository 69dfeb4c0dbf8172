//! What a Parquet file says of itself, so that it is understood without the folder it came from.

use std::sync::OnceLock;

use tipwright::model::results::TakeResults;

/// Version of the tables' layout, see CONTRACT: 2 since every table carries session id, date and caster key.
pub const SCHEMA: u32 = 2;

/// The build of the program, a constant of the process that only the crates above know.
static BUILD: OnceLock<&'static str> = OnceLock::new();

/// Says which build of the program writes the files; what is said first holds.
pub fn name_build(build: &'static str) {
    let _ = BUILD.set(build);
}

/// Program and build.
#[must_use]
pub fn program() -> String {
    let version = concat!("tipwright ", env!("CARGO_PKG_VERSION"));
    BUILD.get().map_or_else(|| version.to_owned(), |build| format!("{version}, build {build}"))
}

/// Facts of a file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Facts {
    /// The session's id.
    pub session_id: Option<String>,
    /// Its title.
    pub session: Option<String>,
    /// Its day.
    pub date: Option<String>,
}

impl Facts {
    /// Of the takes in a file: what all of them share.
    #[must_use]
    pub fn of<'a>(takes: impl IntoIterator<Item = &'a TakeResults>) -> Self {
        let takes: Vec<&TakeResults> = takes.into_iter().collect();
        let shared = |get: fn(&TakeResults) -> Option<&String>| {
            let first = get(takes.first()?)?;
            takes.iter().all(|t| get(t) == Some(first)).then(|| first.clone())
        };
        Self {
            session_id: shared(|t| t.keys.session_id.as_ref()),
            session: shared(|t| Some(&t.session)),
            date: shared(|t| t.keys.date.as_ref()),
        }
    }

    pub(super) fn pairs(&self) -> impl Iterator<Item = (&'static str, String)> + use<> {
        let fixed = [
            ("tipwright.program", program()),
            ("tipwright.schema", SCHEMA.to_string()),
            ("tipwright.units", "SI: m, s, m/s, Hz; degrees where a name ends in _deg, milliseconds where in _ms".to_owned()),
            (
                "tipwright.frames",
                "world: right-handed, +Z up; cast frame of a take: +X horizontal, the way the forward cast travels, +Y left, +Z \
                 up; times on the first camera's clock"
                    .to_owned(),
            ),
            ("tipwright.definitions", "tipwright dictionary".to_owned()),
        ];
        let of_session = [
            ("tipwright.session_id", self.session_id.clone()),
            ("tipwright.session", self.session.clone()),
            ("tipwright.date", self.date.clone()),
        ];
        fixed.into_iter().chain(of_session.into_iter().filter_map(|(k, v)| Some((k, v?))))
    }
}
