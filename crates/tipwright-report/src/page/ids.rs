//! Where things stand: names of the pages and of the places on them.

use std::collections::BTreeMap;

use tipwright::model::results::{SessionResults, TakeResults};

/// Strokes a page holds before it goes on on the next: some 5 MB, opened at once by a phone.
const STROKES_PER_PAGE: usize = 100;

/// Text for a file name or an element's id: letters, digits and dashes.
#[must_use]
pub fn slug(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        if c.is_ascii_alphanumeric() {
            out.push(c.to_ascii_lowercase());
        } else if !out.ends_with('-') {
            out.push('-');
        }
    }
    out.trim_matches('-').to_owned()
}

/// One page of a caster: the takes whose strokes it holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CasterPage {
    /// File name.
    pub file: String,
    /// Indices of takes in the session.
    pub takes: Vec<usize>,
}

/// The pages of a session.
#[derive(Debug, Clone, Default)]
pub struct Book {
    casters: BTreeMap<String, (String, Vec<CasterPage>)>,
    files: Vec<String>,
}

impl Book {
    /// Lays out the pages: one per caster, more where a caster has more strokes than a page should hold.
    #[must_use]
    pub fn of(session: &SessionResults) -> Self {
        let mut own: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
        for (k, take) in session.takes.iter().enumerate() {
            own.entry(take.caster.as_str()).or_default().push(k);
        }
        let mut out = Self { casters: BTreeMap::new(), files: vec![String::new(); session.takes.len()] };
        let mut seen: Vec<String> = Vec::new();
        for (index, (caster, takes)) in own.into_iter().enumerate() {
            // Ids differ, but two may share a slug.
            let mut stem = slug(caster);
            if stem.is_empty() || seen.contains(&stem) {
                stem = format!("{stem}-{index}");
            }
            seen.push(stem.clone());
            let mut pages: Vec<CasterPage> = Vec::new();
            let mut held = usize::MAX;
            for k in takes {
                let strokes = session.takes[k].strokes.len();
                if held.saturating_add(strokes) > STROKES_PER_PAGE {
                    let number =
                        if pages.is_empty() { String::new() } else { format!("-{}", pages.len() + 1) };
                    pages.push(CasterPage { file: format!("caster-{stem}{number}.html"), takes: Vec::new() });
                    held = 0;
                }
                held += strokes;
                if let Some(page) = pages.last_mut() {
                    page.takes.push(k);
                    out.files[k].clone_from(&page.file);
                }
            }
            out.casters.insert(caster.to_owned(), (stem, pages));
        }
        out
    }

    /// Casters with their pages, in order of their ids.
    pub fn casters(&self) -> impl Iterator<Item = (&str, &[CasterPage])> {
        self.casters.iter().map(|(caster, (_, pages))| (caster.as_str(), pages.as_slice()))
    }

    /// A caster's name in file names.
    #[must_use]
    pub fn stem(&self, caster: &str) -> &str {
        self.casters.get(caster).map_or("", |c| &c.0)
    }

    /// A caster's first page.
    #[must_use]
    pub fn page(&self, caster: &str) -> &str {
        self.casters.get(caster).and_then(|c| c.1.first()).map_or("", |p| &p.file)
    }

    /// Link to a take.
    #[must_use]
    pub fn take(&self, session: &SessionResults, take: &TakeResults) -> String {
        format!("{}#{}", self.file_of(session, take), take_id(session, take))
    }

    /// Link to a stroke.
    #[must_use]
    pub fn stroke(&self, session: &SessionResults, take: &TakeResults, stroke: u32) -> String {
        format!("{}#{}", self.file_of(session, take), stroke_id(&take_id(session, take), stroke))
    }

    fn file_of(&self, session: &SessionResults, take: &TakeResults) -> &str {
        index_of(session, take).and_then(|k| self.files.get(k)).map_or("", String::as_str)
    }
}

fn index_of(session: &SessionResults, take: &TakeResults) -> Option<usize> {
    session.takes.iter().position(|t| std::ptr::eq(t, take))
}

/// Id of a take's section. Take names differ in session.toml, but two may share a slug: the index tells them apart.
#[must_use]
pub fn take_id(session: &SessionResults, take: &TakeResults) -> String {
    format!("take-{}-{}", index_of(session, take).unwrap_or(0), slug(&take.take))
}

/// Id of a stroke's article.
#[must_use]
pub fn stroke_id(take_id: &str, stroke: u32) -> String {
    format!("{take_id}-stroke-{stroke}")
}
