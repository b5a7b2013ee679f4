//! What an answer of a mail server means for the message, the address and the route.
//! Classes of answers: RFC 5321, section 4.2.1; enhanced codes: RFC 3463.

use crate::notify::Sent;
use std::fmt;

/// Where in the dialogue an answer came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Step {
    Connect,
    SignIn,
    Sender,
    Recipient,
    Data,
    Content,
}

impl fmt::Display for Step {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Connect => "on connecting",
            Self::SignIn => "on signing in",
            Self::Sender => "on naming the sender",
            Self::Recipient => "on naming the recipient",
            Self::Data => "before the message",
            Self::Content => "after the message",
        })
    }
}

/// Sorts a failure.
pub(super) fn classify(step: Step, error: &lettre::transport::smtp::Error) -> Sent {
    let said: String = format!("{error} {step}").chars().take(300).collect();
    match error.status().map(u16::from) {
        Some(code) => by_code(step, code, said),
        // TLS, name or chain failures are retried, never bypassed; so is a server without a
        // sign-in we know, since a provider may be half up.
        None => Sent::Retry(said),
    }
}

fn by_code(step: Step, code: u16, said: String) -> Sent {
    match (step, code) {
        (_, 400..500) => Sent::Retry(said),
        (_, 530 | 534 | 535 | 538) | (Step::SignIn, _) => Sent::ChannelRefused(said),
        // A refusal by policy says nothing about the address.
        (Step::Recipient, 550 | 551 | 553) if !said.contains("5.7.") => Sent::AddressDead(said),
        // RFC 5321, section 4.5.3.1.10: 552 to RCPT for too many recipients is temporary. We name
        // one recipient a message, so it can only be the mailbox.
        (Step::Recipient, 552) => Sent::AddressDead(said),
        (Step::Connect, _) => Sent::Retry(said),
        (Step::Sender, _) => Sent::ChannelRefused(said),
        (Step::Recipient | Step::Data | Step::Content, _) => Sent::MessageRefused(said),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn answers_are_sorted_as_rfc_5321_and_rfc_3463_class_them() {
        let class = |step, code, text: &str| match by_code(step, code, text.to_owned()) {
            Sent::Accepted(_) => "accepted",
            Sent::Retry(_) | Sent::RetryAfter { .. } => "retry",
            Sent::AddressDead(_) => "address",
            Sent::MessageRefused(_) => "message",
            Sent::ChannelRefused(_) => "route",
        };
        for (step, code, text, expected) in [
            (Step::Connect, 421, "4.3.2", "retry"),
            (Step::Recipient, 450, "4.2.1", "retry"),
            (Step::Recipient, 451, "4.7.1 greylisted", "retry"),
            (Step::SignIn, 454, "4.7.0", "retry"),
            (Step::SignIn, 535, "5.7.8", "route"),
            (Step::Sender, 530, "5.7.0 authentication required", "route"),
            (Step::Recipient, 550, "5.1.1 no such user", "address"),
            (Step::Recipient, 553, "5.1.3", "address"),
            (Step::Recipient, 552, "5.2.2 full", "address"),
            (Step::Recipient, 550, "5.7.1 policy", "message"),
            (Step::Content, 554, "5.7.1", "message"),
            (Step::Content, 550, "5.7.26", "message"),
            (Step::Connect, 554, "no service", "retry"),
        ] {
            assert_eq!(class(step, code, text), expected, "{step:?} {code} {text}");
        }
    }
}
