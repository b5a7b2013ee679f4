//! One request seen as a person looking at a moment: the snapshot, the time, the units, and who
//! is asking. Everything a page needs to write itself.

use super::Site;
use super::backend::{PeerAddress, Role};
use super::components::say;
use super::session::{self, Session};
use super::units::{Quantity, Units};
use super::words::{self, values};
use crate::clock::Now;
use crate::ids::PersonId;
use crate::rack::{JarIx, Rack};
use crate::reading::{Quality, Reason};
use crate::snapshot::{JarView, Latest, Snapshot};
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::response::{IntoResponse, Redirect, Response};
use axum_extra::extract::CookieJar;
use maud::{Markup, html};
use nightjar_calc::time::{Timestamp, Zone};
use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;

/// Name of the session cookie; browsers refuse it without encryption when it begins with `__Host-`.
pub const SESSION: &str = "nightjar";
/// The same with encryption.
pub const SESSION_SECURE: &str = "__Host-nightjar";

/// Light or dark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Theme {
    /// As the device says; dark when it says nothing.
    Auto,
    /// Dark.
    Dark,
    /// Light.
    Light,
}

/// Who is asking.
#[derive(Clone, Debug)]
pub enum Who {
    /// Nobody known.
    Nobody,
    /// Anybody, in a demonstration.
    Demo(PersonId),
    /// Somebody who signed in.
    Known {
        /// The session.
        session: Session,
        /// Name for people.
        name: String,
        /// What they may do.
        role: Role,
        /// The token in the cookie.
        token: String,
    },
}

/// One request.
pub struct View {
    /// The whole page's state.
    pub site: Arc<Site>,
    /// The present.
    pub snap: Arc<Snapshot>,
    /// Time of the request.
    pub now: Now,
    /// Units to show.
    pub units: Units,
    /// Colours to show.
    pub theme: Theme,
    /// Who asks.
    pub who: Who,
    /// From where.
    pub peer: PeerAddress,
    /// Path asked for.
    pub path: String,
    /// Asked by the script of a page, which goes on by itself.
    pub by_script: bool,
}

impl View {
    /// From the parts of a request.
    pub fn of(parts: &Parts, site: &Arc<Site>) -> Self {
        let cookies = CookieJar::from_headers(&parts.headers);
        let cookie = |name: &str| cookies.get(name).map(axum_extra::extract::cookie::Cookie::value);
        let now = site.backend.clock.now();
        let token = cookie(site.session_cookie()).map(str::to_owned);
        let known = token.and_then(|token| {
            let session = site.sessions.find(&token, now)?;
            let person = site.gate.person(session.person.as_str())?;
            Some(Who::Known { name: person.name.clone(), role: person.role, session, token })
        });
        let demo = || site.backend.access.demo.clone().map(Who::Demo);
        Self {
            site: Arc::clone(site),
            snap: Arc::clone(&site.backend.snapshot.borrow()),
            now,
            units: Units::parse(cookie("units").unwrap_or_default()),
            theme: match cookie("theme") {
                Some("dark") => Theme::Dark,
                Some("light") => Theme::Light,
                Some(_) | None => Theme::Auto,
            },
            who: known.or_else(demo).unwrap_or(Who::Nobody),
            peer: parts
                .extensions
                .get::<PeerAddress>()
                .copied()
                .unwrap_or(PeerAddress(IpAddr::V4(Ipv4Addr::UNSPECIFIED))),
            path: parts.uri.path().to_owned(),
            by_script: parts.headers.contains_key("x-nightjar"),
        }
    }

    /// Whether this person may still read, for streams that last longer than a request.
    pub fn may_still_read(&self) -> bool {
        if self.site.backend.access.reading_open {
            return true;
        }
        match &self.who {
            Who::Known { token, .. } => self.site.sessions.stands(token, self.site.backend.clock.now().up),
            Who::Demo(_) => true,
            Who::Nobody => false,
        }
    }

    /// The rack.
    pub fn rack(&self) -> &Rack {
        &self.site.backend.rack
    }

    /// Local time.
    pub fn zone(&self) -> Zone {
        self.rack().zone
    }

    /// Jars with their present, in the order of the rack. A jar the snapshot does not know yet is
    /// left out of the present, not of the rack.
    pub fn jars(&self) -> impl Iterator<Item = (JarIx, &crate::rack::Jar, Option<&JarView>)> {
        self.rack()
            .jars
            .iter()
            .enumerate()
            .map(|(i, jar)| (JarIx(u16::try_from(i).unwrap_or(u16::MAX)), jar, self.snap.jars.get(i)))
    }

    /// Whether this person may do what the role allows, without typing anything again.
    pub fn may(&self, role: Role) -> bool {
        match &self.who {
            Who::Nobody => false,
            Who::Demo(_) => true,
            Who::Known { role: own, .. } => *own >= role,
        }
    }

    /// Whether a PIN could help somebody who is not signed in.
    pub fn pins(&self) -> bool {
        self.site.backend.people.iter().any(|p| p.pin.is_some())
    }

    /// Who makes the entries of this page, for the script; empty when nobody is signed in.
    pub fn author(&self) -> &str {
        match &self.who {
            Who::Nobody => "",
            Who::Demo(id) => id.as_str(),
            Who::Known { session, .. } => session.person.as_str(),
        }
    }

    /// The word each form of this session carries.
    pub fn form_word(&self) -> String {
        match &self.who {
            Who::Known { token, .. } => session::form_word(token),
            Who::Nobody | Who::Demo(_) => String::new(),
        }
    }

    /// A moment: day, time, and how long ago. Never without its day.
    pub fn moment(&self, at: Timestamp) -> Markup {
        html! {
            time datetime=(self.zone().rfc3339(at)) {
                (words::day(self.zone(), self.now.utc, at)) " " (words::time(self.zone(), at))
                " " span.ago data-t=(at.ms() / 1000) { "(" (words::ago(self.now.utc, at)) ")" }
                @if !self.now.trusted { " " span.mark { (values::CLOCK) } }
            }
        }
    }

    /// How long ago only, with the full time one hover away.
    pub fn ago(&self, at: Timestamp) -> Markup {
        html! {
            time.ago datetime=(self.zone().rfc3339(at)) data-t=(at.ms() / 1000)
                title=(format!("{} {}", words::day(self.zone(), self.now.utc, at), words::time(self.zone(), at))) {
                (words::ago(self.now.utc, at))
            }
        }
    }

    /// A value of an alarm, which carries its unit as text.
    pub fn amount(&self, value: f64, unit: &str) -> String {
        match unit {
            "°C" => self.units.text(Quantity::Temperature, value),
            "L/min" => self.units.text(Quantity::Flow, value),
            other => format!("{}\u{202f}{other}", words::plain((value * 100.0).round() / 100.0)),
        }
    }

    /// A difference of temperatures or a change of them, which has no zero to move.
    pub fn difference(&self, value: f64, unit: &str) -> String {
        let (value, unit) = match unit.strip_prefix("°C") {
            Some(per) if self.units.fahrenheit => (value * 1.8, format!("°F{per}")),
            _ => (value, unit.to_owned()),
        };
        format!("{value:.1}\u{202f}{unit}")
    }

    /// Whether two values as last heard look the same.
    pub fn reads_alike(&self, a: Option<&Latest>, b: Option<&Latest>, quantity: Quantity) -> bool {
        let (Some(a), Some(b)) = (a, b) else { return a.is_none() && b.is_none() };
        let number = |value: f64| self.units.text(quantity, value);
        (a.quality, a.reason) == (b.quality, b.reason)
            && (a.reason != Reason::Stale || a.at == b.at)
            && (a.value.total_cmp(&b.value).is_eq() || number(a.value) == number(b.value))
    }

    /// A value as last heard: never a number where there is none, old looks old, doubt is said.
    pub fn reading(&self, latest: Option<&Latest>, quantity: Quantity) -> Markup {
        let Some(latest) = latest else {
            return html! { span.none { (values::NO_READING) } };
        };
        let number = self.units.text(quantity, latest.value);
        match (latest.quality, latest.reason) {
            (_, Reason::Stale) => html! {
                span.old { (number) " " span.mark { (say(values::OLD, &[("ago", self.ago(latest.at))])) } }
            },
            (Quality::Good, _) => html! { span.value { (number) } },
            (Quality::Uncertain, reason) => html! {
                span.value { (number) " " span.mark { (say(values::DOUBT, &[("why", html! { (words::reason(reason)) })])) } }
            },
            (Quality::Bad, reason) => html! {
                span.none { (values::NO_GOOD_READING) } " " span.mark { (words::reason(reason)) }
            },
        }
    }
}

/// Somebody unknown is sent to sign in where reading is not open.
impl FromRequestParts<Arc<Site>> for View {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, site: &Arc<Site>) -> Result<Self, Response> {
        let view = Self::of(parts, site);
        if matches!(view.who, Who::Nobody) && !site.backend.access.reading_open {
            if view.path.starts_with("/api/") {
                return Err(super::api::problem(
                    axum::http::StatusCode::UNAUTHORIZED,
                    words::refusals::interface::SIGN_IN,
                ));
            }
            return Err(Redirect::to("/sign-in").into_response());
        }
        Ok(view)
    }
}
