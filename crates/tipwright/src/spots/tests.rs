//! Spots on synthetic pictures of known truth.

mod clips;
mod painter;
mod precision;
