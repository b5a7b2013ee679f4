//! The sign of life for an outside watcher, on another machine with its own power and network.
//!
//! It says *ok* only when silence can be trusted: every channel in use was looked at or is in a
//! known alarm, the alarm stage works, the store commits, no urgent message is stuck, and at least
//! one route is known to carry. Otherwise it says *fail* with the reasons, and the watcher alarms at
//! once. [`judge`] decides, [`document`] is what travels, [`seal`] proves who sent it, [`send`]
//! carries.

pub mod document;
pub mod judge;
pub mod seal;
pub mod send;
