//! Stage `scene`.
