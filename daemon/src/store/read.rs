//! Reading: short transactions on read-only connections, away from the writer.

use super::chunk::{self, Summary};
use super::entries;
use super::error::StoreError;
use super::journal::{self, JournalFilter, JournalKind, JournalLine};
use super::meta::{self, ClockStep, Run, Session, SetAside};
use super::outbox::{self, Message, MessageId, OutboxCounts};
use super::pack;
use super::past_water;
use super::sample::{ChannelId, HOUR_MS, Merged, Sample, join};
use super::tail::{chunk_id, chunk_place, damaged, find_channel};
use super::unplaced;
use crate::alarm::event::EventId;
use crate::clock::{Now, Uptime};
use crate::ids::SensorId;
use crate::logbook::{Entry, EntryId};
use nightjar_calc::outlook::DailyMeans;
use nightjar_calc::thermal::{begin_of_hour, hour_of};
use nightjar_calc::time::{Span, Timestamp};
use rusqlite::{Connection, OptionalExtension, params};
use std::collections::BTreeMap;

/// One look at the store: everything read through it is of the same moment. Must not be kept.
#[derive(Debug)]
pub struct Reader<'a> {
    db: &'a Connection,
}

/// One bar of a chart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bucket {
    /// Its beginning.
    pub start: Timestamp,
    /// Readings in all.
    pub readings: u32,
    /// Of these good or uncertain; the rest is about these.
    pub used: u32,
    /// Smallest, in °C or L/min. Zero when none was used.
    pub min: f64,
    /// Largest.
    pub max: f64,
    /// Mean.
    pub mean: f64,
    /// Moment of the first used reading.
    pub first_at: Timestamp,
    /// Moment of the last used reading.
    pub last_at: Timestamp,
}

/// Readings that came in after a position, for a follower such as an export.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Following {
    /// Readings by sensor; some may have been handed out before, none is left out. Of two
    /// different ones with the same sensor and moment the one that stays is handed out last, once
    /// both are in a chunk.
    pub readings: Vec<(SensorId, Sample)>,
    /// To go on from.
    pub position: i64,
    /// Nothing newer was there.
    pub at_end: bool,
}

/// So much of a sensor's record is held in memory by [`Reader::each_reading`].
const WALKED_AT_ONCE: Span = Span::from_hours(24 * 7);

impl<'a> Reader<'a> {
    pub(super) fn new(db: &'a Connection) -> Self {
        Self { db }
    }

    /// Readings of a sensor from `from` up to, not including, `to`; in the order of time, each
    /// moment once. Empty for an unknown sensor.
    ///
    /// # Errors
    /// When the store cannot be read, or a stored hour is damaged.
    pub fn samples_between(
        &self,
        sensor: &SensorId,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<Sample>, StoreError> {
        let Some(channel) = find_channel(self.db, sensor.as_str())? else { return Ok(Vec::new()) };
        let mut found = Vec::new();
        self.each_chunk(channel, from, to, |hour, packed| {
            let samples = chunk::decode(hour, packed).map_err(|d| damaged(channel, hour, d))?;
            found.extend(samples.into_iter().filter(|s| s.at >= from && s.at < to));
            Ok(())
        })?;
        let tail = self.tail_of(channel, from, to)?;
        Ok(join(found, tail).samples)
    }

    /// Every reading from `from` up to, not including, `to`: one sensor after the other, each in the
    /// order of time. A week of one sensor is held at once. `take` ends it by an error of its own.
    ///
    /// # Errors
    /// That of `take`; and when the store cannot be read, or a row is damaged.
    pub fn each_reading<E: From<StoreError>>(
        &self,
        from: Timestamp,
        to: Timestamp,
        mut take: impl FnMut(&SensorId, &Sample) -> Result<(), E>,
    ) -> Result<(), E> {
        for sensor in self.sensors()? {
            let Some((first, last)) = self.extent(&sensor)? else { continue };
            let (mut at, end) = (from.max(first), to.min(last + Span::from_ms(1)));
            while at < end {
                let until = end.min(at + WALKED_AT_ONCE);
                for sample in &self.samples_between(&sensor, at, until)? {
                    take(&sensor, sample)?;
                }
                at = until;
            }
        }
        Ok(())
    }

    /// The first and the last reading of a sensor; `None` without any.
    ///
    /// # Errors
    /// When the store cannot be read, or a row is damaged.
    pub fn extent(&self, sensor: &SensorId) -> Result<Option<(Timestamp, Timestamp)>, StoreError> {
        let Some(channel) = find_channel(self.db, sensor.as_str())? else { return Ok(None) };
        let mut found: Option<(i64, i64)> = None;
        let mut add = |hour: i64| {
            let (first, last) = found.get_or_insert((hour, hour));
            *first = hour.min(*first);
            *last = hour.max(*last);
        };
        let bounds = params![chunk_id(channel, 0), chunk_id(channel, 0xffff_ffff)];
        let ends: (Option<i64>, Option<i64>) = self
            .db
            .prepare_cached("SELECT min(id), max(id) FROM chunk WHERE id BETWEEN ?1 AND ?2")?
            .query_row(bounds, |row| Ok((row.get(0)?, row.get(1)?)))?;
        [ends.0, ends.1].into_iter().flatten().for_each(|id| add(chunk_place(id).1));
        self.each_in_tail(0, |_, reading_channel, sample| {
            if reading_channel == channel {
                add(hour_of(sample.at));
            }
        })?;
        let Some((first, last)) = found else { return Ok(None) };
        let of_hour = |hour: i64| self.samples_between(sensor, begin_of_hour(hour), begin_of_hour(hour + 1));
        let (first, last) = (of_hour(first)?, of_hour(last)?);
        Ok(first.first().zip(last.last()).map(|(first, last)| (first.at, last.at)))
    }

    fn each_chunk(
        &self,
        channel: ChannelId,
        from: Timestamp,
        to: Timestamp,
        mut take: impl FnMut(i64, &[u8]) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let Some((first, last)) = hours(from, to) else { return Ok(()) };
        let mut statement =
            self.db.prepare_cached("SELECT id, packed FROM chunk WHERE id BETWEEN ?1 AND ?2 ORDER BY id")?;
        let mut rows = statement.query(params![chunk_id(channel, first), chunk_id(channel, last)])?;
        while let Some(row) = rows.next()? {
            let (_, hour) = chunk_place(row.get(0)?);
            take(hour, row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)?;
        }
        Ok(())
    }

    fn tail_of(&self, channel: ChannelId, from: Timestamp, to: Timestamp) -> Result<Vec<Sample>, StoreError> {
        let mut merged = Merged::default();
        self.each_in_tail(0, |_, reading_channel, sample| {
            if reading_channel == channel && sample.at >= from && sample.at < to {
                merged.add(sample);
            }
        })?;
        Ok(merged.into_vec())
    }

    fn each_in_tail(
        &self,
        after: i64,
        mut take: impl FnMut(i64, ChannelId, Sample),
    ) -> Result<(), StoreError> {
        let mut statement =
            self.db.prepare_cached("SELECT id, packed FROM tail WHERE id > ?1 ORDER BY id")?;
        let mut rows = statement.query([after])?;
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let readings = pack::unpack(row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)
                .map_err(|damage| StoreError::Damaged { place: format!("row {id} of the tail"), damage })?;
            for (channel, sample) in readings {
                take(id, channel, sample);
            }
        }
        Ok(())
    }

    /// A sensor's readings from `from` up to `to` in bars for a chart. Bars of an hour or more are
    /// made a whole number of hours, begin at a multiple of it since 1970 and take in whole hours,
    /// so that stored summaries serve; bars without any reading are left out.
    ///
    /// # Errors
    /// When the store cannot be read, or a stored hour is damaged.
    pub fn chart(
        &self,
        sensor: &SensorId,
        from: Timestamp,
        to: Timestamp,
        bar: Span,
    ) -> Result<Vec<Bucket>, StoreError> {
        let Some(channel) = find_channel(self.db, sensor.as_str())? else { return Ok(Vec::new()) };
        let bar = bar.ms().max(1);
        let mut bars: BTreeMap<i64, Summary> = BTreeMap::new();
        if bar < HOUR_MS {
            for sample in self.samples_between(sensor, from, to)? {
                add(&mut bars, sample.at.ms().div_euclid(bar) * bar, &Summary::of([&sample]));
            }
        } else {
            let Some((first, last)) = hours(from, to) else { return Ok(Vec::new()) };
            let bar_hours = (bar + HOUR_MS - 1) / HOUR_MS;
            let start = |hour: i64| hour.div_euclid(bar_hours) * bar_hours * HOUR_MS;
            let (from, to) = (Timestamp::from_ms(first * HOUR_MS), Timestamp::from_ms((last + 1) * HOUR_MS));
            let mut tail: BTreeMap<i64, Vec<Sample>> = BTreeMap::new();
            for sample in self.tail_of(channel, from, to)? {
                tail.entry(hour_of(sample.at)).or_default().push(sample);
            }
            for (hour, summary) in self.summaries(channel, first, last)? {
                // An hour with late readings still in the tail: one of them may be a repeat.
                let summary = match tail.remove(&hour) {
                    None => summary,
                    Some(late) => Summary::of(&join(self.one_chunk(channel, hour)?, late).samples),
                };
                add(&mut bars, start(hour), &summary);
            }
            for (hour, samples) in tail {
                add(&mut bars, start(hour), &Summary::of(&samples));
            }
        }
        Ok(bars.into_iter().map(|(start, summary)| bucket(start, &summary)).collect())
    }

    fn summaries(
        &self,
        channel: ChannelId,
        first: i64,
        last: i64,
    ) -> Result<Vec<(i64, Summary)>, StoreError> {
        let mut statement = self.db.prepare_cached(
            "SELECT id, n, used, low, high, total, first_at, last_at FROM chunk WHERE id BETWEEN ?1 AND ?2 ORDER BY id",
        )?;
        let rows =
            statement.query_map(params![chunk_id(channel, first), chunk_id(channel, last)], |row| {
                Ok((
                    chunk_place(row.get(0)?).1,
                    Summary {
                        n: row.get(1)?,
                        used: row.get(2)?,
                        low: row.get(3)?,
                        high: row.get(4)?,
                        sum: row.get(5)?,
                        first_at: row.get(6)?,
                        last_at: row.get(7)?,
                    },
                ))
            })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    fn one_chunk(&self, channel: ChannelId, hour: i64) -> Result<Vec<Sample>, StoreError> {
        let packed: Option<Vec<u8>> = self
            .db
            .prepare_cached("SELECT packed FROM chunk WHERE id = ?1")?
            .query_row([chunk_id(channel, hour)], |row| row.get(0))
            .optional()?;
        packed.map_or(Ok(Vec::new()), |packed| {
            chunk::decode(hour, &packed).map_err(|d| damaged(channel, hour, d))
        })
    }

    /// The newest usable reading of every sensor that has one.
    ///
    /// # Errors
    /// When the store cannot be read, or a stored hour is damaged.
    pub fn latest(&self) -> Result<BTreeMap<SensorId, Sample>, StoreError> {
        let names = self.channel_names()?;
        let mut newest: BTreeMap<ChannelId, Sample> = BTreeMap::new();
        let mut offer = |channel: ChannelId, sample: Sample| {
            let place = newest.entry(channel).or_insert(sample);
            if sample.at > place.at || (sample.at == place.at && sample.beats(place)) {
                *place = sample;
            }
        };
        self.each_in_tail(0, |_, channel, sample| {
            if sample.is_usable() {
                offer(channel, sample);
            }
        })?;
        for &channel in names.keys() {
            let last: Option<i64> = self
                .db
                .prepare_cached(
                    "SELECT id FROM chunk WHERE id BETWEEN ?1 AND ?2 AND used > 0 ORDER BY id DESC LIMIT 1",
                )?
                .query_row(params![chunk_id(channel, 0), chunk_id(channel, 0xffff_ffff)], |row| row.get(0))
                .optional()?;
            if let Some((_, hour)) = last.map(chunk_place) {
                let samples = self.one_chunk(channel, hour)?;
                if let Some(sample) = samples.into_iter().rev().find(Sample::is_usable) {
                    offer(channel, sample);
                }
            }
        }
        Ok(newest
            .into_iter()
            .filter_map(|(channel, sample)| Some((names.get(&channel)?.clone(), sample)))
            .collect())
    }

    fn channel_names(&self) -> Result<BTreeMap<ChannelId, SensorId>, StoreError> {
        let mut statement = self.db.prepare_cached("SELECT id, name FROM channel ORDER BY id")?;
        let rows = statement.query_map([], |row| Ok((ChannelId(row.get(0)?), row.get::<_, String>(1)?)))?;
        let mut names = BTreeMap::new();
        for row in rows {
            let (channel, name) = row?;
            if let Ok(name) = SensorId::new(&name) {
                names.insert(channel, name);
            }
        }
        Ok(names)
    }

    /// Daily means of past springs that were imported, °C.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn imported_water(&self) -> Result<DailyMeans, StoreError> {
        past_water::imported(self.db)
    }

    /// Every sensor that ever had a place in the store.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn sensors(&self) -> Result<Vec<SensorId>, StoreError> {
        Ok(self.channel_names()?.into_values().collect())
    }

    /// Readings that reached the store after `position`, about `limit` of them (a row or a set of
    /// chunks is never cut). Begin with position 0.
    ///
    /// # Errors
    /// When the store cannot be read, or a stored hour is damaged.
    pub fn following(&self, position: i64, limit: usize) -> Result<Following, StoreError> {
        let names = self.channel_names()?;
        let mut found = Following { readings: Vec::new(), position, at_end: false };
        let mut chunks =
            self.db.prepare_cached("SELECT id, packed FROM chunk WHERE upto = ?1 ORDER BY id")?;
        while found.readings.len() < limit {
            let next: Option<i64> = self
                .db
                .prepare_cached(
                    "SELECT min(n) FROM (SELECT min(id) AS n FROM tail WHERE id > ?1
                     UNION ALL SELECT min(upto) FROM chunk WHERE upto > ?1)",
                )?
                .query_row([found.position], |row| row.get(0))?;
            let Some(next) = next else {
                found.at_end = true;
                break;
            };
            let mut take = |channel: ChannelId, sample: Sample| {
                if let Some(name) = names.get(&channel) {
                    found.readings.push((name.clone(), sample));
                }
            };
            let mut rows = chunks.query([next])?;
            while let Some(row) = rows.next()? {
                let (channel, hour) = chunk_place(row.get(0)?);
                let packed = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
                let samples = chunk::decode(hour, packed).map_err(|d| damaged(channel, hour, d))?;
                samples.into_iter().for_each(|sample| take(channel, sample));
            }
            let row: Option<Vec<u8>> = self
                .db
                .prepare_cached("SELECT packed FROM tail WHERE id = ?1")?
                .query_row([next], |row| row.get(0))
                .optional()?;
            if let Some(row) = row {
                let readings = pack::unpack(&row).map_err(|damage| StoreError::Damaged {
                    place: format!("row {next} of the tail"),
                    damage,
                })?;
                readings.into_iter().for_each(|(channel, sample)| take(channel, sample));
            }
            found.position = next;
        }
        Ok(found)
    }

    /// How many readings are stored, repeats between tail and chunks counted twice.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn stored_readings(&self) -> Result<u64, StoreError> {
        let chunks: i64 = self.db.query_row("SELECT coalesce(sum(n), 0) FROM chunk", [], |row| row.get(0))?;
        let mut tail = 0_u64;
        self.each_in_tail(0, |_, _, _| tail += 1)?;
        Ok(chunks.unsigned_abs() + tail)
    }

    /// How many readings have no place in the record because nobody could say what time it was.
    ///
    /// # Errors
    /// When the store cannot be read, or a row is damaged.
    pub fn unplaced_readings(&self) -> Result<u64, StoreError> {
        unplaced::count(self.db)
    }

    /// Lines of the journal, newest first.
    ///
    /// # Errors
    /// When the store cannot be read, or a line is damaged.
    pub fn journal(&self, filter: &JournalFilter, limit: u32) -> Result<Vec<JournalLine>, StoreError> {
        journal::lines(self.db, filter, limit)
    }

    /// Lines of the journal of one kind, oldest first, after the line of this number; begin with 0.
    ///
    /// # Errors
    /// When the store cannot be read, or a line is damaged.
    pub fn journal_after(
        &self,
        kind: JournalKind,
        after: i64,
        limit: u32,
    ) -> Result<Vec<JournalLine>, StoreError> {
        journal::lines_after(self.db, kind, after, limit)
    }

    /// The highest number an alarm event ever had.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn highest_event(&self) -> Result<Option<EventId>, StoreError> {
        journal::highest_event(self.db)
    }

    /// The state kept under one key.
    ///
    /// # Errors
    /// When the store cannot be read, or the state is damaged.
    pub fn state(&self, key: &str) -> Result<Option<serde_json::Value>, StoreError> {
        journal::state(self.db, key)
    }

    /// The state kept under all keys that begin like this.
    ///
    /// # Errors
    /// When the store cannot be read, or a state is damaged.
    pub fn states(&self, prefix: &str) -> Result<BTreeMap<String, serde_json::Value>, StoreError> {
        journal::states(self.db, prefix)
    }

    /// One entry of the logbook.
    ///
    /// # Errors
    /// When the store cannot be read, or the entry is damaged.
    pub fn entry(&self, id: &EntryId) -> Result<Option<Entry>, StoreError> {
        entries::get(self.db, id)
    }

    /// Entries in the order they were written, after number `after`; begin with 0.
    ///
    /// # Errors
    /// When the store cannot be read, or an entry is damaged.
    pub fn entries_after(&self, after: i64, limit: u32) -> Result<Vec<(i64, Entry)>, StoreError> {
        entries::after(self.db, after, limit)
    }

    /// As [`Self::entries_after`], with those that are damaged named instead of ending it.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn readable_entries_after(
        &self,
        after: i64,
        limit: u32,
    ) -> Result<Vec<entries::Numbered>, StoreError> {
        entries::readable_after(self.db, after, limit)
    }

    /// Entries newest first, before number `before` if given.
    ///
    /// # Errors
    /// When the store cannot be read, or an entry is damaged.
    pub fn entries_before(&self, before: Option<i64>, limit: u32) -> Result<Vec<(i64, Entry)>, StoreError> {
        entries::before(self.db, before, limit)
    }

    /// Messages of a route whose moment has come, most urgent first, then oldest.
    ///
    /// # Errors
    /// When the store cannot be read, or a message is damaged.
    pub fn due(&self, route: &str, now: Now, limit: u32) -> Result<Vec<Message>, StoreError> {
        outbox::due(self.db, route, now, limit)
    }

    /// Messages of a route that were tried in vain and wait for another turn, most urgent first; those that are
    /// damaged left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn tried(&self, route: &str, now: Now, limit: u32) -> Result<Vec<Message>, StoreError> {
        outbox::tried(self.db, route, now, limit)
    }

    /// When the next message of a route is due, on the up-time of this run.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn next_due(&self, route: &str) -> Result<Option<Uptime>, StoreError> {
        outbox::next_due(self.db, route)
    }

    /// One message.
    ///
    /// # Errors
    /// When the store cannot be read, or the message is damaged.
    pub fn message(&self, id: MessageId) -> Result<Option<Message>, StoreError> {
        outbox::get(self.db, id)
    }

    /// The newest message of a route that the network called by this name.
    ///
    /// # Errors
    /// When the store cannot be read, or the message is damaged.
    pub fn message_by_provider(&self, route: &str, name: &str) -> Result<Option<Message>, StoreError> {
        outbox::by_provider(self.db, route, name)
    }

    /// Waiting messages of a route that are damaged, and what is wrong with them.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn damaged_messages(&self, route: &str) -> Result<Vec<(MessageId, StoreError)>, StoreError> {
        outbox::damaged(self.db, route)
    }

    /// Messages newest first, before one if given; those that are damaged left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn messages(&self, before: Option<MessageId>, limit: u32) -> Result<Vec<Message>, StoreError> {
        outbox::newest(self.db, before, limit)
    }

    /// All messages about an event, in the order they were queued; those that are damaged left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn messages_about(&self, event: EventId) -> Result<Vec<Message>, StoreError> {
        outbox::about(self.db, event)
    }

    /// How the outbox stands.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn outbox_counts(&self, now: Now) -> Result<OutboxCounts, StoreError> {
        outbox::counts(self.db, now)
    }

    /// Starts of the program, newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn runs(&self, limit: u32) -> Result<Vec<Run>, StoreError> {
        meta::runs(self.db, limit)
    }

    /// Every step of the wall clock.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn clock_steps(&self) -> Result<Vec<ClockStep>, StoreError> {
        meta::clock_steps(self.db)
    }

    /// A setting.
    ///
    /// # Errors
    /// When the store cannot be read, or the setting is damaged.
    pub fn setting(&self, key: &str) -> Result<Option<serde_json::Value>, StoreError> {
        meta::setting(self.db, key)
    }

    /// The session of a token, by the token's hash.
    ///
    /// # Errors
    /// When the store cannot be read, or the session is damaged.
    pub fn session(&self, token_hash: &[u8]) -> Result<Option<Session>, StoreError> {
        meta::session(self.db, token_hash)
    }

    /// How far a follower has come.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn cursor(&self, name: &str) -> Result<Option<i64>, StoreError> {
        meta::cursor(self.db, name)
    }

    /// What was set aside, newest first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn set_aside(&self, limit: u32) -> Result<Vec<SetAside>, StoreError> {
        meta::lines_set_aside(self.db, limit)
    }
}

/// First and last hour that `from..to` touches, within what a key can hold.
fn hours(from: Timestamp, to: Timestamp) -> Option<(i64, i64)> {
    let first = hour_of(from).max(0);
    let last = hour_of(to - Span::from_ms(1)).min(0xffff_ffff);
    (from < to && first <= last).then_some((first, last))
}

fn add(bars: &mut BTreeMap<i64, Summary>, start: i64, summary: &Summary) {
    bars.entry(start).and_modify(|bar| bar.join(summary)).or_insert(*summary);
}

fn bucket(start: i64, summary: &Summary) -> Bucket {
    let steps = crate::reading::Value::STEPS;
    let mean = if summary.used == 0 { 0.0 } else { summary.sum as f64 / f64::from(summary.used) / steps };
    Bucket {
        start: Timestamp::from_ms(start),
        readings: summary.n,
        used: summary.used,
        min: f64::from(summary.low) / steps,
        max: f64::from(summary.high) / steps,
        mean,
        first_at: Timestamp::from_ms(summary.first_at),
        last_at: Timestamp::from_ms(summary.last_at),
    }
}
