//! Reads the file alone and strictly: no coercion, no unknown keys, every problem with its line.
//!
//! The TOML reader stops at its first problem. To tell them all, the offending statement is
//! blanked and the text is read again; once a text that we have blanked in is no longer TOML, we
//! stop guessing.

use super::raw::Raw;
use super::report::{Problem, line_at, nearest};

/// Most problems told at once.
const MOST_PROBLEMS: usize = 50;

/// Reads what can be read, and lists what cannot.
#[must_use]
pub fn read(text: &str) -> (Raw, Vec<Problem>) {
    let mut problems = Vec::new();
    let mut text = text.to_owned();
    for attempt in 0..MOST_PROBLEMS {
        match toml::from_str::<Raw>(&text) {
            Ok(raw) => return (raw, problems),
            Err(error) => {
                let syntax = toml::de::DeTable::parse(&text).is_err();
                if syntax && attempt > 0 {
                    break;
                }
                let line = error.span().map(|span| line_at(&text, span.start));
                problems.push(worded(&text, &error, line));
                let Some(line) = line.filter(|_| !syntax) else { break };
                blank(&mut text, line);
            }
        }
    }
    (Raw::default(), problems)
}

fn worded(text: &str, error: &toml::de::Error, line: Option<usize>) -> Problem {
    let message = error.message().trim().replace('\n', ", ");
    let path = line.and_then(|line| key_on(text, line)).unwrap_or_default();
    let mut problem = Problem { path, line, what: message.clone(), hint: None };
    if let Some((unknown, known)) = unknown_field(&message) {
        problem.what = format!("no setting is called \"{unknown}\" here");
        problem.path = String::new();
        problem.hint = Some(match nearest(&unknown, known.iter().map(String::as_str)) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("known here: {}", known.join(", ")),
        });
    } else if let Some((found, wanted)) = wrong_type(&message) {
        problem.what = format!("{wanted} is wanted here, not {found}");
        problem.hint = match (found, wanted) {
            ("text", _) => Some("write it without quotes".into()),
            (_, "text") => Some("write it in quotes".into()),
            _ => None,
        };
    }
    problem
}

/// Plain words for what was found and what was wanted, out of ``invalid type: string "x", expected
/// f64``.
fn wrong_type(message: &str) -> Option<(&'static str, &'static str)> {
    let (found, wanted) = message.strip_prefix("invalid type: ")?.split_once(", expected ")?;
    Some((plain_type(found), plain_type(wanted)))
}

fn plain_type(words: &str) -> &'static str {
    const PLAIN: [(&str, &str); 9] = [
        ("string", "text"),
        ("a string", "text"),
        ("integer", "a whole number"),
        ("i64", "a whole number"),
        ("float", "a number"),
        ("f64", "a number"),
        ("bool", "true or false"),
        ("a bool", "true or false"),
        ("sequence", "a list"),
    ];
    let plain = PLAIN.iter().find(|(technical, _)| words.starts_with(technical));
    plain.map_or_else(|| if words.contains("sequence") { "a list" } else { "a table" }, |(_, plain)| plain)
}

/// Takes ``unknown field `x`, expected one of `a`, `b` `` apart.
fn unknown_field(message: &str) -> Option<(String, Vec<String>)> {
    let mut quoted = message.strip_prefix("unknown field ")?.split('`').skip(1).step_by(2).map(str::to_owned);
    let unknown = quoted.next()?;
    Some((unknown, quoted.collect()))
}

/// `table.key` of the statement on a line, as far as one line tells.
fn key_on(text: &str, line: usize) -> Option<String> {
    let lines: Vec<&str> = text.lines().take(line).collect();
    let key = lines.last()?.split('=').next()?.trim();
    if key.is_empty() || key.starts_with('[') || key.starts_with('"') {
        return None;
    }
    let table = lines
        .iter()
        .rev()
        .find(|line| line.trim_start().starts_with('[') && !line.contains('='))
        .map(|line| line.trim().trim_matches(['[', ']']).to_owned());
    Some(table.map_or(key.to_owned(), |table| format!("{table}.{key}")))
}

/// Blanks the statement on a line, or the whole table when the line opens one.
fn blank(text: &mut String, line: usize) {
    let mut open_table = false;
    let kept: Vec<&str> = text
        .lines()
        .enumerate()
        .map(|(at, content)| {
            let opens = content.trim_start().starts_with('[') && !content.contains('=');
            if at + 1 == line {
                open_table = opens;
                return "";
            }
            open_table &= !opens;
            if open_table { "" } else { content }
        })
        .collect();
    *text = kept.join("\n");
}
