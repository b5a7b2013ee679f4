//! `nightjar hash-secret`: the hash of a password or PIN, for the configuration.
//!
//! The secret is read from standard input, so that it is in no history of commands and no list of processes.

use super::failure::{Failure, OrFail};
use super::output::{Format, Output};
use argon2::Argon2;
use argon2::password_hash::PasswordHasher;
use clap::Args;
use std::io::Read;

/// Fewest characters of a password.
const SHORTEST: usize = 12;
/// Most bytes of a password; more would be a file given by mistake.
const LONGEST: u64 = 1024;
/// Digits of a PIN.
const PIN_DIGITS: usize = 6;

/// What to hash.
#[derive(Debug, Args)]
pub struct Arguments {
    /// A PIN of 6 digits instead of a password of at least 12 characters
    #[arg(long)]
    pin: bool,
    /// Form of the result
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Reads a line from standard input and writes its hash.
///
/// # Errors
/// Exit 65 when the secret is too weak, 74 when it cannot be read.
pub fn run(arguments: &Arguments, output: &mut Output) -> Result<(), Failure> {
    let mut secret = String::new();
    std::io::stdin()
        .lock()
        .take(LONGEST + 1)
        .read_to_string(&mut secret)
        .or_fail("read the secret from standard input")?;
    let hash = hash(&secret, arguments.pin)?;
    match arguments.format {
        Format::Text => output.line(hash),
        Format::Json => output.json(&serde_json::json!({ "hash": hash })),
    }
}

/// Argon2id hash (RFC 9106) of the first line, in the PHC string format.
///
/// # Errors
/// When the secret is too weak, or more than one line.
pub fn hash(text: &str, pin: bool) -> Result<String, Failure> {
    let secret = text.trim_end_matches(['\r', '\n']);
    if secret.contains(['\r', '\n']) || text.len() as u64 > LONGEST {
        return Err(Failure::data(format!("the secret must be one line of at most {LONGEST} bytes")));
    }
    if pin {
        if secret.len() != PIN_DIGITS || !secret.bytes().all(|b| b.is_ascii_digit()) {
            return Err(Failure::data(format!(
                "a PIN has exactly {PIN_DIGITS} digits; give it on standard input"
            )));
        }
    } else if secret.chars().count() < SHORTEST {
        return Err(Failure::data(format!(
            "a password needs at least {SHORTEST} characters; give it on standard input, several words are fine"
        )));
    }
    Argon2::default()
        .hash_password(secret.as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|error| Failure::internal(format!("cannot hash the secret: {error}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use argon2::password_hash::PasswordVerifier;
    use argon2::password_hash::phc::PasswordHash;

    #[test]
    fn the_hash_knows_its_secret_and_no_other() {
        let made = hash("seven grey herons\n", false).unwrap();
        assert!(made.starts_with("$argon2id$v=19$"), "{made}");
        let parsed = PasswordHash::new(&made).unwrap();
        assert!(Argon2::default().verify_password(b"seven grey herons", &parsed).is_ok());
        assert!(Argon2::default().verify_password(b"seven grey heron", &parsed).is_err());
        assert_ne!(made, hash("seven grey herons", false).unwrap(), "salted");
    }

    #[test]
    fn weak_secrets_are_refused() {
        for (secret, pin) in [
            ("", false),
            ("short", false),
            ("12345", true),
            ("12345a", true),
            ("1234567", true),
            ("first line\nsecond line", false),
        ] {
            assert_eq!(hash(secret, pin).unwrap_err().code, super::super::failure::DATA, "{secret}");
        }
        assert!(hash("204061\r\n", true).is_ok());
        assert!(hash(&"x".repeat(2000), false).is_err());
    }
}
