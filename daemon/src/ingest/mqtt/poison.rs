//! What to subscribe to, and how to get past a message that breaks the connection.
//!
//! A packet larger than the limit ends the connection. When the broker keeps it (retained, or
//! unacknowledged in a persistent session) it comes again after each reconnect, and nothing else
//! ever would. The way out: have the broker forget the session, subscribe to one sensor's topic
//! after the other, and leave out the one whose subscription brings the packet. Pure.

use super::Topic;
use std::collections::BTreeSet;

/// How often a connection may break before the guilty topic is looked for. The first time may have
/// been a single message that the broker does not keep.
const STRIKES: u8 = 2;
/// Text in a sensor's name that stands for the captured level of the topic.
const CAPTURE: &str = "{sensor}";

/// What the next connection is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Connect {
    /// To have the broker forget the session; hang up at once.
    ToForget,
    /// To receive.
    ToReceive,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// All filters at once.
    Together { strikes: u8 },
    /// The next connection makes the broker forget; then the search goes on at this target.
    Forget { then: usize },
    /// Up to this target at once, then one after the other.
    Search { at: usize, begun: bool },
    /// All targets but those left out.
    Settled,
}

/// The subscriptions.
#[derive(Clone, Debug)]
pub struct Poison {
    filters: Vec<String>,
    targets: Vec<(String, bool)>,
    stage: Stage,
}

impl Poison {
    /// For these topics and the names of the sensors that come over them.
    #[must_use]
    pub fn new(topics: &[Topic], sensors: &BTreeSet<String>) -> Self {
        let filters: BTreeSet<String> = topics.iter().map(|topic| topic.filter.subscription(None)).collect();
        let targets: BTreeSet<String> = topics.iter().flat_map(|topic| targets(topic, sensors)).collect();
        Self {
            filters: filters.into_iter().collect(),
            targets: targets.into_iter().map(|target| (target, false)).collect(),
            stage: Stage::Together { strikes: 0 },
        }
    }

    /// What the next connection is for.
    #[must_use]
    pub const fn purpose(&self) -> Connect {
        match self.stage {
            Stage::Forget { .. } => Connect::ToForget,
            Stage::Together { .. } | Stage::Search { .. } | Stage::Settled => Connect::ToReceive,
        }
    }

    /// Notes that the broker has forgotten the session.
    pub const fn forgotten(&mut self) {
        if let Stage::Forget { then } = self.stage {
            self.stage = Stage::Search { at: then, begun: false };
        }
    }

    /// What to subscribe to now: at the beginning of a connection and after each
    /// [`Poison::settled`] that says there is more.
    #[must_use]
    pub fn filters(&self) -> Vec<String> {
        let kept = |targets: &[(String, bool)]| {
            targets.iter().filter(|(_, out)| !out).map(|(target, _)| target.clone()).collect()
        };
        match self.stage {
            Stage::Together { .. } => self.filters.clone(),
            Stage::Forget { .. } => Vec::new(),
            Stage::Search { at, begun: false } => kept(&self.targets[..=at]),
            Stage::Search { at, begun: true } => kept(&self.targets[at..=at]),
            Stage::Settled => kept(&self.targets),
        }
    }

    /// True while single topics are tried; a subscription then has to prove itself for a moment.
    #[must_use]
    pub const fn is_searching(&self) -> bool {
        matches!(self.stage, Stage::Search { .. })
    }

    /// Notes that the last subscription has brought nothing bad. True when there is more to
    /// subscribe to.
    pub fn settled(&mut self) -> bool {
        let Stage::Search { at, .. } = self.stage else { return false };
        let next = (at + 1..self.targets.len()).find(|n| !self.targets[*n].1);
        self.stage = next.map_or(Stage::Settled, |at| Stage::Search { at, begun: true });
        next.is_some()
    }

    /// Notes that a packet has broken the connection.
    pub fn handle_bad_packet(&mut self) {
        self.stage = match self.stage {
            Stage::Together { strikes } if strikes + 1 < STRIKES => Stage::Together { strikes: strikes + 1 },
            Stage::Together { .. } | Stage::Settled | Stage::Forget { .. } => {
                self.targets.iter_mut().for_each(|target| target.1 = false);
                Stage::Forget { then: 0 }
            }
            Stage::Search { at, .. } => {
                self.targets[at].1 = true;
                let next = (at + 1).min(self.targets.len() - 1);
                Stage::Forget { then: next }
            }
        };
    }

    /// Begins anew: whoever sent the packet may have mended it.
    pub fn try_all_again(&mut self) {
        self.stage = Stage::Together { strikes: 0 };
        self.targets.iter_mut().for_each(|target| target.1 = false);
    }

    /// Topics left out.
    #[must_use]
    pub fn left_out(&self) -> Vec<&str> {
        self.targets.iter().filter(|(_, out)| *out).map(|(target, _)| target.as_str()).collect()
    }
}

/// The topics of single sensors, or the filter as it is where they cannot be known.
fn targets(topic: &Topic, sensors: &BTreeSet<String>) -> Vec<String> {
    let mut found = Vec::new();
    for pick in &topic.picks {
        if let Some((before, after)) = pick.sensor.split_once(CAPTURE)
            && topic.filter.captures()
        {
            let captured = sensors
                .iter()
                .filter_map(|name| name.strip_prefix(before)?.strip_suffix(after))
                .filter(|captured| !captured.is_empty());
            found.extend(captured.map(|captured| topic.filter.subscription(Some(captured))));
        }
    }
    if found.is_empty() {
        found.push(topic.filter.subscription(None));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::decode::message::{Pick, TopicFilter};

    fn topics() -> Vec<Topic> {
        let node = Topic {
            filter: TopicFilter::parse("shed/{sensor}/state").unwrap(),
            picks: ["{sensor}T", "{sensor}F"]
                .map(|sensor| Pick { sensor: sensor.to_owned(), pointer: Some("/v".to_owned()) })
                .to_vec(),
            at: None,
        };
        let mains = Topic {
            filter: TopicFilter::parse("site/mains").unwrap(),
            picks: vec![Pick { sensor: "mains".to_owned(), pointer: None }],
            at: None,
        };
        vec![node, mains]
    }

    fn poison() -> Poison {
        let sensors = ["J1T", "J1F", "J2T", "J3F", "mains"].map(str::to_owned).into_iter().collect();
        Poison::new(&topics(), &sensors)
    }

    /// Plays a broker that keeps oversized messages on these topics; gives the connections made
    /// until all is quiet.
    fn play(poison: &mut Poison, bad: &[&str]) -> usize {
        for connections in 1..100 {
            if poison.purpose() == Connect::ToForget {
                poison.forgotten();
                continue;
            }
            loop {
                let filters = poison.filters();
                let breaks = |filter: &String| {
                    bad.iter().any(|b| TopicFilter::parse(filter).unwrap().captured(b).is_some())
                };
                if filters.iter().any(breaks) {
                    poison.handle_bad_packet();
                    break;
                }
                if !poison.settled() {
                    return connections;
                }
            }
        }
        panic!("for ever: {poison:?}");
    }

    #[test]
    fn without_trouble_the_filters_are_subscribed_to_as_they_are() {
        let mut poison = poison();
        assert_eq!(poison.filters(), ["shed/+/state", "site/mains"]);
        assert_eq!(play(&mut poison, &[]), 1);
        assert!(poison.left_out().is_empty());
    }

    #[test]
    fn a_kept_message_costs_its_own_topic_only() {
        for bad in [
            &["shed/J1/state"][..],
            &["shed/J3/state"],
            &["site/mains"],
            &["shed/J1/state", "shed/J2/state"],
            &["shed/J1/state", "shed/J2/state", "shed/J3/state", "site/mains"],
        ] {
            let mut poison = poison();
            assert!(play(&mut poison, bad) <= 4 + 2 * bad.len());
            assert_eq!(poison.left_out(), bad);
            assert_eq!(poison.filters().len(), 4 - bad.len());
            assert_eq!(play(&mut poison, bad), 1);
        }
    }

    #[test]
    fn one_broken_connection_changes_nothing() {
        let mut poison = poison();
        poison.handle_bad_packet();
        assert_eq!(poison.filters(), ["shed/+/state", "site/mains"]);
    }

    #[test]
    fn a_mended_topic_is_taken_up_again() {
        let mut poison = poison();
        play(&mut poison, &["shed/J1/state"]);
        poison.try_all_again();
        assert_eq!(play(&mut poison, &[]), 1);
        assert!(poison.left_out().is_empty());
    }
}
