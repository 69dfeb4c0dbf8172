//! Stage `strokes`.
