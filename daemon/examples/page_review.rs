//! Serves the page over invented data, for looking at it: `cargo run -p nightjar --example
//! page_review -- 127.0.0.1:8090 [troubled]`. No sensor, no store, no message.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "../tests/web_stand/mod.rs"]
mod web_stand;

use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar::web::server::{Limits, serve};
use std::sync::Arc;
use std::time::Duration;

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let mut words = std::env::args().skip(1);
    let address = words.next().unwrap_or_else(|| "127.0.0.1:8090".into());
    let troubled = words.next().is_some_and(|word| word == "troubled");
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let stand = web_stand::stand(Arc::clone(&clock), troubled);
    tokio::spawn(web_stand::play_core(stand.asked, stand.memory));
    let rack = Arc::clone(&stand.backend.rack);
    let present = stand.present;
    tokio::spawn(async move {
        loop {
            tokio::time::sleep(Duration::from_secs(5)).await;
            present.send_replace(Arc::new(web_stand::snapshot(&rack, clock.now(), troubled)));
        }
    });
    let stop = stand.backend.stop.clone();
    let listener = tokio::net::TcpListener::bind(address).await?;
    serve(listener, nightjar::web::router(stand.backend), Limits::default(), stop).await;
    Ok(())
}
