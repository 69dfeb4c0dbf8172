//! Stage `motion`.
