//! A phone on a tripod: lens, rolling shutter, exposure, noise, backgrounds, codec, sound.

pub mod backdrop;
pub mod clip;
pub mod disc;
pub mod exposure;
pub mod film;
pub mod lens;
pub mod noise;
pub mod play;
pub mod shade;
pub mod shutter;
pub mod skin;
pub mod sound;
pub mod sprite;
