//! Spots on synthetic pictures of known truth.

mod clips;
mod lit;
mod painter;
mod precision;
