//! Stage `scene`: where the cameras stand, how long a metre is, which way is up, and how the clocks run.

pub mod bootstrap;
pub mod sound;
pub mod wand;
