//! `nightjar run`: the daemon.

use super::failure::Failure;
use crate::alarm::engine::Fact;
use crate::clock::{Clock, SystemClock};
use crate::config::{self, Config, Refused, overrides::Overrides};
use crate::health::trust::{MachineTrust, Places};
use crate::supervise::{self, Options};
use clap::Args;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// What to run.
#[derive(Debug, Args)]
pub struct Arguments {
    /// Configuration file
    #[arg(long, value_name = "FILE", default_value = "/etc/nightjar/nightjar.toml")]
    config: PathBuf,
    /// When the file is refused, watch with the last one that worked, and say so by an alarm
    #[arg(long)]
    fallback: bool,
    /// Where the last configuration that worked is kept
    #[arg(long, value_name = "FILE", default_value = "/var/lib/nightjar/last-good.toml")]
    last_good: PathBuf,
}

/// Worker threads of the runtime: the work is small, and two are plenty.
pub const WORKERS: usize = 2;

/// Runs until a signal or a failure.
///
/// # Errors
/// Exit 78 when the configuration is refused, 74 when something cannot be opened at the start, 70
/// when a vital task ended.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let (config, refused) = configuration(arguments)?;
    crate::observe::start();
    if let Some(refused) = &refused {
        tracing::error!(%refused, in_use = %arguments.last_good.display(), "the configuration is refused");
    }
    let runtime = runtime()?;
    runtime.block_on(async {
        let clock: Arc<dyn Clock> =
            Arc::new(SystemClock::new(Box::new(MachineTrust::new(Places::default()))));
        let stop = CancellationToken::new();
        let station = supervise::start(&config, clock, stop.clone(), Options { demo: None, page: true })
            .await
            .map_err(|error| Failure::input_output(format!("{error:#}")))?;
        if let Some(address) = station.address {
            tracing::info!(%address, station = config.rack.station, "watching; the page is open");
        }
        let active = refused.is_some();
        if station.facts.send(Fact::ConfigFallback { active }).await.is_err() {
            tracing::error!("the alarm about the configuration was not raised");
        }
        if arguments.fallback && !active {
            keep_last_good(arguments);
        }
        // Outside systemd there is nobody to notify.
        drop(sd_notify::notify(&[sd_notify::NotifyState::Ready]));
        watch_signals(stop)?;
        station.run_to_end().await.map_err(|error| Failure::internal(format!("{error:#}")))
    })
}

/// The configuration, or the last one that worked with why the other was refused.
fn configuration(arguments: &Arguments) -> Result<(Config, Option<Refused>), Failure> {
    let over = Overrides::from_environment();
    let refused = match config::load(&arguments.config, &over) {
        Ok(config) => return Ok((config, None)),
        Err(refused) => refused,
    };
    if arguments.fallback
        && let Ok(config) = config::load(&arguments.last_good, &over)
    {
        return Ok((config, Some(refused)));
    }
    Err(Failure::configuration(refused))
}

/// Keeps a copy of a configuration that the station has started with. Without it nothing is lost
/// today, so a failure is only told.
fn keep_last_good(arguments: &Arguments) {
    let part = arguments.last_good.with_extension("part");
    let kept = std::fs::read(&arguments.config)
        .and_then(|text| std::fs::write(&part, text))
        .and_then(|()| std::fs::rename(&part, &arguments.last_good));
    if let Err(error) = kept {
        tracing::warn!(%error, file = %arguments.last_good.display(), "the configuration was not kept");
    }
}

/// A runtime with named threads.
///
/// # Errors
/// When the system gives no threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKERS)
        .thread_name("nightjar")
        .enable_all()
        .build()
        .map_err(|error| Failure::internal(format!("cannot start threads: {error}")))
}

/// Cancels `stop` at the first SIGTERM or SIGINT.
///
/// # Errors
/// When signals cannot be listened to.
pub fn watch_signals(stop: CancellationToken) -> Result<(), Failure> {
    let listen =
        |kind| signal(kind).map_err(|error| Failure::internal(format!("cannot listen to signals: {error}")));
    let (mut terminate, mut interrupt) = (listen(SignalKind::terminate())?, listen(SignalKind::interrupt())?);
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
            () = stop.cancelled() => {}
        }
        drop(sd_notify::notify(&[sd_notify::NotifyState::Stopping]));
        stop.cancel();
    });
    Ok(())
}
