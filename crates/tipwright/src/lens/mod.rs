//! Stage `lens`: intrinsics of each camera from pictures of a board, and projection with its inverse.

pub mod projection;
