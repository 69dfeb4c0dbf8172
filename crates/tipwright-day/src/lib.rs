//! A clinic day: a session is read and checked ([`session`]), measured and kept ([`day`]).

pub mod day;
pub mod session;
pub mod settings;
