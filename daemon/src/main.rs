//! The `nightjar` program.

fn main() {}
