//! What has arrived and is not acknowledged yet, and what of it may be old.
//!
//! Pure. The order of acknowledgments is that of arrival, as MQTT 3.1.1 demands (4.6), and an
//! acknowledgment belongs to the connection the message came over.

use crate::clock::Uptime;
use nightjar_calc::time::Span;
use std::collections::VecDeque;

/// Messages of this connection that wait for their acknowledgment, in the order of arrival.
#[derive(Debug, Default)]
pub struct Unacknowledged {
    epoch: u64,
    waiting: VecDeque<(u16, bool)>,
}

impl Unacknowledged {
    /// Begins a connection: what was not acknowledged on the one before never will be; the broker
    /// sends it again.
    pub fn begin(&mut self) {
        self.epoch += 1;
        self.waiting.clear();
    }
    /// Number of this connection.
    #[must_use]
    pub const fn epoch(&self) -> u64 {
        self.epoch
    }
    /// Messages that wait.
    #[must_use]
    pub fn len(&self) -> usize {
        self.waiting.len()
    }
    /// True when none waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }
    /// Takes a message. `safe` when nothing of it has to be kept.
    pub fn arrive(&mut self, packet: u16, safe: bool) {
        self.waiting.push_back((packet, safe));
    }
    /// Notes that a message is on disk. One of another connection, or one not known, is void.
    pub fn make_safe(&mut self, epoch: u64, packet: u16) {
        if epoch == self.epoch
            && let Some(entry) = self.waiting.iter_mut().find(|(p, safe)| *p == packet && !safe)
        {
            entry.1 = true;
        }
    }
    /// The next message to acknowledge: the oldest, once it is safe.
    #[must_use]
    pub fn next(&self) -> Option<u16> {
        self.waiting.front().and_then(|(packet, safe)| safe.then_some(*packet))
    }
    /// Notes that the acknowledgment of [`Unacknowledged::next`] is on its way.
    pub fn acknowledged(&mut self) {
        self.waiting.pop_front();
    }
}

/// Messages of a returning session that come within this time of the first one, or of the first
/// one after the window was full, come from the broker's queue.
const QUIET: Span = Span::from_secs(1);

/// Whether messages may have lain at the broker.
///
/// A persistent session delivers first what came while we were away, and MQTT 3.1.1 puts no time
/// on it. As long as the broker has such messages it fills its window at once whenever there is
/// room; a message that comes a second after there was room is new, and so are those after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Backlog {
    /// What comes is new.
    Empty,
    /// There has been room in the window since this moment.
    Room(Uptime),
    /// The window was full at the last message.
    Full,
}

impl Backlog {
    /// At the beginning of a connection.
    #[must_use]
    pub const fn begin(session_present: bool, up: Uptime) -> Self {
        if session_present { Self::Room(up) } else { Self::Empty }
    }

    /// Takes note of a message, with the number of messages unacknowledged before it, and says
    /// whether it may be old.
    pub fn handle_message(&mut self, unacknowledged: usize, window: u16, up: Uptime) -> bool {
        match *self {
            Self::Empty => return false,
            Self::Room(since) if up.since(since) > QUIET => {
                *self = Self::Empty;
                return false;
            }
            Self::Room(_) | Self::Full => {}
        }
        if unacknowledged + 1 >= usize::from(window) {
            *self = Self::Full;
        }
        true
    }

    /// Takes note that a message was acknowledged.
    pub fn handle_acknowledgment(&mut self, up: Uptime) {
        if *self == Self::Full {
            *self = Self::Room(up);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn acknowledgments_go_out_in_the_order_of_arrival() {
        let mut unacknowledged = Unacknowledged::default();
        unacknowledged.begin();
        for packet in [7, 8, 9] {
            unacknowledged.arrive(packet, packet == 8);
        }
        assert_eq!(unacknowledged.next(), None);
        unacknowledged.make_safe(1, 9);
        assert_eq!(unacknowledged.next(), None);
        unacknowledged.make_safe(1, 7);
        let mut sent = Vec::new();
        while let Some(packet) = unacknowledged.next() {
            sent.push(packet);
            unacknowledged.acknowledged();
        }
        assert_eq!(sent, [7, 8, 9]);
    }

    #[test]
    fn an_acknowledgment_of_an_older_connection_is_void() {
        let mut unacknowledged = Unacknowledged::default();
        unacknowledged.begin();
        unacknowledged.arrive(1, false);
        unacknowledged.begin();
        unacknowledged.arrive(1, false);
        unacknowledged.make_safe(1, 1);
        assert_eq!(unacknowledged.next(), None);
        unacknowledged.make_safe(2, 1);
        assert_eq!(unacknowledged.next(), Some(1));
    }

    #[test]
    fn a_new_session_has_no_backlog() {
        let mut backlog = Backlog::begin(false, Uptime::from_ms(0));
        assert!(!backlog.handle_message(0, 20, Uptime::from_ms(1)));
    }

    #[test]
    fn a_returning_session_is_old_news_until_the_window_has_had_room_for_a_second() {
        let mut backlog = Backlog::begin(true, Uptime::from_ms(0));
        let at = Uptime::from_ms;
        assert!((0..20).all(|n| backlog.handle_message(n, 20, at(10))));
        // The group is committed ten seconds later; the queue fills the window again.
        backlog.handle_acknowledgment(at(10_000));
        assert!((0..20).all(|n| backlog.handle_message(n, 20, at(10_001))));
        backlog.handle_acknowledgment(at(20_000));
        assert!((0..5).all(|n| backlog.handle_message(n, 20, at(20_001))));
        // The queue is empty: the next message is one of now.
        assert!(!backlog.handle_message(5, 20, at(21_002)));
        assert!(!(6..30).any(|n| backlog.handle_message(n, 20, at(21_003))));
    }

    #[test]
    fn a_queue_that_ends_with_a_full_window_makes_nothing_new_look_old() {
        let mut backlog = Backlog::begin(true, Uptime::from_ms(0));
        assert!((0..20).all(|n| backlog.handle_message(n, 20, Uptime::from_ms(10))));
        backlog.handle_acknowledgment(Uptime::from_ms(10_000));
        assert!(!backlog.handle_message(0, 20, Uptime::from_ms(11_001)));
    }
}
