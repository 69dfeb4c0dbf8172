//! The page.
use crate::model::results::SessionResults;
/// x
#[must_use]
pub fn session_page(session: &SessionResults) -> String {
    session.title.clone()
}
