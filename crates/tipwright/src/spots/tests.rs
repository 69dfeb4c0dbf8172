//! Spots on synthetic pictures of known truth.

mod clips;
mod large;
mod painter;
mod precision;
