//! `[notify]`: routes for messages.

use super::value;
use crate::config::checked::{Email, Heartbeat, Notify, Sms, Sounder, Webhook};
use crate::config::raw;
use crate::config::report::Problem;
use nightjar_calc::time::Span;
use std::path::PathBuf;

pub fn check(raw: &raw::Notify, problems: &mut Vec<Problem>) -> Notify {
    let webhooks = raw
        .webhook
        .iter()
        .enumerate()
        .map(|(at, given)| {
            let path = format!("notify.webhook[{at}]");
            let local = given.allow_local_http.unwrap_or(false);
            Webhook {
                id: given.id.clone().unwrap_or_else(|| format!("webhook-{}", at + 1)),
                url: url(given.url.as_ref(), local, &format!("{path}.url"), problems),
                secret_file: value::secret_file(
                    given.secret_file.as_ref(),
                    &format!("{path}.secret-file"),
                    problems,
                ),
                authority_file: given.authority_file.as_ref().map(PathBuf::from),
            }
        })
        .collect();
    let daily_at = raw.daily_at.as_deref().unwrap_or("07:00");
    let minute = value::minute_of_day(daily_at);
    if minute.is_none() && daily_at != "never" {
        problems.push(
            Problem::at("notify.daily-at", format!("\"{daily_at}\" is not a time of day"))
                .hint("write it like \"07:00\", or \"never\""),
        );
    }
    Notify {
        email: raw.email.as_ref().map(|given| email(given, problems)),
        sms: raw.sms.as_ref().map(|given| sms(given, problems)),
        webhooks,
        heartbeat: raw.heartbeat.as_ref().map(|given| heartbeat(given, problems)),
        daily_at: minute,
        sounder: raw.sounder.as_ref().map(|given| sounder(given, problems)),
        mail_folder: raw.mail_folder.as_ref().map(PathBuf::from),
    }
}

/// The mail server, of a station or of a watcher.
pub fn email(given: &raw::Email, problems: &mut Vec<Problem>) -> Email {
    let path = "notify.email";
    let server =
        value::required(given.server.as_ref(), "notify.email.server", "as \"mail.example.net\"", problems);
    let implicit_tls = value::word(
        given.tls.as_ref(),
        true,
        &[("implicit", true), ("starttls", false)],
        "notify.email.tls",
        problems,
    );
    let port = value::whole(
        given.port,
        if implicit_tls { 465 } else { 587 },
        (1, 65_535),
        "notify.email.port",
        problems,
    );
    let from = value::required(
        given.from.as_ref(),
        "notify.email.from",
        "a mailbox that somebody reads: failures for alarm mail arrive there",
        problems,
    );
    if !from.is_empty() && !from.contains('@') {
        problems.push(Problem::at("notify.email.from", format!("\"{from}\" is not an e-mail address")));
    }
    Email {
        server,
        port,
        implicit_tls,
        sign_in: value::sign_in(given.username.as_ref(), given.password_file.as_ref(), path, problems),
        from,
        authority_file: given.authority_file.as_ref().map(PathBuf::from),
    }
}

fn sms(given: &raw::Sms, problems: &mut Vec<Problem>) -> Sms {
    let port = value::required(
        given.port.as_ref(),
        "notify.sms.port",
        "the AT port of the modem, by its stable name under /dev/serial/by-id/",
        problems,
    );
    let international = |number: &str| {
        number.strip_prefix('+').is_some_and(|digits| {
            (8..=15).contains(&digits.len()) && digits.bytes().all(|b| b.is_ascii_digit())
        })
    };
    if let Some(number) = given.own_number.as_deref().filter(|number| !international(number)) {
        problems.push(
            Problem::at("notify.sms.own-number", format!("\"{number}\" is not a telephone number"))
                .hint("write it in full with its country code, as \"+12025550143\""),
        );
    }
    Sms {
        port: PathBuf::from(port),
        baud: value::whole(given.baud, 115_200, (1_200, 4_000_000), "notify.sms.baud", problems),
        pin_file: given.pin_file.as_ref().map(PathBuf::from),
        power_file: given.power_file.as_ref().map(PathBuf::from),
        own_number: given.own_number.clone(),
    }
}

fn heartbeat(given: &raw::Heartbeat, problems: &mut Vec<Problem>) -> Heartbeat {
    let local = given.allow_local_http.unwrap_or(false);
    Heartbeat {
        url: url(given.url.as_ref(), local, "notify.heartbeat.url", problems),
        secret_file: given.secret_file.as_ref().map(PathBuf::from),
        every: value::duration(
            given.every.as_ref(),
            Span::from_secs(60),
            (Span::from_secs(1), Span::from_minutes(10)),
            "notify.heartbeat.every",
            problems,
        ),
    }
}

fn sounder(given: &raw::Sounder, problems: &mut Vec<Problem>) -> Sounder {
    let file = value::required(
        given.file.as_ref(),
        "notify.sounder.file",
        "a GPIO value file or the like that takes a word",
        problems,
    );
    Sounder {
        file: PathBuf::from(file),
        on: given.on.clone().unwrap_or_else(|| "1".into()),
        off: given.off.clone().unwrap_or_else(|| "0".into()),
    }
}

/// Only `https`, unless the host is on the local net and the file says so.
fn url(given: Option<&String>, local_http: bool, path: &str, problems: &mut Vec<Problem>) -> String {
    let url = value::required(given, path, "as \"https://watch.example.net/beat\"", problems);
    let ok = url.is_empty()
        || url.strip_prefix("https://").is_some_and(|rest| !rest.is_empty())
        || (local_http && url.strip_prefix("http://").is_some_and(|rest| !rest.is_empty()));
    if !ok {
        problems.push(
            Problem::at(path, format!("\"{url}\" is not an https address"))
                .hint("on the local network, http can be allowed with allow-local-http = true"),
        );
    }
    if url.contains('@') {
        problems.push(
            Problem::at(path, "holds a sign-in")
                .hint("leave names and passwords out of addresses; use secret-file"),
        );
    }
    url
}
