//! Signed web calls after the open Standard Webhooks scheme: a stable id, the time of the attempt,
//! and an HMAC-SHA-256 over both and the body, so that a receiver can tell ours from others' and a
//! repeat from news.
//!
//! Redirects are not followed: a receiver that moves says so to people, not to a machine.

use super::{Body, Sent};
use crate::clock::Now;
use crate::config::checked;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use nightjar_calc::time::{Span, Timestamp};
use reqwest::StatusCode;
use reqwest::header::{CONTENT_TYPE, HeaderMap, RETRY_AFTER};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Bytes of an answer that are read: only its status counts.
const MOST_ANSWER: usize = 4096;
/// Longest wait a receiver can ask for.
const LONGEST_RETRY_AFTER: Span = Span::from_hours(1);

/// Limits of one call.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Until connected.
    pub connect: Duration,
    /// In all.
    pub total: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self { connect: Duration::from_secs(5), total: Duration::from_secs(15) }
    }
}

/// A receiver.
#[derive(Clone, Debug)]
struct Receiver {
    url: String,
    secret_file: PathBuf,
}

/// Calls receivers, each by its name.
#[derive(Debug)]
pub struct WebhookRoute {
    client: reqwest::Client,
    receivers: BTreeMap<String, Receiver>,
    /// Receivers that said they are gone.
    gone: Mutex<BTreeSet<String>>,
}

/// A route that cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum NotARoute {
    /// The client for web calls.
    #[error("web calls cannot be set up: {0}")]
    Client(reqwest::Error),
    /// The own authority of a receiver.
    #[error("authority file {file}: {reason}")]
    Authority {
        /// Which file.
        file: String,
        /// What is wrong with it.
        reason: String,
    },
}

/// A secret that is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotASecret {
    /// Nothing there.
    #[error("holds no secret")]
    Empty,
    /// Not base64 after its prefix.
    #[error("is not a secret of the form whsec_ and base64")]
    Form,
}

impl WebhookRoute {
    /// To the receivers of the configuration.
    ///
    /// # Errors
    /// When the client or a certificate authority cannot be set up.
    pub fn new(webhooks: &[checked::Webhook], limits: Limits) -> Result<Self, NotARoute> {
        // Another part of the program may have chosen it already: there is only this one.
        let _already = rustls::crypto::ring::default_provider().install_default();
        let mut client = reqwest::Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .connect_timeout(limits.connect)
            .timeout(limits.total)
            .pool_max_idle_per_host(0)
            .user_agent(concat!("nightjar/", env!("CARGO_PKG_VERSION")));
        let mut authorities = Vec::new();
        for file in webhooks.iter().filter_map(|webhook| webhook.authority_file.as_ref()) {
            let refused = |reason: String| NotARoute::Authority { file: file.display().to_string(), reason };
            let pem = std::fs::read(file).map_err(|error| refused(error.to_string()))?;
            let found =
                reqwest::Certificate::from_pem_bundle(&pem).map_err(|error| refused(error.to_string()))?;
            authorities.extend(found);
        }
        if !authorities.is_empty() {
            client = client.tls_certs_merge(authorities);
        }
        let receiver = |webhook: &checked::Webhook| {
            let receiver = Receiver { url: webhook.url.clone(), secret_file: webhook.secret_file.clone() };
            (webhook.id.clone(), receiver)
        };
        Ok(Self {
            client: client.build().map_err(NotARoute::Client)?,
            receivers: webhooks.iter().map(receiver).collect(),
            gone: Mutex::default(),
        })
    }

    /// Receivers that said they are gone for good.
    #[must_use]
    pub fn gone(&self) -> BTreeSet<String> {
        self.gone.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Calls the receiver named in `body.to` with the JSON in `body.text`.
    pub async fn send(&self, key: &str, body: &Body, now: Now) -> Sent {
        let Some(receiver) = self.receivers.get(&body.to) else {
            return Sent::AddressDead(format!("no receiver is called \"{}\"", body.to));
        };
        if self.gone().contains(&body.to) {
            return Sent::AddressDead("the receiver said it is gone (410)".into());
        }
        let secrets = match secrets(&receiver.secret_file).await {
            Ok(secrets) => secrets,
            Err(words) => return Sent::ChannelRefused(words),
        };
        let id = id(key);
        let seconds = now.utc.ms().div_euclid(1000);
        let signatures: Vec<String> =
            secrets.iter().map(|secret| signature(secret, &id, seconds, &body.text)).collect();
        let call = self
            .client
            .post(&receiver.url)
            .header(CONTENT_TYPE, "application/json")
            .header("webhook-id", &id)
            .header("webhook-timestamp", seconds.to_string())
            .header("webhook-signature", signatures.join(" "))
            .body(body.text.clone());
        match call.send().await {
            // Names and paths of receivers can be secrets: no address in the words.
            Err(error) => Sent::Retry(without_address(error)),
            Ok(answer) => {
                let (status, after) = (answer.status(), retry_after(answer.headers(), now));
                let words = first_bytes(answer).await;
                self.judge(&body.to, status, after, &words, now)
            }
        }
    }

    fn judge(&self, to: &str, status: StatusCode, after: Option<Span>, words: &str, now: Now) -> Sent {
        if status.is_success() {
            return Sent::Accepted(None);
        }
        let said = format!("the receiver answered {}: {words}", status.as_u16());
        if status == StatusCode::GONE {
            self.gone.lock().unwrap_or_else(PoisonError::into_inner).insert(to.to_owned());
            return Sent::AddressDead(said);
        }
        if status.is_redirection() {
            return Sent::Retry(format!(
                "the receiver answered {}; redirects are not followed",
                status.as_u16()
            ));
        }
        // Receivers turn away what is stamped minutes off their own clock.
        let by_stamp = status.is_client_error() && !now.trusted;
        let said = if by_stamp { format!("refused while our clock is not trusted; {said}") } else { said };
        match after {
            Some(after) => Sent::RetryAfter { why: said, after },
            None => Sent::Retry(said),
        }
    }
}

/// The key as an id of the scheme, which keeps full stops for its own use.
fn id(key: &str) -> String {
    key.replace('.', "~")
}

/// `v1,` and the base64 of HMAC-SHA-256 over id, time and body.
#[must_use]
pub fn signature(secret: &[u8], id: &str, seconds: i64, body: &str) -> String {
    // A key of any length will do for HMAC.
    let Ok(mut mac) = Hmac::<sha2::Sha256>::new_from_slice(secret) else { return String::new() };
    mac.update(format!("{id}.{seconds}.{body}").as_bytes());
    format!("v1,{}", STANDARD.encode(mac.finalize().into_bytes()))
}

/// Secrets of a file, one or more, apart by blanks: several while they are being changed.
///
/// # Errors
/// When there is none, or one is not base64.
pub fn read_secrets(text: &str) -> Result<Vec<Vec<u8>>, NotASecret> {
    let secrets: Result<Vec<Vec<u8>>, NotASecret> = text
        .split_whitespace()
        .map(|secret| {
            let coded = secret.strip_prefix("whsec_").unwrap_or(secret);
            STANDARD.decode(coded).ok().filter(|secret| !secret.is_empty()).ok_or(NotASecret::Form)
        })
        .collect();
    secrets.and_then(|secrets| if secrets.is_empty() { Err(NotASecret::Empty) } else { Ok(secrets) })
}

async fn secrets(file: &Path) -> Result<Vec<Vec<u8>>, String> {
    let text = tokio::fs::read_to_string(file)
        .await
        .map_err(|error| format!("cannot read secret file {}: {error}", file.display()))?;
    read_secrets(&text).map_err(|error| format!("secret file {} {error}", file.display()))
}

/// Seconds or a date (RFC 9110, section 10.2.3), at most an hour.
fn retry_after(headers: &HeaderMap, now: Now) -> Option<Span> {
    let text = headers.get(RETRY_AFTER)?.to_str().ok()?.trim();
    let wait = match text.parse::<u32>() {
        Ok(seconds) => Span::from_secs(i64::from(seconds)),
        Err(_) => {
            let at = chrono::DateTime::parse_from_rfc2822(text).ok()?;
            Timestamp::from_ms(at.timestamp_millis()).since(now.utc)
        }
    };
    Some(wait.clamp(Span::ZERO, LONGEST_RETRY_AFTER))
}

async fn first_bytes(mut answer: reqwest::Response) -> String {
    let mut bytes: Vec<u8> = Vec::new();
    while bytes.len() < MOST_ANSWER {
        match answer.chunk().await {
            Ok(Some(chunk)) => bytes.extend(chunk.iter().take(MOST_ANSWER - bytes.len())),
            Ok(None) | Err(_) => break,
        }
    }
    String::from_utf8_lossy(&bytes).chars().map(|c| if c.is_control() { ' ' } else { c }).take(120).collect()
}

fn without_address(error: reqwest::Error) -> String {
    let error = error.without_url();
    let mut words = error.to_string();
    let mut cause = std::error::Error::source(&error);
    while let Some(error) = cause {
        words.push_str(": ");
        words.push_str(&error.to_string());
        cause = error.source();
    }
    words.chars().take(300).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The vector that the scheme's own libraries test against.
    #[test]
    fn the_signature_is_the_published_one() {
        let secrets = read_secrets("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n").unwrap();
        let signed =
            signature(&secrets[0], "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, r#"{"test": 2432232314}"#);
        assert_eq!(signed, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn a_secret_must_be_one() {
        assert_eq!(read_secrets(" \n"), Err(NotASecret::Empty));
        assert_eq!(read_secrets("whsec_"), Err(NotASecret::Form));
        assert_eq!(read_secrets("whsec_%%%"), Err(NotASecret::Form));
        assert_eq!(read_secrets("whsec_AAAA BBBB").unwrap().len(), 2);
    }
}
