//! Spots on synthetic pictures of known truth.

mod causes;
mod clips;
mod large;
mod lit;
mod painter;
mod precision;
