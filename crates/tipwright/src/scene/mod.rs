//! Stage `scene`.

pub mod bootstrap;
