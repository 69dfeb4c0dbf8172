//! The wall to the outside: the only crate that names OpenCV or FFmpeg.

pub mod board;
