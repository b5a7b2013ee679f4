//! Alarms on the page: how each stands, and what can be done about it. Sentences with gaps are filled by
//! `components::say`, so that another language can put them in another order.

use crate::alarm::event::{AlarmEvent, Change};

/// Title of the page, and of one alarm.
pub const TITLE: &str = "Alarms";
/// One alarm.
pub const ONE: &str = "Alarm";
/// Back to all of them.
pub const BACK: &str = "‹ Alarms";
/// Headings.
pub const OPEN: &str = "Need somebody";
/// None of them.
pub const NONE: &str = "None.";
/// Acknowledged.
pub const KNOWN: &str = "Somebody knows";
/// Silenced.
pub const SILENCED: &str = "Paused, covered or out of use";
/// The journal.
pub const HISTORY: &str = "What happened";
/// Nothing in it.
pub const NO_HISTORY: &str = "Nothing yet.";
/// Messages about it.
pub const TOLD: &str = "Who was told";
/// None.
pub const NOBODY_TOLD: &str = "Nobody was told about this.";
/// To the week.
pub const WEEK: &str = "The last seven days in numbers";

/// How it stands.
pub const ON: &str = "On, nobody has answered.";
/// Off, unanswered.
pub const CLEARED: &str = "Cleared, nobody has answered.";
/// Acknowledged and still on.
pub const KNOWN_ON: &str = "Acknowledged by {who}, reminder {when}. Still on.";
/// Acknowledged and off.
pub const KNOWN_OFF: &str = "Acknowledged by {who}, reminder {when}.";
/// Silenced until a time, and still on.
pub const SILENCED_UNTIL_ON: &str = "{why} until {when}. The condition is still on.";
/// Silenced until a time, and off.
pub const SILENCED_UNTIL_OFF: &str = "{why} until {when}. The condition is off.";
/// Silenced without an end, and still on.
pub const SILENCED_ON: &str = "{why}. The condition is still on.";
/// Silenced without an end, and off.
pub const SILENCED_OFF: &str = "{why}. The condition is off.";
/// Jars of a common cause.
pub const MEMBERS: &str = "{n} of {total} in alarm: {names}";
/// Value, limit and time.
pub const VALUE_LIMIT: &str = "{value}, limit {limit}, since {when}";
/// Value and time.
pub const VALUE: &str = "{value}, since {when}";
/// Behind a difference.
pub const APART: &str = " apart";
/// No value.
pub const NO_READING: &str = "no reading";
/// The sensor has gone since.
pub const NOT_VERIFIED: &str = "not verified since: the sensor went silent or bad";
/// On and off too often.
pub const CHATTERING: &str = "chattering: held on";
/// Before what to do.
pub const DO: &str = "Do: ";
/// Opens what is less often wanted.
pub const MORE: &str = "More";
/// Urgency and answer code.
pub const URGENCY: &str = "{priority}: {meaning}. Answer code {code}.";
/// The text message.
pub const AS_TEXTED: &str = "As texted: {line}";
/// To the page of the alarm.
pub const WHAT_AND_WHO: &str = "What happened and who was told";
/// The clock may have been wrong then.
pub const CLOCK: &str = "clock not trusted";

/// Answers.
pub const SIGN_IN: &str = "Sign in to answer";
/// Somebody knows.
pub const ACKNOWLEDGE: &str = "Acknowledge";
/// It is over.
pub const FIXED: &str = "It is fixed";
/// End of a pause.
pub const END_PAUSE: &str = "End the pause";
/// A pause.
pub const PAUSE: &str = "Pause";
/// Its length.
pub const PAUSE_FOR: &str = "For";
/// Its early end.
pub const ONE_SHOT: &str = "end it when the alarm clears";
/// A reason.
pub const WHY: &str = "Why";
/// Out of use.
pub const OUT_OF_USE: &str = "Out of use";
/// Its end.
pub const PLANNED_END: &str = "Planned end";
/// Ends to choose from, in days.
pub const ENDS: [(&str, &str); 3] = [("1", "1 day"), ("3", "3 days"), ("7", "7 days")];
/// Does it.
pub const TAKE_OUT: &str = "Take out of use";
/// For changes that need it anew.
pub const PASSWORD_AGAIN: &str = "Password again";
/// Lengths of a pause, in minutes, by priority.
pub const PAUSES: [&[(&str, &str)]; 3] = [
    &[("15", "15 min"), ("30", "30 min")],
    &[("30", "30 min"), ("120", "2 h"), ("240", "4 h")],
    &[("60", "1 h"), ("480", "8 h"), ("1440", "24 h")],
];

/// Refusals.
pub const NO_SUCH: &str = "There is no such alarm.";
/// No such answer.
pub const NO_SUCH_ANSWER: &str = "There is no such answer to an alarm.";
/// It is over.
pub const OVER: &str = "That alarm is over; nothing was changed.";
/// A reason is missing or too long.
pub const SAY_WHY: &str = "Say why, in up to 200 characters.";
/// The end is missing or too far away.
pub const END_NEEDED: &str = "Out of use needs a planned end within 7 days.";

/// A pause that is too long.
pub fn at_most(priority: &str, minutes: i64) -> String {
    format!("A {priority} can be paused for at most {minutes} minutes.")
}

/// One line of the journal; `until` says a moment.
pub fn change(event: &AlarmEvent, until: impl Fn(nightjar_calc::time::Timestamp) -> String) -> String {
    match &event.change {
        Change::Raised => "on".into(),
        Change::Again { times } => format!("on again, time {times}"),
        Change::Worsened => "got worse".into(),
        Change::Grew => format!("grew to {} of {}", event.members.len(), event.members_total),
        Change::Acknowledged { by, until: at } => format!("acknowledged by {by}, reminder {}", until(*at)),
        Change::Reminder => "still on, reminder".into(),
        Change::Cleared => "cleared".into(),
        Change::Confirmed { by } => format!("fixed by {by}"),
        Change::Shelved { by, until: at } => format!("paused by {by} until {}", until(*at)),
        Change::Covered { by } => format!("covered by {by}"),
        Change::OutOfService { by, until: at, reason } => {
            format!("taken out of use by {by} until {}: {reason}", until(*at))
        }
        Change::Unsuppressed => "pause over".into(),
    }
}
