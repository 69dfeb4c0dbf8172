//! How a command ends when it does not end well.

/// A failure with its exit status. The text names the file, the reason and the remedy.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The call or the session is unusable; nothing was computed. Exit status 2.
    #[error("{0}")]
    Unusable(String),
    /// Some takes failed, the rest is complete. Exit status 3.
    #[error("{0}")]
    Partial(String),
    /// Anything else. Exit status 1.
    #[error("{0}")]
    Other(String),
}

impl Failure {
    /// Exit status of the contract.
    pub fn status(&self) -> u8 {
        match self {
            Self::Unusable(_) => 2,
            Self::Partial(_) => 3,
            Self::Other(_) => 1,
        }
    }

    /// From an error that makes the call unusable.
    pub fn unusable(error: impl std::fmt::Display) -> Self {
        Self::Unusable(error.to_string())
    }

    /// From any other error.
    pub fn other(error: impl std::fmt::Display) -> Self {
        Self::Other(error.to_string())
    }
}
