//! Stage `path`.
