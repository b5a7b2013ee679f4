//! Encryption of the page: with a certificate the owner brings, or with one that a small authority
//! on this machine makes.
//!
//! The authority is made once, at the first run that asks for it, and lies in the data folder;
//! people install its certificate on their phones once. It can vouch only for names and addresses
//! of a local network and for the name the configuration gives. The certificate of the page itself
//! is made anew at each start and its key is never written down.

use nightjar_calc::time::{Span, Timestamp};
use rcgen::{
    BasicConstraints, CertificateParams, CidrSubnet, DnType, ExtendedKeyUsagePurpose, GeneralSubtree, IsCa,
    Issuer, KeyPair, KeyUsagePurpose, NameConstraints, date_time_ymd,
};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::fs;
use std::io::Write as _;
use std::net::IpAddr;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;

/// The authority's certificate, for phones.
pub const AUTHORITY: &str = "authority.pem";
/// The authority's key; readable by the owner of the data folder only.
const AUTHORITY_KEY: &str = "authority-key.pem";
/// Life of the page's own certificate. Phones refuse more than 825 days.
const LIFE: Span = Span::from_hours(24 * 800);

/// Why the page cannot be encrypted.
#[derive(Debug, thiserror::Error)]
pub enum TlsFault {
    /// A file cannot be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file holds no certificate or key.
    #[error("{}: no usable {what} in PEM form", path.display())]
    Pem {
        /// Which.
        path: PathBuf,
        /// What was looked for.
        what: &'static str,
    },
    /// A certificate cannot be made.
    #[error("a certificate cannot be made: {0}")]
    Make(#[from] rcgen::Error),
    /// Certificate and key do not serve.
    #[error("certificate and key do not serve: {0}")]
    Serve(#[from] rustls::Error),
}

fn file(path: &Path) -> impl FnOnce(std::io::Error) -> TlsFault + '_ {
    |source| TlsFault::File { path: path.to_owned(), source }
}

/// From files of the owner.
///
/// # Errors
/// When the files cannot be read, hold nothing usable, or do not belong together.
pub fn from_files(certificate: &Path, key: &Path) -> Result<TlsAcceptor, TlsFault> {
    let text = fs::read(certificate).map_err(file(certificate))?;
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_slice_iter(&text)
        .collect::<Result<_, _>>()
        .ok()
        .filter(|chain: &Vec<_>| !chain.is_empty())
        .ok_or_else(|| TlsFault::Pem { path: certificate.to_owned(), what: "certificate" })?;
    let text = fs::read(key).map_err(file(key))?;
    let key = PrivateKeyDer::from_pem_slice(&text)
        .map_err(|_| TlsFault::Pem { path: key.to_owned(), what: "key" })?;
    acceptor(chain, key)
}

/// From the authority in a folder, which is made when it is not there yet, for these names and
/// addresses.
///
/// # Errors
/// When the folder cannot be read or written, or holds an authority that cannot be used.
pub fn local(folder: &Path, names: &[String], now: Timestamp) -> Result<TlsAcceptor, TlsFault> {
    let (certificate, key) = authority(folder, names, now)?;
    let mut page = CertificateParams::new(names.to_vec())?;
    page.distinguished_name.push(DnType::CommonName, "Nightjar page");
    page.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    page.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    page.use_authority_key_identifier_extension = true;
    let ((y, m, d), (to_y, to_m, to_d)) = (ymd(now - Span::from_hours(48)), ymd(now + LIFE));
    page.not_before = date_time_ymd(y, m, d);
    page.not_after = date_time_ymd(to_y, to_m, to_d);
    let own = KeyPair::generate()?;
    let signed = page.signed_by(&own, &Issuer::new(authority_params(names, now), key))?;
    let own = PrivateKeyDer::try_from(own.serialize_der())
        .map_err(|_| TlsFault::Make(rcgen::Error::CouldNotParseKeyPair))?;
    acceptor(vec![signed.der().clone(), certificate], own)
}

fn acceptor(
    chain: Vec<CertificateDer<'static>>,
    key: PrivateKeyDer<'static>,
) -> Result<TlsAcceptor, TlsFault> {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&rustls::version::TLS13, &rustls::version::TLS12])?
        .with_no_client_auth()
        .with_single_cert(chain, key)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(TlsAcceptor::from(Arc::new(config)))
}

/// The authority in the folder: its certificate and key.
fn authority(
    folder: &Path,
    names: &[String],
    now: Timestamp,
) -> Result<(CertificateDer<'static>, KeyPair), TlsFault> {
    let (certificate_path, key_path) = (folder.join(AUTHORITY), folder.join(AUTHORITY_KEY));
    if !key_path.exists() {
        fs::create_dir_all(folder).map_err(file(folder))?;
        let key = KeyPair::generate()?;
        let certificate = authority_params(names, now).self_signed(&key)?;
        fs::write(&certificate_path, certificate.pem()).map_err(file(&certificate_path))?;
        let mut secret = fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&key_path)
            .map_err(file(&key_path))?;
        secret.write_all(key.serialize_pem().as_bytes()).map_err(file(&key_path))?;
        secret.sync_all().map_err(file(&key_path))?;
    }
    let text = fs::read_to_string(&key_path).map_err(file(&key_path))?;
    let key = KeyPair::from_pem(&text).map_err(|_| TlsFault::Pem { path: key_path, what: "key" })?;
    let text = fs::read(&certificate_path).map_err(file(&certificate_path))?;
    let certificate = CertificateDer::from_pem_slice(&text)
        .map_err(|_| TlsFault::Pem { path: certificate_path, what: "certificate" })?;
    Ok((certificate, key))
}

fn authority_params(names: &[String], now: Timestamp) -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name = rcgen::DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, "Nightjar authority of this station");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    let ((y, m, d), (to_y, to_m, to_d)) =
        (ymd(now - Span::from_hours(48)), ymd(now + Span::from_hours(24 * 365 * 20)));
    params.not_before = date_time_ymd(y, m, d);
    params.not_after = date_time_ymd(to_y, to_m, to_d);
    let mut permitted: Vec<GeneralSubtree> =
        ["local", "localhost"].map(|name| GeneralSubtree::DnsName(name.into())).into();
    permitted.extend(
        names
            .iter()
            .filter(|name| name.parse::<IpAddr>().is_err())
            .map(|name| GeneralSubtree::DnsName(name.clone())),
    );
    for (address, prefix) in [
        ("10.0.0.0", 8),
        ("127.0.0.0", 8),
        ("172.16.0.0", 12),
        ("192.168.0.0", 16),
        ("fc00::", 7),
        ("::1", 128),
    ] {
        if let Ok(address) = address.parse() {
            permitted.push(GeneralSubtree::IpAddress(CidrSubnet::from_addr_prefix(address, prefix)));
        }
    }
    params.name_constraints =
        Some(NameConstraints { permitted_subtrees: permitted, excluded_subtrees: Vec::new() });
    params
}

/// Year, month and day in UTC, as certificates count.
fn ymd(at: Timestamp) -> (i32, u8, u8) {
    use chrono::Datelike as _;
    let date = chrono::DateTime::from_timestamp_millis(at.ms()).unwrap_or_default().date_naive();
    let part = |n: u32| u8::try_from(n).unwrap_or(1);
    (date.year(), part(date.month()), part(date.day()))
}

/// Names and addresses under which a page is reached: those of this machine, the address it listens
/// on, and the one the configuration gives to people.
pub fn names(listen: IpAddr, public: Option<&str>) -> Vec<String> {
    let mut names = vec!["localhost".to_owned(), "127.0.0.1".to_owned(), "nightjar.local".to_owned()];
    let host = fs::read_to_string("/etc/hostname").unwrap_or_default().trim().to_ascii_lowercase();
    if !host.is_empty() && host.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.')) {
        if !host.contains('.') {
            names.push(format!("{host}.local"));
        }
        names.push(host);
    }
    if !listen.is_unspecified() {
        names.push(listen.to_string());
    }
    names.extend(public.and_then(host_of));
    names.sort_unstable();
    names.dedup();
    names
}

/// The host in an address people use: `https://shed.example:8443/` is `shed.example`.
pub fn host_of(url: &str) -> Option<String> {
    let rest = url.split_once("://").map_or(url, |(_, rest)| rest);
    let host = rest.split(['/', '?', '#']).next()?;
    let host = match host.strip_prefix('[') {
        Some(six) => six.split(']').next()?,
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    (!host.is_empty()).then(|| host.to_ascii_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_host_of_an_address_is_found() {
        for (url, host) in [
            ("https://shed.example:8443/rack", Some("shed.example")),
            ("http://[fd00::7]:80/", Some("fd00::7")),
            ("Shed.Local", Some("shed.local")),
            ("https://", None),
        ] {
            assert_eq!(host_of(url).as_deref(), host, "{url}");
        }
    }
}
