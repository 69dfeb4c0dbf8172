//! Tests of the stage on paths with known figures.

mod made;
mod noise;
mod oracles;
mod properties;
mod sequence;

use super::*;
