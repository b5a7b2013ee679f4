//! The message as RFC 5322 wants it.

use crate::clock::Now;
use crate::notify::Body;
use lettre::Address;
use lettre::message::header::{ContentType, HeaderName, HeaderValue, MIME_VERSION_1_0};
use lettre::message::{Mailbox, Message};
use std::time::{Duration, SystemTime};

/// Bytes of the message. The same row always gives the same Message-ID, so that a repeat after a
/// crash is recognised by the mail systems on the way.
pub(super) fn compose(
    from: &Mailbox,
    to: &Address,
    key: &str,
    body: &Body,
    high: bool,
    now: Now,
) -> Result<Vec<u8>, lettre::error::Error> {
    let domain = from.email.domain();
    let mut mail = Message::builder()
        .date(date(now))
        .from(from.clone())
        .to(Mailbox::new(None, to.clone()))
        .subject(one_line(&body.subject))
        .message_id(Some(message_id(key, domain)));
    if let Some(first) = body.first.as_deref().filter(|first| *first != key) {
        let first = message_id(first, domain);
        mail = mail.in_reply_to(first.clone()).references(first);
    }
    // RFC 3834, section 5: keeps well-behaved responders quiet. The X- header is the convention
    // for the others.
    mail = mail
        .raw_header(raw("Auto-Submitted", "auto-generated"))
        .raw_header(raw("X-Auto-Response-Suppress", "OOF, AutoReply"));
    if high {
        mail = mail.raw_header(raw("Importance", "high"));
    }
    let mail = mail.header(MIME_VERSION_1_0).header(ContentType::TEXT_PLAIN).body(body.text.clone())?;
    Ok(mail.formatted())
}

fn raw(name: &'static str, value: &str) -> HeaderValue {
    HeaderValue::new(HeaderName::new_from_ascii_str(name), value.to_owned())
}

fn date(now: Now) -> SystemTime {
    SystemTime::UNIX_EPOCH + Duration::from_millis(u64::try_from(now.utc.ms()).unwrap_or(0))
}

/// Nothing that could begin a header of its own.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// A message id made of the key of the row. Names may hold dots, which must not stand side by
/// side or at an end of a dot-atom (RFC 5322, section 3.2.3), so they are written out.
pub(super) fn message_id(key: &str, domain: &str) -> String {
    let mut local = String::new();
    for c in key.chars() {
        match c {
            '/' => local.push('.'),
            c if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') => local.push(c),
            other => local.push_str(&format!("={:x}", u32::from(other))),
        }
    }
    format!("<{local}@{domain}>")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::Uptime;
    use nightjar_calc::time::Timestamp;

    fn mail(first: Option<&str>, subject: &str) -> String {
        let from: Mailbox = "North site <alarms@site.example>".parse().unwrap();
        let to: Address = "kim@example.org".parse().unwrap();
        let body = Body {
            subject: subject.into(),
            text: "P1 NO FLOW\nsecond line".into(),
            to: to.to_string(),
            about: "event-12".into(),
            first: first.map(str::to_owned),
            of_silence: false,
        };
        let utc = Timestamp::parse("2026-04-12T09:14:21Z").unwrap();
        let now = Now { up: Uptime::from_ms(0), utc, trusted: true };
        String::from_utf8(compose(&from, &to, "event-12/3/k.m/mail/1", &body, true, now).unwrap()).unwrap()
    }

    #[test]
    fn a_later_message_answers_the_first() {
        let text = mail(Some("event-12/1/k.m/mail/0"), "[P1] No flow");
        for line in [
            "Message-ID: <event-12.3.k=2em.mail.1@site.example>\r\n",
            "In-Reply-To: <event-12.1.k=2em.mail.0@site.example>\r\n",
            "References: <event-12.1.k=2em.mail.0@site.example>\r\n",
            "Auto-Submitted: auto-generated\r\n",
            "Date: Sun, 12 Apr 2026 09:14:21 +0000\r\n",
            "\r\n\r\nP1 NO FLOW\r\nsecond line",
        ] {
            assert!(text.contains(line), "{line:?} in {text}");
        }
        assert!(!mail(None, "x").contains("In-Reply-To"));
    }

    #[test]
    fn a_name_cannot_begin_a_header() {
        assert!(!mail(None, "a\r\nBcc: all@example.org").contains("\r\nBcc"));
    }
}
