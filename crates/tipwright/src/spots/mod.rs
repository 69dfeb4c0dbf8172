//! Stage `spots`.
