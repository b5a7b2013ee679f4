//! `nightjar run`: the daemon.

use super::failure::Failure;
use crate::clock::{Clock, NotBeforeBuild, SystemClock};
use crate::config::{self, overrides::Overrides};
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
}

/// Worker threads of the runtime: the work is small, and two are plenty.
pub const WORKERS: usize = 2;

/// Runs until a signal or a failure.
///
/// # Errors
/// Exit 78 when the configuration is refused, 74 when something cannot be opened at the start, 70
/// when a vital task ended.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    let config =
        config::load(&arguments.config, &Overrides::from_environment()).map_err(Failure::configuration)?;
    crate::observe::start();
    let runtime = runtime()?;
    runtime.block_on(async {
        let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
        let stop = CancellationToken::new();
        let station = supervise::start(&config, clock, stop.clone(), Options { demo: None, page: true })
            .await
            .map_err(|error| Failure::input_output(format!("{error:#}")))?;
        if let Some(address) = station.address {
            tracing::info!(%address, station = config.rack.station, "watching; the page is open");
        }
        // Outside systemd there is nobody to notify.
        drop(sd_notify::notify(&[sd_notify::NotifyState::Ready]));
        watch_signals(stop)?;
        station.run_to_end().await.map_err(|error| Failure::internal(format!("{error:#}")))
    })
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
