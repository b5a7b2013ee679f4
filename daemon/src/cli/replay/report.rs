//! What a replay prints.

use super::material::Material;
use crate::alarm::condition::Settings;
use crate::alarm::event::{AlarmEvent, Change};
use crate::cli::CommandResult;
use crate::cli::output::{Format, Output};
use crate::config::Config;
use crate::core::limits;
use crate::ids::PersonId;
use crate::notify::message::kind;
use crate::rack::{Measure, Rack};
use crate::replay::noise::Sizing;
use crate::replay::{Assumed, Replay, Sent, in_force, station};
use nightjar_calc::time::{Timestamp, Zone};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Gathers or prints what would have happened.
pub struct Report {
    format: Format,
    zone: Zone,
    names: BTreeMap<PersonId, String>,
    station: String,
    settings: Settings,
    rack: Rack,
    assumed: Option<Assumed>,
    left_out: Vec<String>,
    strangers: Vec<String>,
    span: (Timestamp, Timestamp),
    answered: bool,
    raised: u64,
    sent: u64,
    events: Vec<Value>,
    messages: Vec<Value>,
}

impl Report {
    /// Of what is about to be replayed.
    pub fn new(config: &Config, material: &Material, format: Format) -> Self {
        Self {
            format,
            zone: config.rack.zone,
            names: config.people.iter().map(|p| (p.id.clone(), p.name.clone())).collect(),
            station: config.rack.station.clone(),
            settings: limits::settings(&config.alarm),
            rack: material.setup.rack.clone(),
            assumed: material.setup.assumed,
            left_out: material.left_out.clone(),
            strangers: material.strangers.clone(),
            span: (material.first, material.last),
            answered: material.setup.acknowledge_after.is_some(),
            raised: 0,
            sent: 0,
            events: Vec::new(),
            messages: Vec::new(),
        }
    }

    /// Says what is replayed, and what is taken for granted.
    pub fn begin(&self, output: &mut Output) -> CommandResult {
        if self.format == Format::Json {
            return Ok(());
        }
        let (from, to) = self.span;
        output.line(format_args!(
            "{}: {} sensors from {} to {}",
            self.station,
            self.rack.sensors.len(),
            self.zone.rfc3339(from),
            self.zone.rfc3339(to)
        ))?;
        output.line(format_args!("Taken for granted: {}.", self.granted()))?;
        if !self.left_out.is_empty() {
            output.line(format_args!("Not in the trace, left out: {}.", self.left_out.join(", ")))?;
        }
        if !self.strangers.is_empty() {
            output
                .line(format_args!("Not in the configuration, left out: {}.", self.strangers.join(", ")))?;
        }
        output.line("")
    }

    fn granted(&self) -> String {
        let jars = match self.assumed {
            None => "jars hold what the logbook says".to_owned(),
            Some(Assumed { set_flow, stage }) => {
                let flow = set_flow.map_or(String::new(), |flow| format!(", set flow {flow} L/min"));
                format!("every jar is loaded{flow}, stage {}", format!("{stage:?}").to_lowercase())
            }
        };
        let answer = if self.answered { "the first one told acknowledges" } else { "nobody answers" };
        format!("{jars}; every route takes every message at once; {answer}")
    }

    /// An alarm changed.
    pub fn event(&mut self, event: &AlarmEvent) {
        if matches!(event.change, Change::Raised | Change::Again { .. }) {
            self.raised += 1;
        }
        if self.format == Format::Json {
            self.events.push(serde_json::to_value(event).unwrap_or_default());
        }
    }

    /// A message left.
    pub fn message(&mut self, sent: &Sent, output: &mut Output) -> CommandResult {
        self.sent += 1;
        let key = &sent.message.key;
        let person = self.names.get(&key.person).cloned().unwrap_or_else(|| key.person.to_string());
        if self.format == Format::Json {
            self.messages.push(json!({
                "at": self.zone.rfc3339(sent.at), "event": key.event, "seq": key.seq, "step": key.step,
                "priority": sent.message.priority, "person": key.person, "name": person, "route": key.route,
                "subject": sent.body.subject, "text": sent.body.text,
            }));
            return Ok(());
        }
        let head = format!("{}  {:<7} {person}", self.zone.rfc3339(sent.at), key.route);
        if sent.body.subject.is_empty() {
            return output.line(format_args!("{head}: {}", sent.body.text));
        }
        output.line(format_args!("{head}: {}", sent.body.subject))?;
        for line in sent.body.text.lines() {
            output.line(format_args!("    {line}").to_string().trim_end())?;
        }
        Ok(())
    }

    /// The end: what is still on, and what the noise asks for.
    pub fn end(self, replay: &Replay, output: &mut Output) -> CommandResult {
        let sizings = replay.noise();
        let open: Vec<&AlarmEvent> = replay.open().collect();
        if self.format == Format::Json {
            let channels: Vec<Value> =
                self.rack.sensors.iter().zip(&sizings).map(|(s, sizing)| self.channel(s, sizing)).collect();
            return output.json(&json!({
                "station": self.station, "from": self.zone.rfc3339(self.span.0),
                "to": self.zone.rfc3339(self.span.1), "granted": self.granted(),
                "not_in_trace": self.left_out, "not_in_configuration": self.strangers,
                "raised": self.raised, "journal_lines": replay.journal_lines(),
                "messages": self.messages, "alarms": self.events, "open": open, "channels": channels,
            }));
        }
        if self.sent == 0 {
            output.line("Nothing would have been sent.")?;
        }
        output.line("")?;
        output.line(format_args!(
            "{} alarms raised, {} messages, {} lines in the journal.",
            self.raised,
            self.sent,
            replay.journal_lines()
        ))?;
        for event in open {
            output.line(format_args!(
                "Still open at the end: {:?} {} {}, since {}.",
                event.priority,
                kind::name(event.kind),
                crate::alarm::engine::asset_words(&event.asset),
                self.zone.rfc3339(event.since)
            ))?;
        }
        output.line("")?;
        self.sizes(&sizings, output)
    }

    fn sizes(&self, sizings: &[Sizing], output: &mut Output) -> CommandResult {
        output.line("From each channel's own noise (deadband: the larger of 3 deviations and 2 steps; on-delay: the larger of 3 intervals and 5 correlation times):")?;
        output.line(format_args!(
            "{:<12} {:<11} {:>9} {:>9} {:>8} {:>9} {:>10} {:>9} {:>10} {:>9}",
            "sensor",
            "place",
            "readings",
            "noise sd",
            "step",
            "memory s",
            "deadband",
            "in force",
            "on-delay s",
            "in force"
        ))?;
        for (sensor, sizing) in self.rack.sensors.iter().zip(sizings) {
            if matches!(sensor.measure, Measure::Mains | Measure::Battery) {
                continue;
            }
            let noise = sizing.noise;
            let force = self.force(sensor);
            output.line(format_args!(
                "{:<12} {:<11} {:>9} {:>9} {:>8} {:>9} {:>10} {:>9} {:>10} {:>9}",
                sensor.id.to_string(),
                station::place(&self.rack, sensor),
                sizing.readings,
                shown(noise.map(|n| n.deviation), 3),
                shown(sizing.resolution, 3),
                shown(noise.map(|n| n.correlation_s), 1),
                shown(noise.map(|n| n.deadband), 3),
                shown(force.map(|f| f.0), 3),
                shown(noise.map(|n| n.on_delay_s.ceil()), 0),
                shown(force.map(|f| f.1), 0),
            ))?;
        }
        for (sensor, sizing) in self.rack.sensors.iter().zip(sizings) {
            let expected = sensor.interval.secs();
            if let Some(every) = sizing.interval_s.filter(|every| *every > 2.0 * expected) {
                output.line(format_args!(
                    "{} speaks every {every:.0} s here and is expected every {expected:.0} s: alarms about its silence follow from that; --interval {every:.0}s replays without them.",
                    sensor.id
                ))?;
            }
        }
        Ok(())
    }

    /// Deadband and on-delay in force.
    fn force(&self, sensor: &crate::rack::Sensor) -> Option<(f64, f64)> {
        let set_flow = self.assumed.and_then(|assumed| assumed.set_flow);
        in_force(&self.settings, sensor.measure, set_flow).map(|(deadband, delay)| (deadband, delay.secs()))
    }

    fn channel(&self, sensor: &crate::rack::Sensor, sizing: &Sizing) -> Value {
        let force = self.force(sensor);
        json!({
            "sensor": sensor.id, "place": station::place(&self.rack, sensor), "readings": sizing.readings,
            "unit": sensor.measure.unit(), "interval_s": sizing.interval_s, "resolution": sizing.resolution,
            "noise_deviation": sizing.noise.map(|n| n.deviation),
            "noise_correlation_s": sizing.noise.map(|n| n.correlation_s),
            "suggested_deadband": sizing.noise.map(|n| n.deadband),
            "suggested_on_delay_s": sizing.noise.map(|n| n.on_delay_s.ceil()),
            "deadband": force.map(|f| f.0), "on_delay_s": force.map(|f| f.1),
        })
    }
}

/// A number, or a dash where too little is known.
fn shown(value: Option<f64>, places: usize) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.places$}"))
}
