//! What everybody may know about alarms at present.

use super::{Engine, Slot};
use crate::alarm::condition::{action, short_words};
use crate::alarm::event::{AlarmEvent, AlarmKind, Asset, Change, EventId, Priority};
use crate::alarm::group::Event;
use crate::alarm::state::{Recognition, Reported, Verdict};
use crate::alarm::tree::{AlarmIx, At, Level};
use crate::snapshot::AlarmView;
use nightjar_calc::time::{Span, Timestamp};

/// Numbers for the front page.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Events on, by priority.
    pub p1: u32,
    /// Events on, by priority.
    pub p2: u32,
    /// Events on, by priority.
    pub p3: u32,
    /// Alarms paused by a person (G).
    pub shelved: u32,
    /// Alarms that are on and covered by a rule (H).
    pub covered: u32,
    /// Alarms covered because their jar is empty (H).
    pub empty: u32,
    /// Alarms waiting for the water to settle (H).
    pub settling: u32,
    /// Alarms out of use (I).
    pub out_of_service: u32,
    /// Alarms on without a break for more than a day.
    pub standing: u32,
    /// Alarms on and off so often that they are held on.
    pub chattering: u32,
}

/// An alarm that asks to be mended rather than answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Which alarm.
    pub kind: AlarmKind,
    /// About what.
    pub asset: Asset,
    /// Its priority.
    pub priority: Priority,
    /// When its condition began.
    pub since: Timestamp,
    /// Its event, where it has one.
    pub event: Option<EventId>,
}

/// On for longer than this is standing.
const STANDING: Span = Span::from_hours(24);

impl Engine {
    /// Events that are on, unanswered or silenced by a person, most urgent first.
    #[must_use]
    pub fn views(&self) -> Vec<AlarmView> {
        let mut views: Vec<AlarmView> = self.events.values().filter_map(|event| self.view(event)).collect();
        views.sort_by_key(|view| (!view.on, view.priority, view.event));
        views
    }

    fn view(&self, event: &Event) -> Option<AlarmView> {
        let (alarms, lead) = self.face(event)?;
        let slot = &self.slots[lead];
        let planned = &self.tree.alarms[lead];
        let (members, members_total) = self.members(event, lead, &alarms);
        let asset = self.event_asset(event, lead, &alarms);
        let since = alarms.iter().map(|ix| self.slots[*ix].since).min_by_key(|at| at.ms());
        let priority = self.event_priority(event);
        let mut view = AlarmView {
            event: event.id,
            kind: planned.kind,
            priority,
            code: event.code.clone(),
            on: event.on,
            acknowledged: self.acknowledged(&alarms),
            suppressed: self.silenced(&event.members.iter().copied().collect::<Vec<_>>()),
            members,
            members_total,
            value: slot.value,
            limit: slot.limit,
            unit: super::announce::unit(planned.kind).to_owned(),
            since: since.unwrap_or(event.since),
            unverified: alarms.iter().any(|ix| self.is_unverified(*ix)),
            chattering: alarms.iter().any(|ix| self.slots[*ix].alarm.is_chattering()),
            action: action(planned.kind, &asset).to_owned(),
            line: String::new(),
            asset,
        };
        view.line = line(&view);
        Some(view)
    }

    /// On, and nothing that can be relied on has said so of late: its own measure failed, or it
    /// rests on children that all failed.
    pub(super) fn is_unverified(&self, ix: AlarmIx) -> bool {
        let slot = &self.slots[ix];
        if slot.alarm.is_unverified() {
            return true;
        }
        let sure = !matches!(slot.direct, None | Some(Verdict::Unknown));
        slot.inferred
            && slot.alarm.is_on()
            && !sure
            && !slot.children.is_empty()
            && slot.children.iter().all(|(_, child)| self.slots[*child].alarm.is_unverified())
    }

    /// Who acknowledged all of them, until when: the acknowledgment that ends first.
    fn acknowledged(&self, alarms: &[AlarmIx]) -> Option<(String, Timestamp)> {
        let known = alarms.iter().map(|ix| match self.slots[*ix].alarm.recognition() {
            Recognition::Acknowledged { by, until } => Some((by, *until)),
            Recognition::None | Recognition::Unacknowledged { .. } => None,
        });
        let known: Vec<_> = known.collect::<Option<_>>()?;
        let (by, until) = known.into_iter().min_by_key(|(_, until)| *until)?;
        Some((by.to_string(), self.wall(until)))
    }

    fn silenced(&self, alarms: &[AlarmIx]) -> Option<(String, Option<Timestamp>)> {
        let ix = alarms.iter().find(|ix| self.slots[**ix].alarm.suppression().by_person())?;
        let suppression = self.slots[*ix].alarm.suppression();
        if let Some(out) = &suppression.out {
            let words = format!("out of use by {}: {}", out.by, out.reason);
            return Some((words, Some(self.wall(out.until))));
        }
        let shelf = suppression.shelf.as_ref()?;
        let words = if shelf.one_shot {
            format!("paused by {} until it clears", shelf.by)
        } else {
            format!("paused by {}", shelf.by)
        };
        Some((words, Some(self.wall(shelf.until))))
    }

    /// Events about each jar, in the order of the rack: its own and those that explain it.
    #[must_use]
    pub fn jar_events(&self) -> Vec<Vec<EventId>> {
        let mut found = vec![Vec::new(); self.jars.len()];
        for event in self.events.values() {
            let Some((alarms, lead)) = self.face(event) else { continue };
            let mut jars = self.event_jars(event, lead, &alarms);
            for ix in &event.members {
                match self.tree.alarms[*ix].at {
                    At::Jar(jar) => jars.push(jar),
                    At::Sensor(sensor) => {
                        if let crate::rack::Place::Jar(jar) = self.plan.rack.sensor(sensor).place {
                            jars.push(jar);
                        }
                    }
                    At::Site
                    | At::Supply
                    | At::Pump(_)
                    | At::Header(_)
                    | At::Monitor
                    | At::Node(_)
                    | At::Route(_) => {}
                }
            }
            jars.sort_unstable();
            jars.dedup();
            for jar in jars {
                found[usize::from(jar.0)].push(event.id);
            }
        }
        found
    }

    /// Numbers for the front page.
    #[must_use]
    pub fn counts(&self) -> Counts {
        let mut counts = Counts::default();
        for event in self.events.values().filter(|event| event.on) {
            match self.event_priority(event) {
                Priority::P1 => counts.p1 += 1,
                Priority::P2 => counts.p2 += 1,
                Priority::P3 => counts.p3 += 1,
            }
        }
        let m = self.moment();
        for slot in &self.slots {
            let alarm = &slot.alarm;
            let suppression = alarm.suppression();
            match alarm.reported() {
                Reported::OutOfService => counts.out_of_service += 1,
                Reported::Shelved => counts.shelved += 1,
                Reported::Suppressed if suppression.empty => counts.empty += 1,
                Reported::Suppressed if suppression.cover.is_some() => counts.covered += 1,
                Reported::Suppressed => counts.settling += 1,
                Reported::Normal
                | Reported::Unacknowledged
                | Reported::Acknowledged
                | Reported::Returned
                | Reported::LatchedUnacknowledged
                | Reported::LatchedAcknowledged => {}
            }
            if alarm.is_on() {
                counts.standing += u32::from(m.since(alarm.since()) > STANDING);
                counts.chattering += u32::from(alarm.is_chattering());
            }
        }
        counts
    }

    /// Alarms on without a break for more than a day, the longest first. What a rule covers is
    /// listed with its cause.
    #[must_use]
    pub fn standing_alarms(&self) -> Vec<Listed> {
        let m = self.moment();
        self.listed(|slot| {
            slot.alarm.is_on()
                && slot.alarm.suppression().cover.is_none()
                && m.since(slot.alarm.since()) > STANDING
        })
    }

    /// Alarms on and off so often that they are held on, the longest first.
    #[must_use]
    pub fn chattering_alarms(&self) -> Vec<Listed> {
        self.listed(|slot| slot.alarm.is_on() && slot.alarm.is_chattering())
    }

    fn listed(&self, which: impl Fn(&Slot) -> bool) -> Vec<Listed> {
        let all = self.slots.iter().zip(&self.tree.alarms);
        let mut listed: Vec<Listed> = all
            .filter(|(slot, _)| which(slot))
            .map(|(slot, planned)| Listed {
                kind: planned.kind,
                asset: planned.asset.clone(),
                priority: slot.alarm.priority(),
                since: slot.since,
                event: slot.event,
            })
            .collect();
        listed.sort_by_key(|listed| listed.since.ms());
        listed
    }

    /// Whether a change may leave as a text by itself. In a flood only a new urgent cause may;
    /// the rest is in the summary that [`Output::Flood`] asks for, on the page and in mail.
    ///
    /// [`Output::Flood`]: crate::alarm::record::Output::Flood
    #[must_use]
    pub fn leaves_as_text(&self, said: &AlarmEvent) -> bool {
        if !self.flood.is_on() {
            return true;
        }
        let cause = self.events.get(&said.event).is_some_and(|event| event.group.2 == Level::Cause);
        let new = match said.change {
            Change::Raised | Change::Worsened | Change::Reminder | Change::Unsuppressed => true,
            Change::Again { .. }
            | Change::Grew
            | Change::Acknowledged { .. }
            | Change::Cleared
            | Change::Confirmed { .. }
            | Change::Shelved { .. }
            | Change::Covered { .. }
            | Change::OutOfService { .. } => false,
        };
        cause && new && said.priority == Priority::P1
    }

    /// Flood mode, with the announcements of the last ten minutes.
    #[must_use]
    pub fn flood(&self) -> Option<u32> {
        self.flood.is_on().then(|| self.flood.announced())
    }

    /// What one alarm reports.
    #[must_use]
    pub fn reported(&self, kind: AlarmKind, asset: &Asset) -> Option<Reported> {
        let mut all = self.tree.alarms.iter().zip(&self.slots);
        let found = all.find(|(planned, _)| planned.kind == kind && planned.asset == *asset);
        found.map(|(_, slot)| slot.alarm.reported())
    }
}

/// An asset in words.
#[must_use]
pub fn asset_words(asset: &Asset) -> String {
    match asset {
        Asset::Site => "site".to_owned(),
        Asset::Supply => "supply".to_owned(),
        Asset::Monitor => "monitor".to_owned(),
        Asset::Pump(name) => format!("supply {name}"),
        Asset::Header(name) => format!("header {name}"),
        Asset::Jar(name) => format!("jar {name}"),
        Asset::Node(name) => format!("source {name}"),
        Asset::Sensor(name) => format!("sensor {name}"),
        Asset::Route(name) => format!("route {name}"),
    }
}

fn line(view: &AlarmView) -> String {
    let mut line = format!("{:?} {} {}", view.priority, short_words(view.kind), asset_words(&view.asset));
    if view.members.len() > 1 {
        line.push_str(&format!(": {} of {}", view.members.len(), view.members_total));
    }
    if let (Some(value), Some(limit)) = (view.value, view.limit)
        && view.members.len() <= 1
        && !view.unit.is_empty()
    {
        line.push_str(&format!(", {value:.1} {unit}, limit {limit:.1}", unit = view.unit));
    }
    line
}
