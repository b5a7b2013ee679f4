//! What the end-to-end tests share: the built programs, a broker, a daemon that can be killed, and
//! the plainest of HTTP clients; and the fault tests. Everything runs on this machine, on free ports, in folders that
//! are removed afterwards.

pub mod bench;
pub mod broker;
pub mod daemon;
pub mod http;
pub mod pace;
pub mod programs;
pub mod torture;
