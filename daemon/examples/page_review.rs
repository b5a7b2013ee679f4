//! Serves the page over invented data, for looking at it: `cargo run -p nightjar --example
//! page_review -- 127.0.0.1:8090 [well|troubled|people|closed|empty]`. No sensor, no store, no message.
//! `empty` is well and has no eggs yet.
//! `closed` is `people` where reading needs a person too.
//! `people` is troubled and has a person `kim` with the password and PIN printed below.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

#[path = "../tests/web_stand/mod.rs"]
mod web_stand;

use nightjar::clock::{Clock, NotBeforeBuild, Now, SystemClock};
use nightjar::rack::Rack;
use nightjar::snapshot::{JarState, Snapshot};
use nightjar::web::backend::{Asked, Command, Reply, Role};
use nightjar::web::server::{Limits, serve};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Of the invented person; typed by the browser tests.
const PASSWORD: &str = "alder leaves on still water";
const PIN: &str = "482913";

/// Events somebody acknowledged, and who.
type Known = Arc<Mutex<BTreeMap<u64, String>>>;

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let mut words = std::env::args().skip(1);
    let address = words.next().unwrap_or_else(|| "127.0.0.1:8090".into());
    let mode = words.next().unwrap_or_else(|| "well".into());
    let troubled = mode != "well" && mode != "empty";
    let empty = mode == "empty";
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let mut stand = web_stand::stand(Arc::clone(&clock), troubled);
    if mode == "people" || mode == "closed" {
        stand.backend.access.reading_open = mode == "people";
        stand.backend.access.demo = None;
        let kim = web_stand::person("kim", Role::Manager, Some(PASSWORD), Some(PIN));
        stand.backend.people = Arc::new(vec![kim]);
        println!("kim: password \"{PASSWORD}\", PIN {PIN}");
    }
    let rack = Arc::clone(&stand.backend.rack);
    let present = Arc::new(stand.present);
    let known: Known = Arc::default();
    // What is shown stands still, so that a test sees what an idle station sends.
    let start = clock.now();
    let picture = {
        let (rack, known, clock) = (Arc::clone(&rack), Arc::clone(&known), Arc::clone(&clock));
        move || {
            let mut snap = now_of(&rack, start, clock.as_ref(), troubled, &known);
            if empty {
                without_eggs(&mut snap);
            }
            Arc::new(snap)
        }
    };
    stand.memory.entries.lock().unwrap().splice(0..0, web_stand::books::season(start));
    if empty {
        stand.memory.entries.lock().unwrap().clear();
        present.send_replace(picture());
    }
    let (memory, mut asked) = (stand.memory, stand.asked);
    tokio::spawn({
        let (present, picture) = (Arc::clone(&present), picture.clone());
        async move {
            while let Some(Asked { command, reply }) = asked.recv().await {
                let answer = match command {
                    Command::Entry(entry) => web_stand::book(&memory, *entry),
                    Command::Acknowledge { event, by } => {
                        match known.lock().unwrap().insert(event.0, by.to_string()) {
                            None => Reply::Done,
                            Some(_) => Reply::Already,
                        }
                    }
                    Command::Confirm { .. }
                    | Command::OnCall { .. }
                    | Command::Shelve { .. }
                    | Command::Unshelve { .. }
                    | Command::OutOfService { .. }
                    | Command::BackInService { .. } => Reply::Done,
                };
                present.send_replace(picture());
                let _nobody_waits = reply.send(answer);
            }
        }
    });
    tokio::spawn(async move {
        loop {
            tokio::time::sleep(Duration::from_secs(5)).await;
            present.send_replace(picture());
        }
    });
    let stop = stand.backend.stop.clone();
    let listener = tokio::net::TcpListener::bind(address).await?;
    // Several browsers come from this one address.
    let limits = Limits { per_address: 64, ..Limits::default() };
    serve(listener, nightjar::web::router(stand.backend), limits, stop).await;
    Ok(())
}

fn without_eggs(snap: &mut Snapshot) {
    snap.lots.clear();
    for jar in &mut snap.jars {
        jar.state = JarState::Empty;
        (jar.lot, jar.species, jar.loaded_at, jar.eggs, jar.eggs_l) = (None, None, None, None, None);
        (jar.progress, jar.minutes_without_flow) = (None, None);
    }
}

fn now_of(rack: &Rack, start: Now, clock: &dyn Clock, troubled: bool, known: &Known) -> Snapshot {
    let mut snap = web_stand::snapshot(rack, start, troubled);
    snap.now = clock.now();
    for alarm in &mut snap.alarms {
        if let Some(who) = known.lock().unwrap().get(&alarm.event.0) {
            alarm.acknowledged = Some((who.clone(), start.utc + Span::from_minutes(30)));
        }
    }
    snap
}
