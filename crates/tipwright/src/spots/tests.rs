//! Spots on synthetic pictures of known truth.

mod causes;
mod clips;
mod large;
mod painter;
mod precision;
