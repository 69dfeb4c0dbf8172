//! Tests of the stage on paths with known figures.

mod elastica;
mod kinds;
mod made;
mod noise;
mod oracles;
mod properties;
mod read;
mod rod;
mod sequence;

use super::*;
