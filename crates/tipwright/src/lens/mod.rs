//! Stage `lens`.
