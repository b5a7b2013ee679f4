//! See [`targets`].

pub mod targets;
