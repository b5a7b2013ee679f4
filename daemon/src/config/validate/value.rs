//! Single values: durations, numbers in a range, required texts, words out of a list.

use crate::config::report::{Problem, nearest};
use nightjar_calc::time::Span;
use std::path::PathBuf;

/// A required text.
pub fn required(text: Option<&String>, path: &str, hint: &str, problems: &mut Vec<Problem>) -> String {
    match text.map(|text| text.trim()) {
        Some(text) if !text.is_empty() => text.to_owned(),
        _ => {
            problems.push(Problem::at(path, "is missing").hint(hint));
            String::new()
        }
    }
}

/// A number in a range, or the default when missing.
pub fn number(
    given: Option<f64>,
    default: f64,
    range: (f64, f64),
    path: &str,
    problems: &mut Vec<Problem>,
) -> f64 {
    let Some(value) = given else { return default };
    if (range.0..=range.1).contains(&value) {
        return value;
    }
    problems.push(Problem::at(path, format!("{value} is outside {} to {}", range.0, range.1)));
    default
}

/// A whole number in a range, or the default when missing.
pub fn whole<T: TryFrom<i64> + Copy>(
    given: Option<i64>,
    default: T,
    range: (i64, i64),
    path: &str,
    problems: &mut Vec<Problem>,
) -> T {
    let Some(value) = given else { return default };
    match T::try_from(value) {
        Ok(fits) if (range.0..=range.1).contains(&value) => fits,
        _ => {
            problems.push(Problem::at(path, format!("{value} is outside {} to {}", range.0, range.1)));
            default
        }
    }
}

/// A duration like `90s`, `5m`, `2h`, `1d` or `250ms`, or the default when missing.
pub fn duration(
    given: Option<&String>,
    default: Span,
    range: (Span, Span),
    path: &str,
    problems: &mut Vec<Problem>,
) -> Span {
    let Some(text) = given else { return default };
    let Some(span) = parse_duration(text) else {
        problems.push(
            Problem::at(path, format!("\"{text}\" is not a duration"))
                .hint("write it like \"5m\" or \"90s\""),
        );
        return default;
    };
    if (range.0..=range.1).contains(&span) {
        return span;
    }
    problems.push(Problem::at(
        path,
        format!("\"{text}\" is outside {} to {}", duration_text(range.0), duration_text(range.1)),
    ));
    default
}

/// Reads `90s`, `5m`, `2h`, `1d`, `250ms`.
pub fn parse_duration(text: &str) -> Option<Span> {
    let text = text.trim();
    let digits = text.find(|c: char| !c.is_ascii_digit())?;
    let number: i64 = text[..digits].parse().ok()?;
    let ms = match &text[digits..] {
        "ms" => 1,
        "s" => 1_000,
        "m" => 60_000,
        "h" => 3_600_000,
        "d" => 86_400_000,
        _ => return None,
    };
    number.checked_mul(ms).map(Span::from_ms)
}

/// The shortest exact text of a duration.
pub fn duration_text(span: Span) -> String {
    let ms = span.ms();
    for (unit, length) in [("d", 86_400_000), ("h", 3_600_000), ("m", 60_000), ("s", 1_000)] {
        if ms != 0 && ms % length == 0 {
            return format!("{}{unit}", ms / length);
        }
    }
    format!("{ms}ms")
}

/// A word out of a list, or the default when missing.
pub fn word<T: Copy>(
    given: Option<&String>,
    default: T,
    words: &[(&str, T)],
    path: &str,
    problems: &mut Vec<Problem>,
) -> T {
    let Some(text) = given else { return default };
    if let Some((_, meaning)) = words.iter().find(|(word, _)| word == text) {
        return *meaning;
    }
    let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
    let hint = match nearest(text, known.iter().copied()) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => format!("known words: {}", known.join(", ")),
    };
    problems.push(Problem::at(path, format!("\"{text}\" is not known")).hint(hint));
    default
}

/// A file that must be readable, named but not opened here beyond its presence.
pub fn secret_file(given: Option<&String>, path: &str, problems: &mut Vec<Problem>) -> PathBuf {
    let name = required(given, path, "give the path of a file that holds only the secret", problems);
    PathBuf::from(name)
}

/// Sign-in needs both a name and a password file, or neither.
pub fn sign_in(
    username: Option<&String>,
    password_file: Option<&String>,
    path: &str,
    problems: &mut Vec<Problem>,
) -> Option<(String, PathBuf)> {
    match (username, password_file) {
        (Some(name), Some(file)) => Some((name.clone(), PathBuf::from(file))),
        (None, None) => None,
        (Some(_), None) => {
            problems.push(
                Problem::at(format!("{path}.username"), "has no password-file beside it")
                    .hint("put the password alone into a file and name it in password-file"),
            );
            None
        }
        (None, Some(_)) => {
            problems.push(Problem::at(format!("{path}.password-file"), "has no username beside it"));
            None
        }
    }
}

/// Local time of day `HH:MM` in minutes.
pub fn minute_of_day(text: &str) -> Option<u16> {
    let (hours, minutes) = text.trim().split_once(':')?;
    let (hours, minutes): (u16, u16) = (hours.parse().ok()?, minutes.parse().ok()?);
    (hours < 24 && minutes < 60).then_some(hours * 60 + minutes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_are_read_and_written_the_same_way() {
        for text in ["90s", "5m", "2h", "1d", "250ms"] {
            assert_eq!(duration_text(parse_duration(text).unwrap()), text);
        }
        for bad in ["5 mins please", "90", "", "-5s", "1.5h", "99999999999999999999s"] {
            assert_eq!(parse_duration(bad), None, "{bad}");
        }
    }
}
