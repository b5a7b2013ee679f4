//! The daily message: what can wait for working hours, what lasts, what came too often, and what
//! nobody answered.

use super::{LONGEST_BODY, LONGEST_LINE, LONGEST_SUBJECT, Words, cut, kind};
use crate::alarm::event::AlarmEvent;
use crate::clock::Now;

/// What there is to say in the morning.
#[derive(Clone, Debug, Default)]
pub struct News {
    /// To be fixed in working hours.
    pub to_fix: Vec<AlarmEvent>,
    /// Urgent, and on for more than a day.
    pub standing: Vec<AlarmEvent>,
    /// On and off too often.
    pub chattering: Vec<AlarmEvent>,
    /// Over, and nobody had answered.
    pub unanswered: Vec<AlarmEvent>,
}

impl News {
    /// Whether there is nothing to say.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.lists().iter().all(|(_, list)| list.is_empty())
    }

    fn lists(&self) -> [(&'static str, &Vec<AlarmEvent>); 4] {
        [
            ("On for more than a day:", &self.standing),
            ("Open alarms that can wait for working hours:", &self.to_fix),
            ("On and off too often; look at wiring, deadband and delay (nightjar replay):", &self.chattering),
            ("Came and went, and nobody answered:", &self.unanswered),
        ]
    }

    fn counts(&self) -> String {
        let counts = [
            (self.standing.len(), "on for over a day"),
            (self.to_fix.len(), "to fix in working hours"),
            (self.chattering.len(), "on and off too often"),
            (self.unanswered.len(), "over, not answered"),
        ];
        let said: Vec<_> =
            counts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
        said.join(", ")
    }
}

/// Subject and body of the digest: one line an alarm, oldest first.
#[must_use]
pub fn digest(news: &News, words: &Words, now: Now) -> (String, String) {
    let counts = news.counts();
    let station = cut(&words.station, LONGEST_SUBJECT.saturating_sub(counts.chars().count() + 8));
    let subject = format!("[P3] {counts} - {station}");
    let mut body = String::new();
    let total: usize = news.lists().iter().map(|(_, list)| list.len()).sum();
    let mut said = 0;
    'all: for (heading, list) in news.lists() {
        if list.is_empty() {
            continue;
        }
        if !body.is_empty() {
            body.push('\n');
        }
        body.push_str(heading);
        body.push_str("\n\n");
        let mut list: Vec<&AlarmEvent> = list.iter().collect();
        list.sort_by_key(|event| event.since);
        for event in list {
            let line = cut(&line(event, words, now), LONGEST_LINE);
            let rest = format!("and {} more; see the page\n", total - said);
            // Room for the heading of the next list too.
            if body.len() + line.len() + rest.len() + LONGEST_LINE + 4 > LONGEST_BODY {
                body.push_str(&rest);
                break 'all;
            }
            body.push_str(&line);
            body.push('\n');
            said += 1;
        }
    }
    (cut(&subject, LONGEST_SUBJECT), body)
}

fn line(event: &AlarmEvent, words: &Words, now: Now) -> String {
    format!(
        "{} {}, since {}, code {}",
        kind::name(event.kind),
        words.place(&event.asset, 20),
        words.time(event.since, now, event.clock_trusted),
        cut(&event.code.0, 8)
    )
}

/// The digest for somebody without e-mail.
#[must_use]
pub fn digest_text(news: &News) -> String {
    format!("P3 morning list: {}. See the page.", news.counts())
}
