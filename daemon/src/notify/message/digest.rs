//! The daily message about what can wait.

use super::{LONGEST_BODY, LONGEST_LINE, LONGEST_SUBJECT, Words, cut, kind};
use crate::alarm::event::AlarmEvent;
use crate::clock::Now;

/// Subject and body of the digest: one line an alarm, oldest first.
#[must_use]
pub fn digest(open: &[AlarmEvent], words: &Words, now: Now) -> (String, String) {
    let subject = format!("[P3] {} to fix in working hours - {}", open.len(), cut(&words.station, 40));
    let mut open: Vec<&AlarmEvent> = open.iter().collect();
    open.sort_by_key(|event| event.since);
    let mut body = String::from("Open alarms that can wait for working hours:\n\n");
    for (at, event) in open.iter().enumerate() {
        let line = format!(
            "{} {}, since {}, code {}",
            kind::name(event.kind),
            words.place(&event.asset, 20),
            words.time(event.since, now, event.clock_trusted),
            cut(&event.code.0, 8)
        );
        let rest = format!("and {} more; see the page\n", open.len() - at);
        if body.len() + line.len() + 1 + rest.len() > LONGEST_BODY {
            body.push_str(&rest);
            break;
        }
        body.push_str(&cut(&line, LONGEST_LINE));
        body.push('\n');
    }
    (cut(&subject, LONGEST_SUBJECT), body)
}

/// The digest for somebody without e-mail.
#[must_use]
pub fn digest_text(open: &[AlarmEvent]) -> String {
    format!("P3 {} open alarm(s) to fix in working hours. See the page.", open.len())
}
