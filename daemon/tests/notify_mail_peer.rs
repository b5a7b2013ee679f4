//! Mail to a real server (aiosmtpd) with TLS and sign-in, through a wire that is listened to. Needs
//! `openssl` and a Python with aiosmtpd: `python3`, or the one that `NIGHTJAR_PYTHON` names. Without
//! them these tests say so and pass over.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

use nightjar::clock::{Clock, ManualClock};
use nightjar::config::checked::Email;
use nightjar::notify::email::EmailRoute;
use nightjar::notify::{Body, Sent};
use nightjar_calc::time::Timestamp;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::{Arc, Mutex};
use tempfile::TempDir;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

fn python() -> Option<String> {
    let python = std::env::var("NIGHTJAR_PYTHON").unwrap_or_else(|_| "python3".into());
    let found = |command: &mut Command| command.output().is_ok_and(|output| output.status.success());
    let there = found(Command::new(&python).args(["-c", "import aiosmtpd"]))
        && found(Command::new("openssl").arg("version"));
    if !there {
        println!("passed over: needs openssl and a Python with aiosmtpd (NIGHTJAR_PYTHON)");
    }
    there.then_some(python)
}

fn openssl(folder: &Path, arguments: &str) {
    let done = Command::new("openssl").args(arguments.split(' ')).current_dir(folder).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

/// An authority of our own, a certificate for `localhost` by it, and another authority.
fn certificates() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for name in ["authority", "other"] {
        openssl(
            folder.path(),
            &format!(
                "req -x509 -newkey rsa:2048 -nodes -keyout {name}.key -out {name}.pem -days 2 -subj /CN={name}"
            ),
        );
    }
    std::fs::write(folder.path().join("names"), "subjectAltName=DNS:localhost").unwrap();
    openssl(
        folder.path(),
        "req -newkey rsa:2048 -nodes -keyout server.key -out server.csr -subj /CN=localhost",
    );
    openssl(
        folder.path(),
        "x509 -req -in server.csr -CA authority.pem -CAkey authority.key -CAcreateserial -days 2 -extfile names -out server.pem",
    );
    folder
}

struct Server {
    child: Child,
    said: BufReader<ChildStdout>,
    port: u16,
}

impl Server {
    fn start(python: &str, way: &str, folder: &Path) -> Self {
        let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/notify_mail/server.py");
        let mut child = Command::new(python)
            .arg(script)
            .arg(way)
            .args([folder.join("server.pem"), folder.join("server.key")])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap());
        let mut line = String::new();
        said.read_line(&mut line).unwrap();
        Self { port: line.trim().parse().unwrap(), child, said }
    }

    fn message(&mut self) -> serde_json::Value {
        let mut line = String::new();
        self.said.read_line(&mut line).unwrap();
        serde_json::from_str(&line).unwrap()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        let _ended = self.child.wait();
    }
}

/// A wire to the server that keeps what the client says on it.
async fn wire(to: u16) -> (u16, Arc<Mutex<Vec<u8>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let heard = Arc::new(Mutex::new(Vec::new()));
    let ears = Arc::clone(&heard);
    tokio::spawn(async move {
        loop {
            let (client, _) = listener.accept().await.unwrap();
            let server = TcpStream::connect(("127.0.0.1", to)).await.unwrap();
            let ears = Arc::clone(&ears);
            tokio::spawn(async move {
                let ((mut from_client, mut to_client), (mut from_server, mut to_server)) =
                    (client.into_split(), server.into_split());
                tokio::spawn(async move { tokio::io::copy(&mut from_server, &mut to_client).await });
                let mut bytes = [0; 4096];
                while let Ok(count) = from_client.read(&mut bytes).await {
                    ears.lock().unwrap().extend(&bytes[..count]);
                    if count == 0 || to_server.write_all(&bytes[..count]).await.is_err() {
                        break;
                    }
                }
            });
        }
    });
    (port, heard)
}

async fn send(port: u16, implicit: bool, folder: &Path, authority: &str, password: &str) -> Sent {
    std::fs::write(folder.join("password"), format!("{password}\n")).unwrap();
    let email = Email {
        server: "localhost".into(),
        port,
        implicit_tls: implicit,
        sign_in: Some(("alarms".into(), folder.join("password"))),
        from: "North site <alarms@site.example>".into(),
        authority_file: Some(folder.join(authority)),
    };
    let body = Body {
        subject: "[P1] No flow header A (24/24 jars) since 02:14 - North".into(),
        text: "P1 NO FLOW header A: 24 of 24 jars since 02:14. Reply ACK M4T\n.\nEau 3 °C".into(),
        to: "kim@example.org".into(),
        about: "event-1".into(),
        ..Body::default()
    };
    let clock = ManualClock::new(Timestamp::parse("2026-04-12T09:14:21Z").unwrap());
    EmailRoute::new(&email).unwrap().send("event-1/1/kim/mail/1", &body, true, clock.now()).await
}

/// Neither the password nor any sign-in may be on the wire in clear.
fn nothing_in_clear(heard: &Arc<Mutex<Vec<u8>>>) {
    let heard = String::from_utf8_lossy(&heard.lock().unwrap()).to_uppercase();
    // Base64 of NUL alarms NUL s3cret, of alarms, and of s3cret.
    for secret in ["S3CRET", "AGFSYXJTCWBZM2NYZXQ=", "YWXHCM1Z", "CZNJCMV0", "AUTH "] {
        assert!(!heard.contains(secret), "{secret}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_reaches_a_real_server_and_no_secret_is_ever_in_clear() {
    let Some(python) = python() else { return };
    let folder = certificates();
    let path = folder.path();
    for (way, implicit) in [("implicit", true), ("starttls", false)] {
        let mut server = Server::start(&python, way, path);
        let (port, heard) = wire(server.port).await;
        let sent = send(port, implicit, path, "authority.pem", "s3cret").await;
        assert!(matches!(sent, Sent::Accepted(_)), "{way}: {sent:?}");
        let message = server.message();
        let text = message["text"].as_str().unwrap();
        assert_eq!(message["to"][0], "kim@example.org");
        for part in [
            "Subject: [P1] No flow header A (24/24 jars) since 02:14 - North",
            "Message-ID: <event-1.1.kim.mail.1@site.example>",
            "Auto-Submitted: auto-generated",
            "P1 NO FLOW header A: 24 of 24 jars since 02:14. Reply ACK M4T",
        ] {
            assert!(text.contains(part), "{part} in {text}");
        }
        let refused = send(port, implicit, path, "authority.pem", "wrong").await;
        assert!(matches!(refused, Sent::ChannelRefused(_)), "{way}: {refused:?}");
        let stranger = send(port, implicit, path, "other.pem", "s3cret").await;
        assert!(matches!(stranger, Sent::Retry(_)), "{way}: {stranger:?}");
        nothing_in_clear(&heard);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_stops_offering_tls_gets_nothing() {
    let Some(python) = python() else { return };
    let folder = certificates();
    let server = Server::start(&python, "plain", folder.path());
    let (port, heard) = wire(server.port).await;
    for implicit in [false, true] {
        let sent = send(port, implicit, folder.path(), "authority.pem", "s3cret").await;
        assert!(matches!(sent, Sent::Retry(_)), "{sent:?}");
    }
    nothing_in_clear(&heard);
    assert!(!String::from_utf8_lossy(&heard.lock().unwrap()).contains("MAIL FROM"));
}
