//! What `compare` reads of a finished day: the session without its takes, and where each of those is kept.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::film::KeptFilm;
use crate::session::TakeName;
use crate::store::{self, Files, Fixed, Place, Store, StoreError};
use tipwright::model::results::TakeStatus;
use tipwright::model::{SessionResults, TakeResults};

/// A take of a kept session.
#[derive(Serialize, Deserialize)]
enum KeptTake {
    /// Measured: kept by itself.
    Measured(TakeName),
    /// Failed: there is little of it.
    Failed(Box<TakeResults>),
}

#[derive(Serialize, Deserialize)]
struct KeptSession {
    session: SessionResults,
    takes: Vec<KeptTake>,
}

/// Keeps the session.
pub(super) fn write(store: &Store, results: &mut SessionResults) -> Result<(), StoreError> {
    let takes = results
        .takes
        .iter()
        .map(|take| match (take.status, TakeName::new(take.take.as_str())) {
            (TakeStatus::Done, Ok(name)) => KeptTake::Measured(name),
            _ => KeptTake::Failed(Box::new(take.clone())),
        })
        .collect();
    // the takes are large, and each is kept by itself
    let measured = std::mem::take(&mut results.takes);
    let part = KeptSession { session: results.clone(), takes };
    results.takes = measured;
    store.keep(&Place::fixed(Fixed::KeptSession), "", "", &Files::new(), &part)
}

/// Reads a session and its takes back.
pub(super) fn read(out: &Path) -> Result<SessionResults, StoreError> {
    let kept: KeptSession = store::read(out, &Place::fixed(Fixed::KeptSession))?;
    let takes = kept
        .takes
        .into_iter()
        .map(|take| match take {
            KeptTake::Measured(name) => {
                let take: TakeResults = store::read(out, &Place::kept_take(&name))?;
                // without a film nothing is kept of one
                let film: KeptFilm = store::read(out, &Place::kept_film(&name)).unwrap_or_default();
                Ok(TakeResults { film: film.films, ..take })
            }
            KeptTake::Failed(take) => Ok(*take),
        })
        .collect::<Result<_, StoreError>>()?;
    Ok(SessionResults { takes, ..kept.session })
}
