//! The outside watcher: a small program on another machine, with its own power and network, that
//! hears the signs of life of several stations and tells people by its own routes when one stops or
//! says *fail*. Silence of the watcher itself shows too: it reports every day.
//!
//! [`watcher`] decides and is pure; [`settings`] is its configuration, [`memory`] what survives a
//! restart, [`receive`] takes the signs of life, [`run`] ties them together.

pub mod memory;
pub mod receive;
pub mod run;
pub mod settings;
pub mod watcher;
