//! Submission of a message to a mail server: RFC 6409 over TLS (RFC 8314), either from the first
//! byte or after STARTTLS. There is no plain-text way: a server that stops offering STARTTLS is a
//! failure, not a reason to go on without.
//!
//! Every step has its own time limit, because a server that accepts a connection and then says
//! nothing would otherwise hold the route for ever. The limit after the final dot is the ten
//! minutes of RFC 5321, section 4.5.3.2.6: cutting it short makes duplicates.

mod compose;
mod reply;

use super::{Body, Sent};
use crate::clock::Now;
use crate::config::checked;
use lettre::Address;
use lettre::message::Mailbox;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, CertificateStore, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::ClientId;
use lettre::transport::smtp::response::Response;
use reply::Step;
use std::path::PathBuf;
use std::time::Duration;

/// Limits of the steps of a dialogue.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Connection, TLS and greeting.
    pub connect: Duration,
    /// Each command.
    pub command: Duration,
    /// From the final dot to the answer.
    pub dot: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connect: Duration::from_secs(80),
            command: Duration::from_secs(60),
            dot: Duration::from_secs(600),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Security {
    ImplicitTls,
    StartTls,
    /// No TLS and no sign-in, for tests against a stub on the same machine.
    NoneForLoopback,
}

/// A way to one submission server. Holds no connection: alarms are rare and idle ones go stale.
#[derive(Clone, Debug)]
pub struct EmailRoute {
    server: String,
    port: u16,
    security: Security,
    sign_in: Option<(String, PathBuf)>,
    from: Mailbox,
    authority_file: Option<PathBuf>,
    limits: Limits,
}

/// A mail route that cannot be set up.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotARoute {
    /// The sender is not an address.
    #[error("sender \"{from}\" is not an e-mail address: {reason}")]
    Sender {
        /// As configured.
        from: String,
        /// What is wrong with it.
        reason: String,
    },
    /// A plain connection to another machine.
    #[error("a mail route without TLS is for tests on this machine only, not for {0}")]
    NotLoopback(std::net::SocketAddr),
}

impl EmailRoute {
    /// From the configuration.
    ///
    /// # Errors
    /// When the sender is not an e-mail address.
    pub fn new(email: &checked::Email) -> Result<Self, NotARoute> {
        let security = if email.implicit_tls { Security::ImplicitTls } else { Security::StartTls };
        Ok(Self {
            server: email.server.clone(),
            port: email.port,
            security,
            sign_in: email.sign_in.clone(),
            from: sender(&email.from)?,
            authority_file: email.authority_file.clone(),
            limits: Limits::default(),
        })
    }

    /// To a stub on this machine, without TLS and without sign-in. For tests.
    ///
    /// # Errors
    /// When the address is not a loopback address or the sender is not an e-mail address.
    pub fn for_stub(stub: std::net::SocketAddr, from: &str, limits: Limits) -> Result<Self, NotARoute> {
        if !stub.ip().is_loopback() {
            return Err(NotARoute::NotLoopback(stub));
        }
        Ok(Self {
            server: stub.ip().to_string(),
            port: stub.port(),
            security: Security::NoneForLoopback,
            sign_in: None,
            from: sender(from)?,
            authority_file: None,
            limits,
        })
    }

    /// With other limits.
    #[must_use]
    pub fn with_limits(mut self, limits: Limits) -> Self {
        self.limits = limits;
        self
    }

    /// Sends one message to one person. `key` is the text of the outbox key.
    pub async fn send(&self, key: &str, body: &Body, priority_high: bool, now: Now) -> Sent {
        let to: Address = match body.to.parse() {
            Ok(to) => to,
            Err(error) => return Sent::AddressDead(format!("\"{}\": {error}", body.to)),
        };
        let mail = match compose::compose(&self.from, &to, key, body, priority_high, now) {
            Ok(mail) => mail,
            Err(error) => return Sent::MessageRefused(format!("cannot be written as e-mail: {error}")),
        };
        match self.dialogue(&to, &mail).await {
            Ok(response) => {
                let said: String = response.first_line().unwrap_or_default().chars().take(120).collect();
                Sent::Accepted(Some(said).filter(|said| !said.is_empty()))
            }
            Err(sent) => sent,
        }
    }

    /// Goes as far as the sign-in and takes leave: what an alarm would fail by at night shows by day.
    pub async fn greet(&self) -> Sent {
        match self.sign_in().await {
            Ok(mut line) => {
                let _ended = tokio::time::timeout(Duration::from_secs(5), line.quit()).await;
                Sent::Accepted(None)
            }
            Err(sent) => sent,
        }
    }

    async fn sign_in(&self) -> Result<AsyncSmtpConnection, Sent> {
        let mut line = self.connect().await?;
        if let Some((name, file)) = self.sign_in.as_ref() {
            if !line.is_encrypted() {
                return Err(Sent::ChannelRefused("the connection is not encrypted; not signing in".into()));
            }
            let password = password(file).await?;
            let credentials = Credentials::new(name.clone(), password);
            let ways = [Mechanism::Plain, Mechanism::Login];
            within(self.limits.command, Step::SignIn, line.auth(&ways, &credentials)).await?;
        }
        Ok(line)
    }

    async fn dialogue(&self, to: &Address, mail: &[u8]) -> Result<Response, Sent> {
        let mut line = self.sign_in().await?;
        let limit = self.limits.command;
        let from = Some(self.from.email.clone());
        within(limit, Step::Sender, line.command(Mail::new(from, Vec::new()))).await?;
        within(limit, Step::Recipient, line.command(Rcpt::new(to.clone(), Vec::new()))).await?;
        within(limit, Step::Data, line.command(Data)).await?;
        let response = within(self.limits.dot, Step::Content, line.message(mail)).await?;
        // The message is the server's now; how the connection ends does not matter.
        let _ended = tokio::time::timeout(Duration::from_secs(5), line.quit()).await;
        Ok(response)
    }

    async fn connect(&self) -> Result<AsyncSmtpConnection, Sent> {
        let hello = ClientId::Domain(self.from.email.domain().to_owned());
        let address = (self.server.as_str(), self.port);
        let limit = self.limits.connect;
        let open = |tls| AsyncSmtpConnection::connect_tokio1(address, Some(limit), &hello, tls, None);
        match self.security {
            Security::NoneForLoopback => within(limit, Step::Connect, open(None)).await,
            Security::ImplicitTls => {
                let tls = self.tls().await?;
                within(limit, Step::Connect, open(Some(tls))).await
            }
            Security::StartTls => {
                let tls = self.tls().await?;
                let mut line = within(limit, Step::Connect, open(None)).await?;
                if !line.can_starttls() {
                    return Err(Sent::Retry(format!(
                        "{} does not offer STARTTLS; not going on without",
                        self.server
                    )));
                }
                within(limit, Step::Connect, line.starttls(tls, &hello)).await?;
                Ok(line)
            }
        }
    }

    async fn tls(&self) -> Result<TlsParameters, Sent> {
        let refused = |what: &str| Sent::ChannelRefused(what.to_owned());
        let mut tls = TlsParameters::builder(self.server.clone());
        if let Some(file) = self.authority_file.as_ref() {
            let pem = tokio::fs::read(file)
                .await
                .map_err(|e| refused(&format!("cannot read authority file {}: {e}", file.display())))?;
            let certificates = Certificate::from_pem(&pem)
                .map_err(|e| refused(&format!("authority file {}: {e}", file.display())))?;
            // An own authority replaces the public ones: nobody else can vouch for the server.
            tls = tls.certificate_store(CertificateStore::None).add_root_certificate(certificates);
        }
        tls.build_rustls().map_err(|e| refused(&format!("TLS cannot be set up: {e}")))
    }
}

fn sender(from: &str) -> Result<Mailbox, NotARoute> {
    from.parse().map_err(|e: lettre::address::AddressError| NotARoute::Sender {
        from: from.to_owned(),
        reason: e.to_string(),
    })
}

async fn password(file: &std::path::Path) -> Result<String, Sent> {
    match tokio::fs::read_to_string(file).await {
        Ok(text) => Ok(text.trim_end_matches(['\r', '\n']).to_owned()),
        Err(error) => {
            Err(Sent::ChannelRefused(format!("cannot read password file {}: {error}", file.display())))
        }
    }
}

async fn within<T>(
    limit: Duration,
    step: Step,
    work: impl Future<Output = Result<T, lettre::transport::smtp::Error>>,
) -> Result<T, Sent> {
    match tokio::time::timeout(limit, work).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) => Err(reply::classify(step, &error)),
        Err(_) => Err(Sent::Retry(format!("no answer within {} s {step}", limit.as_secs()))),
    }
}
