//! Paths, and what every request and answer goes through: limits, where it comes from, headers.

use super::backend::PeerAddress;
use super::pages::{
    alarms, calculators, cards, days, entry, gallery, jar, load, logbook, messages, rack, season, sensors,
    sign_in, station, today,
};
use super::units::Units;
use super::words::refusals::request as said;
use super::{Site, api, assets, events, health, words};
use axum::Router;
use axum::extract::{DefaultBodyLimit, Path, Request, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_LENGTH, HOST, ORIGIN};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum_extra::extract::CookieJar;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tower_http::compression::CompressionLayer;
use tower_http::timeout::TimeoutLayer;

/// Largest body of a request.
const BODY: usize = 64 * 1024;
/// Longest a request may take from its head to its answer, the body included.
const WHOLE_REQUEST: Duration = Duration::from_secs(10);
/// Longest path and query looked at.
const LONGEST_TARGET: usize = 2_048;

const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
                      connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; \
                      base-uri 'none'; frame-ancestors 'none'";

/// Puts it all together.
pub fn routes(site: Arc<Site>) -> Router {
    let pages = Router::new()
        .route("/", get(rack::show))
        .route("/jar/{id}", get(jar::show))
        .route("/today", get(today::show))
        .route("/season", get(season::show))
        .route("/season/{file}", get(season::file))
        .route("/cards", get(cards::show))
        .route("/days", get(days::show))
        .route("/alarms", get(alarms::show))
        .route("/alarms/week", get(alarms::week::show))
        .route("/alarms/{id}", get(alarms::one))
        .route("/alarm/{id}/{what}", post(alarms::act))
        .route("/logbook", get(logbook::show))
        .route("/load", get(load::show).post(load::make))
        .route("/load/undo", post(load::undo))
        .route("/entry/{kind}", post(entry::make))
        .route("/void/{id}", post(entry::void))
        .route("/sensors", get(sensors::show))
        .route("/sensors/{id}", get(sensors::one::show))
        .route("/calculators", get(calculators::show))
        .route("/messages", get(messages::show))
        .route("/station", get(station::show))
        .route("/authority.crt", get(station::authority))
        .route("/components", get(gallery::show))
        .route("/sign-in", get(sign_in::show).post(sign_in::enter))
        .route("/sign-out", post(sign_in::leave))
        .route("/settings", post(sign_in::settings))
        .merge(api::routes())
        .route("/metrics", get(health::metrics))
        .route("/health", get(health::health))
        .route(
            "/manifest.webmanifest",
            get(|State(site): State<Arc<Site>>| async move { assets::manifest(&site.backend.rack.station) }),
        )
        .route("/icon.svg", get(|| async { assets::icon() }))
        .route("/worker.js", get(|| async { assets::worker() }))
        .route("/a/{file}", get(asset))
        .fallback(sign_in::nowhere)
        .layer(CompressionLayer::new())
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, WHOLE_REQUEST));
    Router::new()
        .route("/live", get(events::stream))
        .merge(pages)
        .layer(DefaultBodyLimit::max(BODY))
        .layer(middleware::from_fn_with_state(Arc::clone(&site), guard))
        .with_state(site)
}

async fn asset(Path(file): Path<String>) -> Response {
    assets::by_name(&file).unwrap_or_else(|| StatusCode::NOT_FOUND.into_response())
}

/// Looks at every request before anything else does, and at every answer after everything else.
async fn guard(State(site): State<Arc<Site>>, request: Request, next: Next) -> Response {
    let mut answer = match refuse(&site, &request) {
        Some((status, why)) if request.uri().path().starts_with("/api/") => api::problem(status, why),
        Some((status, why)) => (status, why).into_response(),
        None => {
            let units = CookieJar::from_headers(request.headers());
            let units = units.get("units").map_or_else(Units::default, |kept| Units::parse(kept.value()));
            words::with_order(units.month_first, next.run(request)).await
        }
    };
    let headers = answer.headers_mut();
    for (name, value) in [
        ("content-security-policy", POLICY),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("permissions-policy", "camera=(), geolocation=(), microphone=()"),
        ("x-frame-options", "DENY"),
    ] {
        headers.insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    headers.entry(CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    answer
}

fn refuse(site: &Site, request: &Request) -> Option<(StatusCode, &'static str)> {
    let now = site.backend.clock.now();
    if let Some(PeerAddress(from)) = request.extensions().get::<PeerAddress>()
        && !site.throttle.request(*from, now.up)
    {
        return Some((StatusCode::TOO_MANY_REQUESTS, said::TOO_MANY));
    }
    if request.uri().to_string().len() > LONGEST_TARGET {
        return Some((StatusCode::URI_TOO_LONG, said::ADDRESS_TOO_LONG));
    }
    let listed = &site.backend.access.hosts;
    // A whole address in the first line counts more than the header (RFC 9112, 3.2.2).
    let whole = request.uri().host().is_none_or(|name| name_is_ours(name, listed));
    if !whole || !host_is_ours(request.headers(), listed) {
        return Some((StatusCode::MISDIRECTED_REQUEST, said::OTHER_NAME));
    }
    // What is announced to be too large is refused before any of it is waited for.
    let announced =
        request.headers().get(CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse().ok());
    if announced.is_some_and(|length: u64| length > BODY as u64) {
        return Some((StatusCode::PAYLOAD_TOO_LARGE, said::TOO_LARGE));
    }
    match *request.method() {
        Method::GET | Method::HEAD => None,
        Method::POST if from_here(request.headers()) => None,
        Method::POST => Some((StatusCode::FORBIDDEN, said::FROM_ELSEWHERE)),
        _ => Some((StatusCode::METHOD_NOT_ALLOWED, said::METHOD)),
    }
}

/// A page of another name that was pointed at this machine must not be able to talk to it. Plain
/// addresses, names without a dot and `.local` cannot be such a page; others must be listed.
fn host_is_ours(headers: &HeaderMap, listed: &[String]) -> bool {
    let mut hosts = headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else { return false };
    let Ok(host) = host.to_str() else { return false };
    name_is_ours(
        host.rsplit_once(':').filter(|_| !host.ends_with(']')).map_or(host, |(name, _)| name),
        listed,
    )
}

/// Without the port; an address of version 6 in its brackets.
fn name_is_ours(name: &str, listed: &[String]) -> bool {
    let name = name.trim_start_matches('[').trim_end_matches(']').trim_end_matches('.').to_ascii_lowercase();
    !name.is_empty()
        && (name.parse::<IpAddr>().is_ok()
            || !name.contains('.')
            || name.ends_with(".local")
            || listed.iter().any(|l| l.eq_ignore_ascii_case(&name)))
}

/// A change must come from a page of this site. Browsers say where a form comes from; programs
/// say nothing, and have to prove who they are in the request itself.
fn from_here(headers: &HeaderMap) -> bool {
    if let Some(site) = headers.get("sec-fetch-site")
        && !matches!(site.as_bytes(), b"same-origin" | b"none")
    {
        return false;
    }
    match headers.get(ORIGIN) {
        None => true,
        Some(origin) => {
            let host = headers.get(HOST).and_then(|h| h.to_str().ok());
            let origin = origin.to_str().ok().and_then(|o| o.split_once("://")).map(|(_, name)| name);
            matches!((origin, host), (Some(a), Some(b)) if a.eq_ignore_ascii_case(b))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs.iter().map(|(name, value)| (HeaderName::from_static(name), value.parse().unwrap())).collect()
    }

    #[test]
    fn only_names_of_this_machine_are_answered() {
        let listed = ["hatchery.example".to_owned()];
        for (host, ours) in [
            ("192.0.2.7:8080", true),
            ("[2001:db8::7]:8080", true),
            ("raspberrypi", true),
            ("nightjar.local:8080", true),
            ("Hatchery.Example", true),
            ("evil.example", false),
            ("192.0.2.7.evil.example", false),
            ("", false),
        ] {
            assert_eq!(host_is_ours(&headers(&[("host", host)]), &listed), ours, "{host}");
        }
        assert!(!host_is_ours(&HeaderMap::new(), &listed));
    }

    #[test]
    fn forms_of_other_sites_are_refused() {
        for (pairs, ours) in [
            (vec![("host", "a:1"), ("origin", "http://a:1"), ("sec-fetch-site", "same-origin")], true),
            (vec![("host", "a:1"), ("origin", "http://b:1")], false),
            (vec![("host", "a:1"), ("origin", "null")], false),
            (vec![("host", "a:1"), ("sec-fetch-site", "cross-site")], false),
            (vec![("host", "a:1"), ("sec-fetch-site", "same-site")], false),
            (vec![("host", "a:1")], true),
        ] {
            assert_eq!(from_here(&headers(&pairs)), ours, "{pairs:?}");
        }
    }
}
