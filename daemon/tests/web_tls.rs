//! The page over TLS: the station's own authority, files of the owner, and those who will not do.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::type_complexity,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod web_stand;

use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar::web::server::{Limits, serve_encrypted};
use nightjar::web::tls;
use nightjar_calc::time::Timestamp;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::timeout;
use tokio_rustls::{TlsAcceptor, TlsConnector};
use tokio_util::sync::CancellationToken;

/// Longest wait for anything in these tests.
const LONG: Duration = Duration::from_secs(10);

fn names() -> Vec<String> {
    ["localhost", "127.0.0.1", "shed.local"].map(str::to_owned).into()
}

fn folder(name: &str) -> PathBuf {
    let path = std::env::temp_dir().join(format!("nightjar-tls-{name}-{}", std::process::id()));
    let _not_there_yet = std::fs::remove_dir_all(&path);
    path
}

fn now() -> Timestamp {
    SystemClock::new(Box::new(NotBeforeBuild)).now().utc
}

async fn run(acceptor: TlsAcceptor, head: Duration) -> (SocketAddr, CancellationToken) {
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let stand = web_stand::stand(clock, false);
    let stop = stand.backend.stop.clone();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let app = nightjar::web::router(stand.backend);
    let limits = Limits { head, ..Limits::default() };
    tokio::spawn(serve_encrypted(listener, app, Some(acceptor), limits, stop.clone()));
    (address, stop)
}

/// A browser that trusts one authority.
fn trusting(authority: &Path) -> TlsConnector {
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_file(authority).unwrap()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    TlsConnector::from(Arc::new(config))
}

async fn ask(connector: &TlsConnector, address: SocketAddr, name: &str) -> std::io::Result<String> {
    let stream = TcpStream::connect(address).await?;
    let name = ServerName::try_from(name.to_owned()).unwrap();
    let mut stream = timeout(LONG, connector.connect(name, stream)).await.unwrap()?;
    stream.write_all(b"GET /health HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n").await?;
    let mut bytes = Vec::new();
    timeout(LONG, stream.read_to_end(&mut bytes)).await.unwrap()?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

#[tokio::test]
async fn who_trusts_the_stations_authority_gets_the_page_and_nobody_else() {
    let (own, other) = (folder("own"), folder("other"));
    let acceptor = tls::local(&own, &names(), now()).unwrap();
    let (address, stop) = run(acceptor, Duration::from_secs(5)).await;
    let browser = trusting(&own.join(tls::AUTHORITY));
    for name in ["localhost", "127.0.0.1", "shed.local"] {
        let answer = ask(&browser, address, name).await.unwrap();
        assert!(answer.starts_with("HTTP/1.1 200"), "{name}: {answer}");
    }
    assert!(ask(&browser, address, "elsewhere.local").await.is_err(), "a name it was not made for");
    drop(tls::local(&other, &names(), now()).unwrap());
    let stranger = trusting(&other.join(tls::AUTHORITY));
    assert!(ask(&stranger, address, "localhost").await.is_err(), "another authority");
    stop.cancel();
    for path in [own, other] {
        std::fs::remove_dir_all(path).unwrap();
    }
}

#[tokio::test]
async fn a_restart_keeps_the_authority_and_its_key_is_secret() {
    use std::os::unix::fs::PermissionsExt as _;
    let own = folder("again");
    drop(tls::local(&own, &names(), now()).unwrap());
    let before = std::fs::read(own.join(tls::AUTHORITY)).unwrap();
    let acceptor = tls::local(&own, &names(), now()).unwrap();
    assert_eq!(std::fs::read(own.join(tls::AUTHORITY)).unwrap(), before);
    let mode = std::fs::metadata(own.join("authority-key.pem")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    let (address, stop) = run(acceptor, Duration::from_secs(5)).await;
    let answer = ask(&trusting(&own.join(tls::AUTHORITY)), address, "localhost").await.unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    stop.cancel();
    std::fs::remove_dir_all(own).unwrap();
}

#[tokio::test]
async fn plain_text_and_silence_get_no_answer_on_an_encrypted_port() {
    let own = folder("plain");
    let acceptor = tls::local(&own, &names(), now()).unwrap();
    let (address, stop) = run(acceptor, Duration::from_millis(300)).await;
    for words in [&b"GET / HTTP/1.1\r\nhost: localhost\r\n\r\n"[..], b""] {
        let mut stream = TcpStream::connect(address).await.unwrap();
        stream.write_all(words).await.unwrap();
        let mut bytes = Vec::new();
        let _reset_counts_as_closed =
            timeout(LONG, stream.read_to_end(&mut bytes)).await.expect("closed in time");
        assert!(!String::from_utf8_lossy(&bytes).contains("HTTP/"), "{bytes:?}");
    }
    stop.cancel();
    std::fs::remove_dir_all(own).unwrap();
}

#[test]
fn files_that_will_not_do_are_named() {
    let own = folder("bad");
    std::fs::create_dir_all(&own).unwrap();
    let empty = own.join("empty.pem");
    std::fs::write(&empty, "nothing").unwrap();
    let missing = tls::from_files(&own.join("missing.pem"), &empty).err().unwrap().to_string();
    assert!(missing.contains("missing.pem"), "{missing}");
    let nothing = tls::from_files(&empty, &empty).err().unwrap().to_string();
    assert!(nothing.contains("empty.pem") && nothing.contains("certificate"), "{nothing}");
    std::fs::remove_dir_all(own).unwrap();
}
