//! Proves that a sign of life comes from its station and is not an old one sent again: an HMAC with
//! SHA-256 over identifier, moment and body, laid out as the Standard Webhooks specification has it
//! (`webhook-id`, `webhook-timestamp`, `webhook-signature: v1,<base64>`).

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

/// Name of the header with the identifier of the message.
pub const ID: &str = "webhook-id";
/// Name of the header with the moment, in seconds since 1970.
pub const MOMENT: &str = "webhook-timestamp";
/// Name of the header with the signatures.
pub const SIGNATURE: &str = "webhook-signature";

/// Shortest key accepted, in bytes.
pub const SHORTEST_KEY: usize = 24;

/// A shared key.
#[derive(Clone)]
pub struct Key(Vec<u8>);

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("[hidden]")
    }
}

/// Text that is no key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotAKey {
    /// Not base64 behind the prefix.
    #[error("what follows whsec_ is not base64")]
    Coding,
    /// Too short to protect anything.
    #[error("the secret has under {SHORTEST_KEY} bytes")]
    Short,
}

impl Key {
    /// Reads a key: `whsec_` and base64, or plain text of at least 24 characters.
    ///
    /// # Errors
    /// When it is too short or badly coded.
    pub fn parse(text: &str) -> Result<Self, NotAKey> {
        let text = text.trim();
        let bytes = match text.strip_prefix("whsec_") {
            Some(coded) => STANDARD.decode(coded).map_err(|_| NotAKey::Coding)?,
            None => text.as_bytes().to_vec(),
        };
        if bytes.len() < SHORTEST_KEY { Err(NotAKey::Short) } else { Ok(Self(bytes)) }
    }

    fn mac(&self, id: &str, moment: &str, body: &[u8]) -> Option<Hmac<Sha256>> {
        let mut mac = Hmac::<Sha256>::new_from_slice(&self.0).ok()?;
        for part in [id.as_bytes(), b".", moment.as_bytes(), b".", body] {
            mac.update(part);
        }
        Some(mac)
    }

    /// The signature of a message.
    #[must_use]
    pub fn sign(&self, id: &str, moment: &str, body: &[u8]) -> String {
        let mac = self.mac(id, moment, body).map(|mac| mac.finalize().into_bytes());
        format!("v1,{}", STANDARD.encode(mac.unwrap_or_default()))
    }

    /// Whether one of the signatures, separated by spaces, is that of this message. Takes the same
    /// time for every wrong one.
    #[must_use]
    pub fn verifies(&self, id: &str, moment: &str, body: &[u8], signatures: &str) -> bool {
        signatures.split(' ').filter_map(|one| one.strip_prefix("v1,")).any(|coded| {
            let (Ok(given), Some(mac)) = (STANDARD.decode(coded), self.mac(id, moment, body)) else {
                return false;
            };
            mac.verify_slice(&given).is_ok()
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the Standard Webhooks specification (secret, message and signature as
    /// printed there), from memory.
    #[test]
    fn the_published_example_has_its_published_signature() {
        let key = Key::parse("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw").unwrap();
        let (id, moment, body) = ("msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", br#"{"test": 2432232314}"#);
        let signature = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=";
        assert_eq!(key.sign(id, moment, body), signature);
        assert!(key.verifies(id, moment, body, &format!("v1,bm9uZQ== {signature}")));
        assert!(!key.verifies(id, "1614265331", body, signature));
        assert!(!key.verifies(id, moment, b"{}", signature));
        assert!(!key.verifies(id, moment, body, "v2,g0hM9SsE"));
    }

    #[test]
    fn short_and_broken_keys_are_refused() {
        assert_eq!(Key::parse("short").unwrap_err(), NotAKey::Short);
        assert_eq!(Key::parse("whsec_???").unwrap_err(), NotAKey::Coding);
        assert_eq!(format!("{:?}", Key::parse(&"k".repeat(24)).unwrap()), "[hidden]");
    }
}
