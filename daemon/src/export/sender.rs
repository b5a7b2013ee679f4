//! One `POST /api/v2/write`: what is sent, and what the answers mean.

use crate::config::checked::{Influx, Secret};
use flate2::Compression;
use flate2::write::GzEncoder;
use reqwest::StatusCode;
use reqwest::header::{AUTHORIZATION, CONTENT_ENCODING, CONTENT_TYPE, RETRY_AFTER};
use std::io::Write as _;
use std::path::PathBuf;
use std::time::Duration;

/// Longest wait for a connection.
const CONNECT: Duration = Duration::from_secs(5);
/// Longest wait for the answer to one request.
const WHOLE: Duration = Duration::from_secs(30);
/// Bodies over this size are compressed.
const COMPRESS_FROM: usize = 1_024;
/// Most of an answer that is kept.
const ANSWER_BYTES: usize = 300;

/// What the server made of a batch.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// All of it is stored.
    Taken,
    /// Something in it is wrong (400, 422) or there is too much of it (413): halve it.
    Refused(String),
    /// Not now (429, 5xx, no connection, no answer): the same bytes again, not before this time.
    Later(String, Option<Duration>),
    /// The server does not know us or the bucket (401, 403, 404): somebody has to act.
    SetUpWrong(String),
}

/// A way to one bucket.
#[derive(Clone, Debug)]
pub struct Sender {
    client: reqwest::Client,
    url: reqwest::Url,
    token_file: PathBuf,
}

/// A server that cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum NotAServer {
    /// The address makes no sense.
    #[error("\"{url}\" is not the address of a server: {why}")]
    Address {
        /// As configured.
        url: String,
        /// What is wrong with it.
        why: String,
    },
    /// No TLS.
    #[error("cannot set up a web client: {0}")]
    Client(reqwest::Error),
}

/// A web client as every sender here uses it: no redirects, no proxy from the environment, limits
/// on everything, and the one TLS provider of this program.
///
/// # Errors
/// When TLS cannot be set up.
pub fn client(connect: Duration, whole: Duration) -> Result<reqwest::Client, reqwest::Error> {
    // Fails only when a provider is there already, which is as good.
    drop(rustls::crypto::ring::default_provider().install_default());
    reqwest::Client::builder()
        .connect_timeout(connect)
        .timeout(whole)
        .redirect(reqwest::redirect::Policy::none())
        .no_proxy()
        .build()
}

impl Sender {
    /// To the bucket of the configuration.
    ///
    /// # Errors
    /// When the address makes no sense or TLS cannot be set up.
    pub fn new(settings: &Influx) -> Result<Self, NotAServer> {
        let base = format!("{}/api/v2/write", settings.url.trim_end_matches('/'));
        let query = [("org", &*settings.organisation), ("bucket", &*settings.bucket), ("precision", "ms")];
        let url = reqwest::Url::parse_with_params(&base, &query)
            .map_err(|why| NotAServer::Address { url: settings.url.clone(), why: why.to_string() })?;
        let client = client(CONNECT, WHOLE).map_err(NotAServer::Client)?;
        Ok(Self { client, url, token_file: settings.token_file.clone() })
    }

    /// With other limits: for the connection, and for the whole of a request.
    ///
    /// # Errors
    /// When TLS cannot be set up.
    pub fn with_limits(mut self, connect: Duration, whole: Duration) -> Result<Self, NotAServer> {
        self.client = client(connect, whole).map_err(NotAServer::Client)?;
        Ok(self)
    }

    /// Sends these lines.
    pub async fn post(&self, lines: &[String]) -> Answer {
        // Read each time, so that a new token needs no restart.
        let token = match tokio::fs::read_to_string(&self.token_file).await {
            Ok(token) => Secret(token.trim().to_owned()),
            Err(error) => {
                return Answer::SetUpWrong(format!("cannot read {}: {error}", self.token_file.display()));
            }
        };
        let body = lines.concat().into_bytes();
        let mut request = self
            .client
            .post(self.url.clone())
            .header(AUTHORIZATION, format!("Token {}", token.0))
            .header(CONTENT_TYPE, "text/plain; charset=utf-8");
        request = match compressed(&body) {
            Some(packed) => request.header(CONTENT_ENCODING, "gzip").body(packed),
            None => request.body(body),
        };
        match request.send().await {
            Ok(response) => answer(response).await,
            Err(error) => Answer::Later(words(&error), None),
        }
    }
}

fn compressed(body: &[u8]) -> Option<Vec<u8>> {
    if body.len() < COMPRESS_FROM {
        return None;
    }
    let mut encoder = GzEncoder::new(Vec::with_capacity(body.len() / 4), Compression::fast());
    encoder.write_all(body).ok()?;
    encoder.finish().ok()
}

/// An error of the client with its causes, without the address it repeats.
fn words(error: &reqwest::Error) -> String {
    let mut text = String::from(if error.is_timeout() { "no answer in time" } else { "cannot be reached" });
    let mut cause = std::error::Error::source(error);
    while let Some(error) = cause {
        text = format!("{text}: {error}");
        cause = error.source();
    }
    text.chars().take(ANSWER_BYTES).collect()
}

async fn answer(response: reqwest::Response) -> Answer {
    let status = response.status();
    if status.is_success() {
        return Answer::Taken;
    }
    let after = response.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok());
    let after = after.and_then(|text| text.parse().ok()).map(Duration::from_secs);
    let said = match response.text().await {
        Ok(text) => text.chars().filter(|c| !c.is_control()).take(ANSWER_BYTES).collect(),
        Err(_) => String::new(),
    };
    let said = format!("{status}: {said}");
    match status {
        StatusCode::BAD_REQUEST | StatusCode::UNPROCESSABLE_ENTITY | StatusCode::PAYLOAD_TOO_LARGE => {
            Answer::Refused(said)
        }
        StatusCode::TOO_MANY_REQUESTS | StatusCode::REQUEST_TIMEOUT => Answer::Later(said, after),
        _ if status.is_server_error() => Answer::Later(said, after),
        // Redirects too: the address in the configuration is not that of a server of this kind.
        _ => Answer::SetUpWrong(said),
    }
}
