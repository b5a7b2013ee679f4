//! Copies of what the station knows for other systems: rows for an InfluxDB 2 server, and the
//! present state on a broker.
//!
//! Nothing here is needed for watching: a far end that is gone for days costs nothing but the time
//! to catch up. [`line`] and [`state`] are pure; [`influx`] and [`mqtt`] carry.

pub mod influx;
pub mod line;
pub mod mqtt;
pub mod sender;
pub mod state;

/// Turns a name for people into one for topics and tags: small letters, digits and `-`.
#[must_use]
pub fn slug(name: &str) -> String {
    let mut slug = String::new();
    for c in name.chars() {
        if c.is_ascii_alphanumeric() {
            slug.push(c.to_ascii_lowercase());
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "station".to_owned() } else { slug.chars().take(32).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_for_people_becomes_one_for_topics() {
        assert_eq!(slug("Alder Creek field station"), "alder-creek-field-station");
        assert_eq!(slug("  Ålder/Creek #2 "), "lder-creek-2");
        assert_eq!(slug("+"), "station");
    }
}
