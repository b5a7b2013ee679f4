//! Live pages: only what changed is sent, and a beat when nothing did.
//!
//! One stream belongs to one page that somebody looks at. The server renders the pieces of that
//! page when a new picture comes, at most once a second, and sends those that differ from what it
//! sent before. The page says which version of its pieces it shows, so that a stream that begins
//! anew over an unchanged picture sends nothing. Streams end with the program, so that a stop does
//! not wait for them.

use super::pages::rack::Piece;
use super::pages::{alarms, jar, rack, sensors};
use super::view::View;
use super::words;
use super::words::refusals::request as said;
use crate::clock::Uptime;
use crate::snapshot::{JarState, Snapshot};
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::{CACHE_CONTROL, HeaderName};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use futures_util::stream::{self, Stream, StreamExt};
use nightjar_calc::time::Span;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio_util::sync::CancellationToken;

/// Streams at one time; half the connections are left for pages.
pub const STREAMS: usize = 32;
/// A beat goes out so often when nothing else does.
const BEAT: Duration = Duration::from_secs(10);
/// Shortest time between two looks at the picture.
const SHORTEST: Duration = Duration::from_secs(1);
/// Everything is drawn so often, whether or not the picture has changed.
const WHOLE: Span = Span::from_secs(10);
/// Where the time of the last beat is kept among the pieces; no piece has this id.
const BEAT_KEY: &str = "beat";

/// Which pieces of which page.
#[derive(Clone, Debug)]
pub enum Watched {
    /// The first page.
    Rack,
    /// The page of this jar.
    Jar(String),
    /// The alarms.
    Alarms,
    /// The sensors.
    Sensors,
}

/// Begins a stream.
pub async fn stream(
    State(site): State<Arc<super::Site>>,
    view: View,
    Query(query): Query<BTreeMap<String, String>>,
) -> Response {
    let watched = match query.get("view").map(String::as_str) {
        Some("rack") => Watched::Rack,
        Some("jar") => Watched::Jar(query.get("jar").cloned().unwrap_or_default()),
        Some("alarms") => Watched::Alarms,
        Some("sensors") => Watched::Sensors,
        Some(_) | None => return (StatusCode::NOT_FOUND, said::NO_LIVE_VIEW).into_response(),
    };
    let Ok(permit) = Arc::clone(&site.streams).try_acquire_owned() else {
        return (StatusCode::SERVICE_UNAVAILABLE, said::TOO_MANY_LIVE).into_response();
    };
    let stop = site.backend.stop.clone();
    let have = query.get("have").cloned().unwrap_or_default();
    let events = patches(view, watched, have, permit).take_until(ended(stop));
    let headers = [(CACHE_CONTROL, "no-store"), (HeaderName::from_static("x-accel-buffering"), "no")];
    (headers, Sse::new(events)).into_response()
}

async fn ended(stop: CancellationToken) {
    stop.cancelled().await;
}

struct Watching {
    view: View,
    watched: Watched,
    /// What the browser shows by now, by id.
    shown: BTreeMap<String, String>,
    /// When everything was drawn last, whether or not the picture had changed; nothing before the first look.
    drawn_whole: Option<Uptime>,
    /// Version the browser says it shows; taken at the first look.
    have: Option<String>,
    /// Patches waiting to go out.
    waiting: Vec<Event>,
    _permit: OwnedSemaphorePermit,
}

fn patches(
    view: View,
    watched: Watched,
    have: String,
    permit: OwnedSemaphorePermit,
) -> impl Stream<Item = Result<Event, Infallible>> {
    let mut pictures = view.site.backend.snapshot.clone();
    pictures.mark_unchanged();
    let state = Watching {
        view,
        watched,
        shown: BTreeMap::new(),
        drawn_whole: None,
        have: Some(have),
        waiting: Vec::new(),
        _permit: permit,
    };
    stream::unfold((state, pictures), |(mut state, mut pictures)| async move {
        loop {
            if let Some(event) = state.waiting.pop() {
                return Some((Ok(event), (state, pictures)));
            }
            if let Some(have) = state.have.take() {
                state.look();
                // What the page shows is what stands now: nothing to send. Otherwise all is sent, so
                // that nothing that changed in between, or while the line was down, stays wrong.
                if have == version(&state.shown) {
                    state.waiting.clear();
                }
                // Taken first: from then on the page knows the time.
                let beat = state.beat();
                state.waiting.push(beat);
                continue;
            }
            if !state.view.may_still_read() {
                return None;
            }
            let changed = tokio::time::timeout(BEAT, pictures.changed()).await;
            match changed {
                Ok(Ok(())) => {
                    tokio::time::sleep(SHORTEST).await;
                    pictures.mark_unchanged();
                    state.look();
                    if state.waiting.is_empty() && state.beat_due() {
                        let beat = state.beat();
                        return Some((Ok(beat), (state, pictures)));
                    }
                }
                // The core is gone: no beat, so that the page says it is not live.
                Ok(Err(_)) => return None,
                Err(_) => {
                    state.look();
                    let beat = state.beat();
                    return Some((Ok(beat), (state, pictures)));
                }
            }
        }
    })
}

impl Watching {
    /// Takes the newest picture and queues what differs.
    fn look(&mut self) {
        let site = Arc::clone(&self.view.site);
        let before = std::mem::replace(&mut self.view.snap, Arc::clone(&site.backend.snapshot.borrow()));
        self.view.now = site.backend.clock.now();
        // What time alone changes (a day begins, a word for it) is seen when everything is drawn.
        let up = self.view.now.up;
        let since = self.drawn_whole.filter(|last| up < last.after(WHOLE)).map(|_| &*before);
        if since.is_none() {
            self.drawn_whole = Some(up);
        }
        let mut patches = Vec::new();
        // A stream outlives its request: the order of its dates is set anew.
        let pieces =
            words::in_order(self.view.units.month_first, || pieces(&self.view, &self.watched, since));
        for piece in pieces {
            self.differ(&piece, &mut patches);
        }
        // Taken from the end one by one.
        patches.reverse();
        self.waiting = patches;
    }

    fn differ(&mut self, piece: &Piece, patches: &mut Vec<Event>) {
        let frame = ageless(&piece.frame());
        let frame_changed = self.shown.get(&piece.id) != Some(&frame);
        if frame_changed {
            self.shown.insert(piece.id.clone(), frame);
            patches.push(patch(&piece.id, &piece.html));
        }
        for inner in &piece.holds {
            let html = ageless(&inner.html);
            if self.shown.get(&inner.id) != Some(&html) {
                if !frame_changed {
                    patches.push(patch(&inner.id, &inner.html));
                }
                self.shown.insert(inner.id.clone(), html);
            }
        }
    }

    fn beat_due(&mut self) -> bool {
        let now = self.view.now.up.ms() / 10_000;
        let last = self.shown.get(BEAT_KEY).and_then(|t| t.parse().ok()).unwrap_or(0);
        if now > last {
            self.shown.insert(BEAT_KEY.into(), now.to_string());
            true
        } else {
            false
        }
    }

    /// The server's time, from which the page works out how long ago things were. When no piece
    /// waits to go out, the page shows this version now.
    fn beat(&self) -> Event {
        let seconds = self.view.now.utc.ms() / 1_000;
        let version = if self.waiting.is_empty() { version(&self.shown) } else { String::new() };
        Event::default().event("beat").data(format!("{seconds} {version}"))
    }
}

/// The version of what a page shows as it is rendered.
pub fn version_of(view: &View, watched: &Watched) -> String {
    let mut shown = BTreeMap::new();
    for piece in pieces(view, watched, None) {
        shown.insert(piece.id.clone(), ageless(&piece.frame()));
        for inner in &piece.holds {
            shown.insert(inner.id.clone(), ageless(&inner.html));
        }
    }
    version(&shown)
}

fn version(shown: &BTreeMap<String, String>) -> String {
    let mut hash = Sha256::new();
    for (id, html) in shown.iter().filter(|(id, _)| *id != BEAT_KEY) {
        for part in [id, html] {
            hash.update(part.len().to_le_bytes());
            hash.update(part.as_bytes());
        }
    }
    URL_SAFE_NO_PAD.encode(&hash.finalize()[..12])
}

fn patch(id: &str, html: &str) -> Event {
    // A line break would end the field; markup does not need any.
    Event::default().event("patch").data(format!("{id} {}", html.replace(['\n', '\r'], " ")))
}

/// Without the "3 min ago" that the page counts by itself, and without counters that only ever
/// run on (`data-once`): time passing is no change.
fn ageless(html: &str) -> String {
    let mut out = String::with_capacity(html.len());
    let mut rest = html;
    let mut from = 0;
    while let Some(at) = rest[from..].find("data-").map(|at| from + at) {
        from = at + "data-".len();
        if !rest[from..].starts_with("t=\"") && !rest[from..].starts_with("once") {
            continue;
        }
        let Some(open) = rest[at..].find('>').map(|i| at + i + 1) else { break };
        let close = rest[open..].find('<').map_or(rest.len(), |i| open + i);
        out.push_str(&rest[..open]);
        rest = &rest[close..];
        from = 0;
    }
    out.push_str(rest);
    out
}

/// The pieces of a page; of the rack those that may differ from what an earlier picture gave.
fn pieces(view: &View, watched: &Watched, since: Option<&Snapshot>) -> Vec<Piece> {
    match watched {
        Watched::Rack => rack::fragments(view, since),
        Watched::Alarms => vec![Piece::leaf("alarm-list", alarms::list(view))],
        Watched::Sensors => {
            vec![Piece::leaf("sources", sensors::sources(view)), Piece::leaf("sensors", sensors::table(view))]
        }
        Watched::Jar(id) => {
            let Some(ix) = view.rack().jar_named(id) else { return Vec::new() };
            let now = view.snap.jars.get(usize::from(ix.0));
            let development = now.and_then(|n| n.progress.as_ref()).map(|p| p.development);
            let state = now.map_or(JarState::Empty, |n| n.state);
            let mut pieces = vec![
                Piece::leaf("drawing", super::components::jar_drawing(state, development)),
                Piece::leaf("facts", jar::facts(view, view.rack().jar(ix), now)),
                Piece::leaf("jar-alarms", jar::jar_alarms(view, now)),
            ];
            if let Some(progress) = now.and_then(|n| n.progress.as_ref()) {
                pieces.push(Piece::leaf("way", jar::way(view, progress)));
            }
            pieces
        }
    }
}

#[cfg(test)]
mod tests {
    use super::ageless;

    #[test]
    fn time_passing_is_no_change() {
        let a = "<time data-t=\"5\">3 min ago</time> 11.4 °C";
        let b = "<time data-t=\"5\">4 min ago</time> 11.4 °C";
        assert_eq!(ageless(a), ageless(b));
        assert_ne!(ageless(a), ageless(&b.replace("11.4", "11.5")));
        let count = |n: u32| format!("<span data-once>{n} taken</span> connected");
        assert_eq!(ageless(&count(7)), ageless(&count(8)));
    }

    #[test]
    fn another_piece_is_another_version() {
        let shown =
            |pairs: &[(&str, &str)]| pairs.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect();
        let one = super::version(&shown(&[("a", "x"), ("beat", "1")]));
        assert_eq!(one, super::version(&shown(&[("a", "x"), ("beat", "2")])));
        assert_ne!(one, super::version(&shown(&[("a", "y")])));
        assert_ne!(super::version(&shown(&[("a", "bc")])), super::version(&shown(&[("ab", "c")])));
    }
}
