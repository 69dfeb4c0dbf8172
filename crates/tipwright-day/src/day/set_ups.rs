//! The set-ups of a session: which are solved, and which take has which.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Mutex;

use rayon::prelude::*;

use super::DayError;
use super::lenses::{self, LensSource};
use super::run::Run;
use super::set_up::{SetUp, get};
use crate::session::{SetUpClips, SetUpName, Take};

/// A set-up, or why there is none.
type SetUpOrReason = Result<SetUp, String>;

/// The set-ups of a session that are asked for.
#[derive(Debug)]
pub struct SetUps {
    /// In the order of [`Session::set_ups`]; none where nobody asked.
    all: Vec<Option<SetUpOrReason>>,
    /// Digests of takes, filled as they are done.
    pub(super) take_digests: Mutex<BTreeMap<String, String>>,
}

impl SetUps {
    /// Those that were solved, in the session's order; at least one.
    pub fn solved(&self) -> impl Iterator<Item = &SetUp> {
        self.all.iter().filter_map(|s| s.as_ref()?.as_ref().ok())
    }

    /// The set-up of a take, or why it has none.
    pub(super) fn of(&self, take: &Take) -> Result<&SetUp, String> {
        match self.all.get(take.set_up_idx.unwrap_or(0)) {
            Some(Some(Ok(set_up))) => Ok(set_up),
            Some(Some(Err(reason))) => Err(reason.clone()),
            _ => Err("its set-up was not solved".into()),
        }
    }

    /// Digest of what a take rests on.
    pub(super) fn take_digest(&self, take: &str) -> Option<String> {
        self.take_digests.lock().ok()?.get(take).cloned()
    }

    /// Digests of everything the set-ups rest on, by name.
    pub(super) fn digests(&self) -> BTreeMap<String, String> {
        let named =
            |s: &SetUp, key: &String| s.name.as_ref().map_or_else(|| key.clone(), |n| format!("{n}: {key}"));
        self.solved().flat_map(|s| s.digests.iter().map(move |(k, v)| (named(s, k), v.clone()))).collect()
    }
}

/// Solves the set-ups of `takes`, or takes them from an earlier run; all of the session's where there are no takes. One of several
/// that cannot be solved costs its takes.
///
/// # Errors
/// None can be solved, or the results folder cannot be used.
pub(super) fn get_all<'t>(
    run: &Run<'_>,
    takes: impl IntoIterator<Item = &'t Take>,
) -> Result<SetUps, DayError> {
    let clips = run.session.set_ups();
    let mut wanted: BTreeSet<usize> = takes.into_iter().map(|t| t.set_up_idx.unwrap_or(0)).collect();
    if wanted.is_empty() {
        wanted.extend(0..clips.len());
    }
    let lenses: Vec<LensSource> =
        run.session.camera.par_iter().map(|camera| lenses::get(run, camera)).collect::<Result<_, _>>()?;
    run.warn(&lenses.iter().flat_map(|l| l.warnings.clone()).collect::<Vec<_>>());
    let mut all: Vec<Option<SetUpOrReason>> = clips.iter().map(|_| None).collect();
    let mut reasons = Vec::new();
    for idx in wanted.iter().copied() {
        let own = Own { idx, clips: &clips[idx], of: clips.len() };
        all[idx] = Some(match get(run, own, &lenses) {
            Err(DayError::Scene { reason }) => {
                let reason =
                    if own.of > 1 { format!("set-up {}: {reason}", own.clips.shown()) } else { reason };
                reasons.push(reason.clone());
                Err(reason)
            }
            solved => Ok(solved?),
        });
    }
    if reasons.len() == wanted.len() {
        return Err(DayError::Scene { reason: reasons.join("; ") });
    }
    Ok(SetUps { all, take_digests: Mutex::default() })
}

/// One of a session's set-ups.
#[derive(Clone, Copy)]
pub(super) struct Own<'a> {
    idx: usize,
    pub clips: &'a SetUpClips<'a>,
    /// So many there are.
    pub of: usize,
}

impl Own<'_> {
    /// What parts its files from those of the first.
    pub fn file_name(&self) -> Option<&SetUpName> {
        self.clips.name.filter(|_| self.idx > 0)
    }

    /// As events name it.
    pub fn about(&self) -> String {
        if self.of > 1 { format!("scene {}", self.clips.shown()) } else { "scene".into() }
    }
}
