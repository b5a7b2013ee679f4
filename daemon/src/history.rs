//! The past, read from the store for the page.

use crate::alarm::event::{AlarmEvent, EventId};
use crate::logbook::{Act, Entry};
use crate::rack::Rack;
use crate::reading::SensorIx;
use crate::store::{JournalFilter, JournalKind, MessageState, StoreError, StoreHandle};
use crate::web::backend::{
    Booked, Bucket, EntryFilter, Fate, Gap, History, HistoryFault, Message, Series, Stretch,
};
use nightjar_calc::thermal::Rules;
use nightjar_calc::time::Span;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Reads the store for the page.
pub struct StoreHistory {
    store: StoreHandle,
    rack: Arc<Rack>,
}

/// Entries looked through for one answer.
const ENTRIES_LOOKED_AT: u32 = 200_000;

impl StoreHistory {
    /// Of a store and the rack its sensors sit on.
    #[must_use]
    pub fn new(store: StoreHandle, rack: Arc<Rack>) -> Self {
        Self { store, rack }
    }

    /// Every entry that can be read. One that is damaged is told by the storage alarm and must not hide
    /// the others.
    fn all_entries(&self) -> Result<Vec<Booked>, HistoryFault> {
        let entries = self
            .store
            .read_blocking(|r| r.readable_entries_after(0, ENTRIES_LOOKED_AT))
            .map_err(|error| fault(&error))?;
        let entries: Vec<Entry> = entries.into_iter().filter_map(|(_, entry)| entry.ok()).collect();
        let mut voids = BTreeMap::new();
        for entry in &entries {
            if let Act::Void(void) = &entry.act {
                voids.insert(void.entry.clone(), (entry.who.clone(), entry.happened_at, void.reason.clone()));
            }
        }
        Ok(entries.into_iter().map(|entry| Booked { voided: voids.get(&entry.id).cloned(), entry }).collect())
    }
}

fn fault(error: &StoreError) -> HistoryFault {
    HistoryFault(error.to_string())
}

/// The jar an entry is about, if it is about one.
fn jar_of(act: &Act) -> Vec<&str> {
    match act {
        Act::Load(a) => vec![a.jar.as_str()],
        Act::Move(a) => vec![a.from.as_str(), a.to.as_str()],
        Act::Split(a) => vec![a.from.as_str(), a.to.as_str()],
        Act::Pool(a) => vec![a.from.as_str(), a.into.as_str()],
        Act::Empty(a) => vec![a.jar.as_str()],
        Act::FlowSetPoint(a) => vec![a.jar.as_str()],
        Act::HandReading(a) => vec![a.jar.as_str()],
        Act::Siphon(a) => vec![a.jar.as_str()],
        Act::Treatment(a) => vec![a.jar.as_str()],
        Act::EyeUpSample(a) => vec![a.jar.as_str()],
        Act::HatchSeen(a) => vec![a.jar.as_str()],
        Act::FryCount(a) => a.jar.iter().map(|jar| jar.as_str()).collect(),
        Act::Mortality(a) => a.jar.iter().map(|jar| jar.as_str()).collect(),
        Act::Note(a) => a.jar.iter().map(|jar| jar.as_str()).collect(),
        Act::Take(_)
        | Act::TreatmentPlan(_)
        | Act::FertilizationSample(_)
        | Act::Lot(_)
        | Act::Held(_)
        | Act::Stocked(_)
        | Act::Calibration(_)
        | Act::ProbeMove(_)
        | Act::Void(_) => Vec::new(),
    }
}

/// The kind of an entry as in its JSON form.
fn kind_of(act: &Act) -> String {
    let json = serde_json::to_value(act).unwrap_or_default();
    json.get("kind").and_then(|kind| kind.as_str()).unwrap_or_default().to_owned()
}

impl History for StoreHistory {
    fn series(&self, sensor: SensorIx, span: Stretch, buckets: usize) -> Result<Series, HistoryFault> {
        let about = self.rack.sensor(sensor);
        let id = about.id.clone();
        let length = span.to.since(span.from).ms().max(1);
        let bar = Span::from_ms((length / i64::try_from(buckets.max(1)).unwrap_or(1)).max(1000));
        let bars = self
            .store
            .read_blocking(move |r| r.chart(&id, span.from, span.to, bar))
            .map_err(|error| fault(&error))?;
        let rules = Rules::for_interval(about.interval);
        let longest = rules.normal.max(Span::from_ms(bar.ms() * 2));
        let mut series = Series::default();
        for bar in bars.iter().filter(|bar| bar.used > 0) {
            if let Some(last) = series.buckets.last() {
                let hole: &Bucket = last;
                let length = bar.first_at.since(hole.last_at);
                if length > longest {
                    series.gaps.push(Gap {
                        stretch: Stretch { from: hole.last_at, to: bar.first_at },
                        bridged: length <= rules.bridge_limit,
                    });
                }
            }
            series.buckets.push(Bucket {
                first_at: bar.first_at,
                last_at: bar.last_at,
                first: bar.mean,
                last: bar.mean,
                min: bar.min,
                max: bar.max,
                doubtful: bar.readings.saturating_sub(bar.used),
                samples: bar.readings,
            });
        }
        Ok(series)
    }

    fn entries(&self, filter: &EntryFilter) -> Result<Vec<Booked>, HistoryFault> {
        let mut found: Vec<Booked> = self
            .all_entries()?
            .into_iter()
            .filter(|booked| filter.before.is_none_or(|before| booked.entry.happened_at < before))
            .filter(|booked| filter.jar.as_deref().is_none_or(|jar| jar_of(&booked.entry.act).contains(&jar)))
            .filter(|booked| filter.kind.as_deref().is_none_or(|kind| kind_of(&booked.entry.act) == kind))
            .collect();
        found.sort_by_key(|booked| std::cmp::Reverse(booked.entry.happened_at));
        found.truncate(filter.limit);
        Ok(found)
    }

    fn journal(&self, event: Option<EventId>, limit: usize) -> Result<Vec<AlarmEvent>, HistoryFault> {
        let filter = JournalFilter { kind: Some(JournalKind::Alarm), event, ..JournalFilter::default() };
        let lines =
            self.store.read_blocking(move |r| r.journal(&filter, 5_000)).map_err(|error| fault(&error))?;
        Ok(lines
            .into_iter()
            .filter_map(|line| serde_json::from_value(line.body.get("event")?.clone()).ok())
            .take(limit)
            .collect())
    }

    fn messages(&self, event: Option<EventId>, limit: usize) -> Result<Vec<Message>, HistoryFault> {
        let most = u32::try_from(limit).unwrap_or(u32::MAX);
        let rows = self
            .store
            .read_blocking(move |r| match event {
                Some(event) => r.messages_about(event),
                None => r.messages(None, most),
            })
            .map_err(|error| fault(&error))?;
        Ok(rows.into_iter().take(limit).map(|row| message(&row)).collect())
    }
}

fn message(row: &crate::store::Message) -> Message {
    let text = |key: &str| row.body.get(key).and_then(|v| v.as_str()).unwrap_or_default().to_owned();
    let answer = row.last_error.clone().unwrap_or_default();
    let fate = match row.state {
        MessageState::Queued | MessageState::Sending => Fate::Waiting { attempts: row.attempts, answer },
        MessageState::Accepted | MessageState::Delivered | MessageState::Direct => {
            Fate::Sent { at: row.changed_at }
        }
        MessageState::Failed => Fate::Failed { answer },
        MessageState::Expired => Fate::Failed { answer: "no longer of use: its time had passed".to_owned() },
        MessageState::Superseded => Fate::Failed { answer: "a newer message took its place".to_owned() },
    };
    Message {
        id: u64::try_from(row.id.0).unwrap_or(0),
        at: row.created_at,
        to: row.key.person.to_string(),
        route: row.key.route.clone(),
        event: row.key.event,
        subject: text("subject"),
        text: text("text"),
        fate,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{Clock, ManualClock};
    use crate::ids::PersonId;
    use crate::logbook::{EntryId, Note};
    use crate::store::{StoreOptions, import_entries, open};
    use nightjar_calc::time::Timestamp;

    #[tokio::test(flavor = "multi_thread")]
    async fn a_damaged_entry_does_not_hide_the_others() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("nightjar.sqlite");
        let at = Timestamp::parse("2026-04-20T10:00:00-05:00").unwrap();
        let note = |n: u32| Entry {
            id: EntryId(format!("entry-{n}")),
            happened_at: at,
            written_at: at,
            who: PersonId::new("kim").unwrap(),
            act: Act::Note(Note { jar: None, text: n.to_string() }),
        };
        import_entries(&file, &(1..=3).map(note).collect::<Vec<_>>()).unwrap();
        let db = rusqlite::Connection::open(&file).unwrap();
        db.execute("UPDATE entry SET body = substr(body, 1, 20) WHERE seq = 2", []).unwrap();
        drop(db);
        let options = StoreOptions { ballast_bytes: 0, ..StoreOptions::new(file, Vec::new()) };
        let store = open(options, Arc::new(ManualClock::new(at)) as Arc<dyn Clock>).unwrap();
        let text = "[station]\nname = \"Bench\"\ntime-zone = \"America/Chicago\"\n[[rack.header]]\nid = \"A\"\nrows = [[\"01\"]]\n\
                    [[source.serial]]\nid = \"board\"\nport = \"/dev/null\"\n";
        let rack = crate::config::parse(text, "the test").unwrap().rack;
        let history = StoreHistory::new(store, rack);
        let filter = EntryFilter { limit: 10, ..EntryFilter::default() };
        let shown = tokio::task::spawn_blocking(move || history.entries(&filter)).await.unwrap().unwrap();
        let shown: Vec<Entry> = shown.into_iter().map(|booked| booked.entry).collect();
        assert_eq!(shown, [note(1), note(3)]);
    }
}
