//! Reads of the past, off the async threads and only a few at a time, so that charts cannot take
//! the machine from those who watch the eggs.

use super::backend::{Booked, EntryFilter, History, HistoryFault, Message, Series, Stretch};
use super::view::View;
use super::words::refusals;
use crate::alarm::event::{AlarmEvent, EventId};
use crate::reading::SensorIx;
use std::sync::Arc;

/// Reads of the past at one time.
pub const READS_AT_ONCE: usize = 2;

async fn read<T: Send + 'static>(
    view: &View,
    query: impl FnOnce(&dyn History) -> Result<T, HistoryFault> + Send + 'static,
) -> Result<T, String> {
    let turn = view.site.reads.acquire().await.map_err(|_| refusals::RECORD_CLOSED.to_owned())?;
    let history = Arc::clone(&view.site.backend.history);
    let answer = tokio::task::spawn_blocking(move || query(history.as_ref())).await;
    drop(turn);
    match answer {
        Ok(Ok(answer)) => Ok(answer),
        Ok(Err(fault)) => Err(fault.to_string()),
        Err(_) => Err(refusals::RECORD_UNREADABLE.into()),
    }
}

/// Samples of a sensor.
pub async fn series(view: &View, sensor: SensorIx, span: Stretch, slices: usize) -> Result<Series, String> {
    read(view, move |history| history.series(sensor, span, slices)).await
}

/// Entries, newest first.
pub async fn entries(view: &View, filter: EntryFilter) -> Result<Vec<Booked>, String> {
    read(view, move |history| history.entries(&filter)).await
}

/// What alarms did, newest first.
pub async fn journal(view: &View, event: Option<EventId>, limit: usize) -> Result<Vec<AlarmEvent>, String> {
    read(view, move |history| history.journal(event, limit)).await
}

/// The outbox, newest first.
pub async fn messages(view: &View, event: Option<EventId>, limit: usize) -> Result<Vec<Message>, String> {
    read(view, move |history| history.messages(event, limit)).await
}
