//! The alarms of a season by the journal, on the season's own time.

use anyhow::{Context, Result};
use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset, Change, Priority};
use nightjar::store::{JournalFilter, JournalKind, StoreHandle};
use nightjar_calc::time::Span;
use std::collections::BTreeMap;

/// Lines read at most: a season has a hundredth of it.
const MOST_LINES: u32 = 1_000_000;

/// One time that an alarm went on or became more urgent.
#[derive(Clone, Debug)]
pub struct Raised {
    pub event: u64,
    pub change: Change,
    pub kind: AlarmKind,
    pub asset: Asset,
    pub priority: Priority,
    /// When it was decided.
    pub at: Span,
    /// When it was over.
    pub cleared_at: Option<Span>,
    /// When a wider alarm took its place, which ends it too.
    pub covered_at: Option<Span>,
}

impl Raised {
    /// Neither over nor covered.
    pub const fn is_on(&self) -> bool {
        self.cleared_at.is_none() && self.covered_at.is_none()
    }
}

/// Every one of them, in order. A moment is that of its run and up-time: the wall clock may have been set.
pub async fn all(store: &StoreHandle, runs: &BTreeMap<i64, Span>) -> Result<Vec<Raised>> {
    let filter = JournalFilter { kind: Some(JournalKind::Alarm), ..JournalFilter::default() };
    let lines =
        store.read(move |r| r.journal(&filter, MOST_LINES)).await.context("cannot read the journal")?;
    let mut raised: Vec<Raised> = Vec::new();
    for line in lines.into_iter().rev() {
        let Some(event) = line.body.get("event").cloned() else { continue };
        let event: AlarmEvent = serde_json::from_value(event).context("a line of the journal is no event")?;
        let began = runs.get(&line.run).context("a line of a run that nobody started")?;
        let at = *began + Span::from_ms(i64::try_from(line.up.ms())?);
        match event.change {
            Change::Raised | Change::Again { .. } | Change::Worsened => raised.push(Raised {
                event: event.event.0,
                change: event.change,
                kind: event.kind,
                asset: event.asset,
                priority: event.priority,
                at,
                cleared_at: None,
                covered_at: None,
            }),
            Change::Cleared => {
                on(&mut raised, event.event.0).for_each(|raised| raised.cleared_at = Some(at));
            }
            Change::Covered { .. } => {
                on(&mut raised, event.event.0).for_each(|raised| raised.covered_at = Some(at));
            }
            Change::Grew
            | Change::Acknowledged { .. }
            | Change::Reminder
            | Change::Confirmed { .. }
            | Change::Shelved { .. }
            | Change::OutOfService { .. }
            | Change::Unsuppressed => {}
        }
    }
    Ok(raised)
}

/// What of an event is still on.
fn on(raised: &mut [Raised], event: u64) -> impl Iterator<Item = &mut Raised> {
    raised.iter_mut().filter(move |raised| raised.event == event && raised.is_on())
}
