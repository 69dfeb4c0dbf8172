//! A clinic day: a session is read and checked ([`session`]), measured ([`day`]) and kept ([`store`]).

pub mod day;
pub mod gather;
pub mod session;
pub mod settings;
pub mod store;
pub mod watch;
