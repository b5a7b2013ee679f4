//! How what looks outward fares: exports, the sign of life, nightly copies; in words for the page and in
//! numbers for machines.

use crate::backup::BackupHealth;
use crate::clock::Now;
use crate::export::influx::InfluxHealth;
use crate::export::mqtt::MqttOutHealth;
use crate::heartbeat::send::HeartbeatHealth;
use crate::web::backend::Metric;
use nightjar_calc::time::{Timestamp, Zone};
use tokio::sync::watch;

/// What is set up of it.
#[derive(Clone, Debug, Default)]
pub struct Reach {
    /// To a database of time series.
    pub influx: Option<watch::Receiver<InfluxHealth>>,
    /// To a broker.
    pub mqtt: Option<watch::Receiver<MqttOutHealth>>,
    /// To the watcher.
    pub heartbeat: Option<watch::Receiver<HeartbeatHealth>>,
    /// To another medium.
    pub copies: Option<watch::Receiver<BackupHealth>>,
}

impl Reach {
    /// One line for each, for people.
    pub fn lines(&self, zone: Zone) -> Vec<(String, String)> {
        let at = |moment: Timestamp| zone.local(moment).format("%d %b %H:%M").to_string();
        let mut lines = Vec::new();
        if let Some(health) = &self.heartbeat {
            lines.push(("outside watcher".to_owned(), heartbeat_words(&health.borrow(), at)));
        }
        if let Some(health) = &self.copies {
            let health = health.borrow();
            let words = match (&health.failing, &health.last) {
                (Some((since, why)), _) => format!("fail since {}: {why}", at(*since)),
                (None, Some((when, path, _))) => format!("last {}, {}", at(*when), path.display()),
                (None, None) => "none since the start".to_owned(),
            };
            lines.push(("nightly copies".to_owned(), words));
        }
        if let Some(health) = &self.influx {
            let health = health.borrow();
            let words = match (&health.failing, health.caught_up) {
                (Some((since, why)), _) => format!("fails since {}: {why}", at(*since)),
                (None, Some(until)) => format!("has everything up to {}", at(until)),
                (None, None) => "nothing sent since the start".to_owned(),
            };
            let aside = health.lines_set_aside;
            let aside = if aside > 0 { format!("; {aside} lines set aside") } else { String::new() };
            lines.push(("export".to_owned(), words + &aside));
        }
        if let Some(health) = &self.mqtt {
            let health = health.borrow();
            let words = match (health.connected, &health.last_error) {
                (true, _) => format!("connected, {} documents", health.published),
                (false, Some(why)) => format!("not connected: {why}"),
                (false, None) => "not connected yet".to_owned(),
            };
            lines.push(("broker for others".to_owned(), words));
        }
        lines
    }

    /// Numbers for machines.
    pub fn metrics(&self, now: Now) -> Vec<Metric> {
        let gauge = |name, help, value| Metric { name, help, counter: false, label: None, value };
        let counter = |name, help, value| Metric { name, help, counter: true, label: None, value };
        let age = |at: Option<Timestamp>| at.map_or(f64::NAN, |at| now.utc.since(at).secs());
        let flag = |on: bool| f64::from(u8::from(on));
        let mut all = Vec::new();
        if let Some(health) = &self.heartbeat {
            let health = health.borrow();
            all.push(gauge(
                "heartbeat_age_seconds",
                "Since the watcher took a sign of life",
                age(health.taken_at),
            ));
            all.push(gauge("heartbeat_ok", "1 when the last one said ok", flag(health.reasons.is_empty())));
        }
        if let Some(health) = &self.copies {
            let health = health.borrow();
            let last = health.last.as_ref().map(|(at, _, _)| *at);
            all.push(gauge("copy_age_seconds", "Since the last nightly copy of this run", age(last)));
            all.push(gauge("copy_failing", "1 when nightly copies fail", flag(health.failing.is_some())));
        }
        if let Some(health) = &self.influx {
            let health = health.borrow();
            all.push(gauge("export_behind_seconds", "Age of what the far end has", age(health.caught_up)));
            all.push(gauge("export_failing", "1 when the export fails", flag(health.failing.is_some())));
            all.push(counter("export_lines", "Lines the far end took", health.lines_taken as f64));
            all.push(counter("export_set_aside", "Lines set aside", health.lines_set_aside as f64));
        }
        if let Some(health) = &self.mqtt {
            let health = health.borrow();
            all.push(gauge("mqtt_out_connected", "1 when the broker is there", flag(health.connected)));
            all.push(counter("mqtt_out_documents", "Documents handed over", health.published as f64));
        }
        all.retain(|metric| metric.value.is_finite());
        all
    }
}

fn heartbeat_words(health: &HeartbeatHealth, at: impl Fn(Timestamp) -> String) -> String {
    let heard = match (&health.last_error, health.taken_at) {
        (Some(why), Some(last)) => format!("does not answer ({why}), last {}", at(last)),
        (Some(why), None) => format!("does not answer: {why}"),
        (None, Some(last)) => format!("heard us {}", at(last)),
        (None, None) => "nothing sent yet".to_owned(),
    };
    if health.reasons.is_empty() { heard } else { format!("{heard}; told it: {}", health.reasons.join("; ")) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::Uptime;

    #[test]
    fn only_what_is_set_up_is_spoken_of_and_what_is_not_known_is_no_number() {
        let utc = Timestamp::parse("2026-04-20T10:00:00Z").unwrap();
        let now = Now { up: Uptime::from_ms(0), utc, trusted: true };
        assert!(Reach::default().lines(Zone::UTC).is_empty() && Reach::default().metrics(now).is_empty());
        let taken_at = Some(Timestamp::parse("2026-04-20T09:59:00Z").unwrap());
        let reasons = vec!["task core does nothing".to_owned()];
        let (_, heart) = watch::channel(HeartbeatHealth { taken_at, reasons, ..HeartbeatHealth::default() });
        let (_, influx) = watch::channel(InfluxHealth::default());
        let reach = Reach { heartbeat: Some(heart), influx: Some(influx), ..Reach::default() };
        let lines = reach.lines(Zone::UTC);
        assert_eq!(lines[0].1, "heard us 20 Apr 09:59; told it: task core does nothing");
        assert_eq!(lines[1].1, "nothing sent since the start");
        let metrics = reach.metrics(now);
        let value = |name: &str| metrics.iter().find(|metric| metric.name == name).map(|metric| metric.value);
        assert_eq!(value("heartbeat_age_seconds"), Some(60.0));
        assert_eq!(value("heartbeat_ok"), Some(0.0));
        assert_eq!(value("export_behind_seconds"), None, "never caught up");
        assert_eq!(value("export_lines"), Some(0.0));
    }
}
