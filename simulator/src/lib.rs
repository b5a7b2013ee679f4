//! sim
