//! A whole season through the page and the JSON interface: thirty takes, twenty-four jars, two
//! species, splits, pools, corrections. Entered in any order, with repeats, it gives the books of the
//! season entered once in order, and those agree with sums made here by other means.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod web_stand;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use nightjar::clock::{Clock, ManualClock};
use nightjar::history::StoreHistory;
use nightjar::logbook::Entry;
use nightjar::progress::Progress;
use nightjar::store::{Appended, StoreHandle, StoreOptions};
use nightjar::web::backend::{Asked, Command, Reply, Species};
use nightjar_calc::development::species;
use nightjar_calc::time::{Span, Timestamp, Zone};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::mpsc;
use tower::ServiceExt;

/// A station with a store on disk, the page over it, and the check every entry goes through.
struct Station {
    app: Router,
    store: StoreHandle,
    clock: Arc<ManualClock>,
    _folder: tempfile::TempDir,
}

fn at(text: &str) -> Timestamp {
    Timestamp::parse(text).unwrap()
}

fn station() -> Station {
    let clock = Arc::new(ManualClock::new(at("2026-06-01T12:00:00-05:00")));
    let web_stand::Stand { mut backend, present, .. } =
        web_stand::stand(Arc::clone(&clock) as Arc<dyn Clock>, false);
    std::mem::forget(present);
    let folder = tempfile::tempdir().unwrap();
    let options = StoreOptions::new(folder.path().join("books.sqlite"), Vec::new());
    let store = nightjar::store::open(options, Arc::clone(&clock) as Arc<dyn Clock>).unwrap();
    let (commands, asked) = mpsc::channel(32);
    backend.commands = commands;
    backend.history = Arc::new(StoreHistory::new(store.clone(), Arc::clone(&backend.rack)));
    backend.species = Arc::new(
        species::all()
            .iter()
            .map(|s| Species { key: s.key.to_string(), name: s.common_name.to_string() })
            .collect(),
    );
    let progress = Progress::new(Arc::clone(&backend.rack), species::all().to_vec());
    tokio::spawn(desk(asked, progress, store.clone(), Arc::clone(&clock)));
    Station { app: nightjar::web::router(backend), store, clock, _folder: folder }
}

/// What the core does with an entry: known, sensible, on disk, in the books.
async fn desk(
    mut asked: mpsc::Receiver<Asked>,
    mut progress: Progress,
    store: StoreHandle,
    clock: Arc<ManualClock>,
) {
    while let Some(Asked { command, reply }) = asked.recv().await {
        let Command::Entry(entry) = command else { continue };
        let entry = Entry { written_at: clock.now().utc, ..*entry };
        let answer = match progress.entry(&entry.id) {
            Some(known) if Entry { written_at: known.written_at, ..entry.clone() } == *known => {
                Reply::Already
            }
            Some(_) => Reply::Refused("this entry number was used for something else".into()),
            None => match progress.check(&entry) {
                Err(why) => Reply::Refused(why.to_string()),
                Ok(()) => match store.append_entry(entry.clone()).await.unwrap() {
                    Appended::Stored => {
                        progress.add_entry(entry);
                        Reply::Done
                    }
                    Appended::AlreadyHave => Reply::Already,
                },
            },
        };
        let _nobody_waits = reply.send(answer);
    }
}

impl Station {
    async fn ask(&self, request: Request<Body>) -> (StatusCode, String) {
        let answer = self.app.clone().oneshot(request).await.unwrap();
        let status = answer.status();
        let body = answer.into_body().collect().await.unwrap().to_bytes();
        (status, String::from_utf8_lossy(&body).into_owned())
    }

    async fn get(&self, path: &str) -> String {
        let request = Request::get(path).header("host", "shed.local").body(Body::empty()).unwrap();
        let (status, body) = self.ask(request).await;
        assert_eq!(status, StatusCode::OK, "{path}: {body}");
        body
    }

    async fn json(&self, path: &str) -> Value {
        serde_json::from_str(&self.get(path).await).unwrap()
    }

    async fn send(&self, entry: &Value) -> (StatusCode, String) {
        let request = Request::post("/api/v1/entries")
            .header("host", "shed.local")
            .header("content-type", "application/json")
            .body(Body::from(entry.to_string()))
            .unwrap();
        self.ask(request).await
    }

    /// Sends the entry as the page's form would, when the form can say all of it.
    async fn send_form(&self, entry: &Value) -> Option<(StatusCode, String)> {
        let (path, mut fields) = form(entry)?;
        let happened = at(entry["happened_at"].as_str().unwrap());
        let local = Zone::named("America/Chicago").unwrap().local(happened).format("%Y-%m-%dT%H:%M");
        fields.push(("id".into(), entry["id"].as_str().unwrap().into()));
        fields.push(("when".into(), "pick".into()));
        fields.push(("at".into(), local.to_string()));
        fields.push(("units".into(), "clm".into()));
        let coded: Vec<String> = fields.iter().map(|(k, v)| format!("{k}={}", percent(v))).collect();
        let request = Request::post(path)
            .header("host", "shed.local")
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from(coded.join("&")))
            .unwrap();
        Some(self.ask(request).await)
    }
}

fn percent(text: &str) -> String {
    text.bytes()
        .map(|b| if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") })
        .collect()
}

/// The fields of the page's form for an entry.
fn form(entry: &Value) -> Option<(String, Vec<(String, String)>)> {
    let act = &entry["act"];
    let kind = act["kind"].as_str().unwrap();
    let text = |key: &str| match &act[key] {
        Value::String(text) => text.clone(),
        Value::Null => String::new(),
        other @ (Value::Bool(_) | Value::Number(_) | Value::Array(_) | Value::Object(_)) => other.to_string(),
    };
    let share = |key: &str| (act[key].as_f64().unwrap() * 100.0).to_string();
    let pair = |name: &str, value: String| (name.to_owned(), value);
    let fields = match kind {
        "siphon" => vec![
            pair("jar", text("jar")),
            pair("volume", text("volume_ml")),
            pair("dead", share("dead_share")),
        ],
        "load" => vec![
            pair("jar", text("jar")),
            pair("lot", text("lot")),
            pair("volume", text("volume_l")),
            pair("eggs", text("eggs")),
        ],
        "split" => vec![pair("from", text("from")), pair("to", text("to")), pair("share", share("share"))],
        "pool" => vec![pair("from", text("from")), pair("into", text("into"))],
        "empty" => vec![pair("jar", text("jar")), pair("reason", text("reason"))],
        "hatch_seen" => vec![pair("jar", text("jar")), pair("point", text("point"))],
        "lot" => vec![
            pair("lot", text("lot")),
            pair(
                "takes",
                act["takes"]
                    .as_array()
                    .unwrap()
                    .iter()
                    .map(|t| t.as_str().unwrap())
                    .collect::<Vec<_>>()
                    .join(" "),
            ),
        ],
        "eye_up_sample" => {
            let dips = act["dips"].as_array().unwrap();
            let dips: Vec<String> = dips.iter().map(|d| format!("{}/{}", d["eyed"], d["of"])).collect();
            vec![pair("jar", text("jar")), pair("dips", dips.join(" "))]
        }
        "stocked" => vec![pair("lot", text("lot")), pair("water", text("water")), pair("fry", text("fry"))],
        "mortality" => vec![
            pair("lot", text("lot")),
            pair("jar", text("jar")),
            pair("number", text("number")),
            pair("cause", text("cause")),
        ],
        _ => return None,
    };
    Some((format!("/entry/{kind}"), fields))
}

/// Eggs of one take and lot in one jar, by the test's own sums.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    put_in: f64,
    removed: f64,
    litres: f64,
}

type Jar = BTreeMap<(String, String), Sum>;

/// The season as it is entered, and the test's own books of it.
#[derive(Default)]
struct Script {
    entries: Vec<Value>,
    jars: BTreeMap<String, Jar>,
    emptied: BTreeMap<String, Jar>,
    species: BTreeMap<String, String>,
    water: BTreeMap<String, String>,
    stocked: BTreeMap<String, f64>,
    fry: BTreeMap<String, f64>,
    fish: BTreeMap<String, (u32, u32, u32)>,
    next: u32,
}

impl Script {
    fn add(&mut self, time: Timestamp, act: Value) -> String {
        self.next += 1;
        let id = format!("season-{:05}", self.next);
        self.entries.push(json!({"id": id, "happened_at": time.rfc3339(), "who": "demo", "act": act}));
        id
    }

    fn load(&mut self, time: Timestamp, jar: &str, lot: &str, takes: &[String], litres: f64, eggs: f64) {
        self.add(time, json!({"kind": "load", "jar": jar, "lot": lot, "volume_l": litres, "eggs": eggs}));
        let book = self.jars.entry(jar.to_owned()).or_default();
        // Every take of a lot here has the same volume and count.
        let share = 1.0 / takes.len() as f64;
        for take in takes {
            let sum = Sum { put_in: eggs * share, removed: 0.0, litres: litres * share };
            assert!(book.insert((take.clone(), lot.to_owned()), sum).is_none());
        }
    }

    fn siphon(&mut self, time: Timestamp, jar: &str, ml: f64, dead: f64) -> String {
        let id = self.add(time, json!({"kind": "siphon", "jar": jar, "volume_ml": ml, "dead_share": dead}));
        let book = self.jars.get_mut(jar).unwrap();
        let (eggs, litres) = book.values().fold((0.0, 0.0), |(e, l), s| (e + s.put_in, l + s.litres));
        remove(book, ml / 1000.0 * eggs / litres * dead);
        id
    }

    fn split(&mut self, time: Timestamp, from: &str, to: &str, share: f64) {
        self.add(time, json!({"kind": "split", "from": from, "to": to, "share": share}));
        let moved = portion(self.jars.get_mut(from).unwrap(), share);
        assert!(self.jars.insert(to.to_owned(), moved).is_none_or(|old| old.is_empty()));
    }

    fn pool(&mut self, time: Timestamp, from: &str, into: &str) {
        self.add(time, json!({"kind": "pool", "from": from, "into": into}));
        let moved = self.jars.remove(from).unwrap();
        pour(self.jars.get_mut(into).unwrap(), moved);
    }

    fn empty(&mut self, time: Timestamp, jar: &str) {
        self.add(time, json!({"kind": "empty", "jar": jar, "reason": "hatched"}));
        let gone = self.jars.remove(jar).unwrap();
        pour(self.emptied.entry(jar.to_owned()).or_default(), gone);
    }

    /// Sums by whatever a line is about: put in and removed.
    fn by(&self, key: impl Fn(&str, &str, &str) -> String) -> BTreeMap<String, (f64, f64)> {
        let mut sums: BTreeMap<String, (f64, f64)> = BTreeMap::new();
        for (jar, book) in self.jars.iter().chain(&self.emptied) {
            for ((take, lot), sum) in book {
                let line = sums.entry(key(jar, take, lot)).or_default();
                line.0 += sum.put_in;
                line.1 += sum.removed;
            }
        }
        sums
    }
}

fn remove(book: &mut Jar, eggs: f64) {
    let left: f64 = book.values().map(|s| s.put_in - s.removed).sum();
    for sum in book.values_mut() {
        sum.removed += eggs * (sum.put_in - sum.removed) / left;
    }
}

fn portion(book: &mut Jar, share: f64) -> Jar {
    let out = book
        .iter()
        .map(|(key, s)| {
            (
                key.clone(),
                Sum { put_in: s.put_in * share, removed: s.removed * share, litres: s.litres * share },
            )
        })
        .collect();
    for s in book.values_mut() {
        *s = Sum {
            put_in: s.put_in * (1.0 - share),
            removed: s.removed * (1.0 - share),
            litres: s.litres * (1.0 - share),
        };
    }
    out
}

fn pour(book: &mut Jar, other: Jar) {
    for (key, s) in other {
        let sum = book.entry(key).or_default();
        sum.put_in += s.put_in;
        sum.removed += s.removed;
        sum.litres += s.litres;
    }
}

/// A number below `n`, the same in every run.
fn draw(seed: &mut u64, n: u64) -> u64 {
    *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*seed >> 33) % n
}

/// Thirty takes of two species from three waters into twenty-four jars.
fn season() -> Script {
    let mut s = Script::default();
    let mut seed = 7;
    let start = at("2026-04-14T09:00:00-05:00");
    let hours = Span::from_hours;
    for i in 0..30_u32 {
        let time = start + hours(i64::from(i) * 5);
        let take = format!("T{:02}", i + 1);
        let (key, water) = if i < 20 {
            ("walleye", ["Alder Lake", "Birch Lake"][i as usize % 2])
        } else {
            ("northern-pike", "Cedar River")
        };
        let (females, males, reused) = (4 + i % 3, 9 + i % 4, if i % 5 == 4 { 2 } else { 0 });
        s.add(
            time,
            json!({"kind": "take", "take": take, "species": key, "water": water, "gear": "=cmd|' /C calc'!A0",
                   "fertilized_at": time.rfc3339(), "females": females, "males": males, "males_reused": reused,
                   "volume_l": 2.0, "hardened": true,
                   "count": {"method": "volumetric", "eggs": 500.0, "sample_ml": 4.0}}),
        );
        s.fish.insert(take.clone(), (females, males, reused));
        s.species.insert(take.clone(), key.into());
        s.water.insert(take.clone(), water.into());
    }
    // Lots of two takes and of one; the last four takes are loaded under their own names.
    let mut lots: Vec<(String, Vec<String>)> = Vec::new();
    let take = |n: u32| format!("T{n:02}");
    for n in (1..=20).step_by(2) {
        lots.push((format!("WAE-{n:02}"), vec![take(n), take(n + 1)]));
    }
    for n in 21..=26 {
        lots.push((format!("NOP-{n}"), vec![take(n)]));
    }
    for (lot, takes) in &lots {
        s.add(start + hours(200), json!({"kind": "lot", "lot": lot, "takes": takes}));
    }
    lots.extend((27..=30).map(|n| (take(n), vec![take(n)])));
    // 20 lots into jars J01 to J20.
    let loaded = start + hours(220);
    let jar = |n: usize| format!("J{n:02}");
    for (i, (lot, takes)) in lots.iter().enumerate() {
        let eggs = 200_000.0 + 8_000.0 * draw(&mut seed, 10) as f64;
        if i == 3 {
            // Written for the wrong jar first, then taken back.
            let wrong = s.add(
                loaded + Span::from_minutes(i as i64),
                json!({"kind": "load", "jar": "J24", "lot": lot, "volume_l": 2.0, "eggs": eggs}),
            );
            s.add(loaded + hours(1), json!({"kind": "void", "entry": wrong, "reason": "wrong jar"}));
        }
        s.load(loaded + Span::from_minutes(2 * i as i64 + 1), &jar(i + 1), lot, takes, 2.0, eggs);
    }
    let mut siphons = Vec::new();
    for day in 1..=8_i64 {
        let round = loaded + hours(24 * day);
        let mut full: Vec<String> = s.jars.keys().cloned().collect();
        full.sort();
        for (i, name) in full.iter().enumerate() {
            let ml = 4.0 * (1 + draw(&mut seed, 8)) as f64;
            let dead = [1.0, 0.75, 0.5][draw(&mut seed, 3) as usize];
            siphons.push(s.siphon(round + Span::from_minutes(i as i64), name, ml, dead));
        }
        match day {
            2 => {
                s.split(round + hours(2), "J01", "J21", 0.5);
                s.split(round + hours(2), "J12", "J22", 0.25);
                s.split(round + hours(3), "J05", "J23", 0.25);
            }
            4 => {
                // Two lots poured together, and eggs of one lot back together.
                s.pool(round + hours(2), "J02", "J03");
                s.pool(round + hours(3), "J22", "J12");
                s.split(round + hours(4), "J13", "J02", 0.5);
            }
            5 => {
                // A siphon written with a slip: the right one takes its place.
                let slip = s.next + 1;
                let right = s.siphon(round + hours(2), "J07", 24.0, 1.0);
                let entry = s.entries.last_mut().unwrap();
                entry["act"]["volume_ml"] = json!(240.0);
                let time = entry["happened_at"].clone();
                assert_eq!(right, format!("season-{slip:05}"));
                s.add(
                    round + hours(5),
                    json!({"kind": "void", "entry": right, "reason": "a nought too many",
                           "instead": {"kind": "siphon", "jar": "J07", "volume_ml": 24.0, "dead_share": 1.0}}),
                );
                assert!(time.is_string());
            }
            6 => {
                // A siphon that never was.
                let never = s.add(
                    round + hours(3),
                    json!({"kind": "siphon", "jar": "J09", "volume_ml": 100.0, "dead_share": 1.0}),
                );
                s.add(
                    round + hours(4),
                    json!({"kind": "void", "entry": never, "reason": "jar J10 was meant"}),
                );
            }
            _ => {}
        }
    }
    finish(&mut s, &lots, loaded, &mut seed);
    s
}

/// Samples, hatch, fry, stocking.
fn finish(s: &mut Script, lots: &[(String, Vec<String>)], loaded: Timestamp, seed: &mut u64) {
    let hours = Span::from_hours;
    let eyed = loaded + hours(24 * 9);
    let full: Vec<String> = s.jars.keys().cloned().collect();
    for (i, jar) in full.iter().enumerate() {
        let time = eyed + Span::from_minutes(i as i64);
        let dips: Vec<Value> = (0..3).map(|_| json!({"eyed": 60 + draw(seed, 10), "of": 100})).collect();
        s.add(time, json!({"kind": "eye_up_sample", "jar": jar, "dips": dips}));
        s.add(time + hours(48), json!({"kind": "hatch_seen", "jar": jar, "point": "first"}));
        s.add(time + hours(72), json!({"kind": "hatch_seen", "jar": jar, "point": "last"}));
        s.empty(time + hours(96), jar);
    }
    let counted = eyed + hours(100);
    for (i, (lot, _)) in lots.iter().enumerate() {
        let counts = [40.0 + (i % 5) as f64, 44.0, 42.0, 38.0, 41.0, 43.0, 39.0, 41.0];
        // Mean count over the sub-sample times the tank: husbandry's plain formula.
        let fry = counts.iter().sum::<f64>() / 8.0 / 20.0 * 50_000.0;
        s.add(
            counted + Span::from_minutes(i as i64),
            json!({"kind": "fry_count", "lot": lot, "counts": counts, "sample_ml": 20.0, "tank_l": 50.0}),
        );
        s.fry.insert(lot.clone(), fry);
        let water = ["Dogwood Lake", "Elm Lake"][i % 2];
        let stocked = 50_000.0 + 1_000.0 * i as f64;
        s.add(
            counted + hours(5) + Span::from_minutes(i as i64),
            json!({"kind": "stocked", "lot": lot, "water": water, "fry": stocked}),
        );
        *s.stocked.entry(water.into()).or_default() += stocked;
        s.add(
            counted + hours(6) + Span::from_minutes(i as i64),
            json!({"kind": "held", "lot": lot, "fry": 500.0 + i as f64, "note": "<svg onload=alert(1)>"}),
        );
    }
}

const LEVELS: [&str; 6] = ["season", "species", "water", "lot", "take", "jar"];

async fn books(station: &Station) -> BTreeMap<&'static str, Value> {
    let mut all = BTreeMap::new();
    for by in LEVELS {
        all.insert(by, station.json(&format!("/api/v1/books?by={by}")).await);
    }
    all
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_season_in_any_order_gives_the_books_of_the_season_in_order() {
    let script = season();
    let in_order = station();
    let mut entries = script.entries.clone();
    entries.sort_by_key(|entry| at(entry["happened_at"].as_str().unwrap()));
    for entry in &entries {
        let (status, body) = in_order.send(entry).await;
        assert_eq!(status, StatusCode::CREATED, "{entry}: {body}");
    }
    let plain = books(&in_order).await;
    check_against(&script, &plain);

    for seed in [11_u64] {
        let station = station();
        let (rounds, sent, forms) = shuffled(&station, &script.entries, seed).await;
        println!("order {seed}: {} entries, {sent} sent, {forms} by form, {rounds} rounds", entries.len());
        assert_eq!(books(&station).await, plain, "order {seed}");
        // Read back from the disk by another process: the same again.
        let stored = station.store.read(|r| r.entries_after(0, 10_000)).await.unwrap();
        assert_eq!(stored.len(), entries.len(), "each entry once");
        let report = station.json("/api/v1/season").await;
        assert_eq!(report["tables"]["takes"]["rows"].as_array().unwrap().len(), 30);
        let file = station.get("/season/takes.csv").await;
        assert!(file.contains("'=cmd|' /C calc'!A0"), "a formula is only words: {file}");
        let page = station.get("/season").await;
        assert!(!page.contains("<svg onload"), "words of people are never markup");
        assert!(station.clock.now().utc > at("2026-05-01T00:00:00Z"));
    }
}

/// Sends everything in a drawn order, some entries more than once, by form where one exists and the
/// draw says so; what is refused because something is missing yet is sent again, as a phone would.
async fn shuffled(station: &Station, entries: &[Value], mut seed: u64) -> (usize, usize, usize) {
    let mut waiting: Vec<Value> = entries.to_vec();
    let (mut rounds, mut sent, mut forms) = (0, 0, 0);
    while !waiting.is_empty() {
        rounds += 1;
        assert!(rounds < 60, "{} entries never fit, first {}", waiting.len(), waiting[0]);
        for i in (1..waiting.len()).rev() {
            waiting.swap(i, draw(&mut seed, i as u64 + 1) as usize);
        }
        let mut refused = Vec::new();
        for entry in waiting {
            let by_form = draw(&mut seed, 2) == 0;
            let mut taken = false;
            for _ in 0..=draw(&mut seed, 3) {
                let answer = if by_form { station.send_form(&entry).await } else { None };
                forms += usize::from(answer.is_some());
                let (status, body) = match answer {
                    Some(answer) => answer,
                    None => station.send(&entry).await,
                };
                sent += 1;
                match status {
                    StatusCode::CREATED | StatusCode::SEE_OTHER | StatusCode::OK => taken = true,
                    StatusCode::UNPROCESSABLE_ENTITY => {}
                    other => panic!("{other} to {entry}: {body}"),
                }
            }
            if !taken {
                refused.push(entry);
            }
        }
        waiting = refused;
    }
    (rounds, sent, forms)
}

fn check_against(script: &Script, books: &BTreeMap<&'static str, Value>) {
    let lot_species = |take: &str| script.species[take].clone();
    let expected = [
        ("season", script.by(|_, _, _| "2026".into())),
        ("species", script.by(|_, take, _| lot_species(take))),
        ("water", script.by(|_, take, _| script.water[take].clone())),
        ("lot", script.by(|_, _, lot| lot.into())),
        ("take", script.by(|_, take, _| take.into())),
        ("jar", script.by(|jar, _, _| jar.into())),
    ];
    let mut worst = 0.0_f64;
    for (by, sums) in &expected {
        let report = &books[by];
        assert_eq!(report["conserved"], true);
        assert_eq!(report["left_out"], json!([]));
        let lines = report["lines"].as_object().unwrap();
        assert_eq!(lines.keys().collect::<Vec<_>>(), sums.keys().collect::<Vec<_>>(), "{by}");
        for (name, (put_in, removed)) in sums {
            let line = &lines[name];
            for (key, own) in [("eggs_in", put_in), ("removed", removed)] {
                let theirs = line[key].as_f64().unwrap();
                worst = worst.max((theirs - own).abs());
                // To the egg: each pouring may round a thousandth.
                assert!((theirs - own).abs() < 0.5, "{by} {name} {key}: {theirs}, by other sums {own}");
            }
        }
    }
    println!("largest difference of any line: {worst:.4} eggs");
    for (lot, fry) in &script.fry {
        let line = &books["lot"]["lines"][lot]["fry_out"];
        assert!((line["likely"].as_f64().unwrap() - fry).abs() < 1e-6, "{lot}");
    }
    for (water, fry) in &script.stocked {
        let booked = books["season"]["stocked_by_water"][water].as_f64().unwrap();
        assert!((booked - fry).abs() < 1e-6, "{water}: {booked}, not {fry}");
    }
    let stocked: f64 = script.stocked.values().sum();
    let booked = books["season"]["lines"]["2026"]["stocked"].as_f64().unwrap();
    assert!((booked - stocked).abs() < 1e-6, "{booked}, not {stocked}");
    // Ne = 4 Nf Nm / (Nf + Nm) (BROOD) over all takes of a species, a male used again not counted twice.
    for key in ["walleye", "northern-pike"] {
        let takes: Vec<_> = script.fish.iter().filter(|(take, _)| script.species[*take] == key).collect();
        let females: u32 = takes.iter().map(|(_, fish)| fish.0).sum();
        let first = takes.first().map_or(0, |(_, fish)| fish.2);
        let males: u32 = takes.iter().map(|(_, fish)| fish.1 - fish.2).sum::<u32>() + first;
        let (f, m) = (f64::from(females), f64::from(males));
        let line = &books["species"]["lines"][key]["breeders"];
        assert!((line["effective_at_most"].as_f64().unwrap() - 4.0 * f * m / (f + m)).abs() < 1e-9);
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn entries_that_cannot_be_are_refused_with_a_word_and_leave_no_trace() {
    let station = station();
    let mut number = 0;
    let mut entry = |time: &str, act: Value| {
        number += 1;
        json!({"id": format!("refused-{number:03}"), "happened_at": time, "who": "demo", "act": act})
    };
    let take = json!({"kind": "take", "take": "T1", "species": "walleye", "water": "Alder Lake",
        "fertilized_at": "2026-04-18T14:00:00-05:00", "females": 10, "males": 20, "volume_l": 4.0,
        "hardened": true, "count": {"method": "per_litre", "eggs_per_l": 130_000.0}});
    let load = json!({"kind": "load", "jar": "J01", "lot": "T1", "volume_l": 2.0});
    for good in
        [entry("2026-04-18T15:00:00-05:00", take.clone()), entry("2026-04-19T15:00:00-05:00", load.clone())]
    {
        assert_eq!(station.send(&good).await.0, StatusCode::CREATED, "{good}");
    }
    let before = books(&station).await;
    let late = "2026-04-20T12:00:00-05:00";
    let hatch = json!({"kind": "hatch_seen", "jar": "J01", "point": "first"});
    let stocked = |fry: f64| json!({"kind": "stocked", "lot": "T1", "water": "Elm Lake", "fry": fry});
    for (time, act, word) in [
        (late, json!({"kind": "siphon", "jar": "J01", "volume_ml": 2_001.0}), "cannot be drawn off"),
        (late, json!({"kind": "siphon", "jar": "J02", "volume_ml": 10.0}), "empty"),
        (late, hatch.clone(), "do not hatch"),
        (late, stocked(300_000.0), "at most"),
        ("2026-04-18T13:00:00-05:00", stocked(10.0), "fertilized later"),
        (
            "2026-04-18T13:00:00-05:00",
            json!({"kind": "load", "jar": "J02", "lot": "T1", "volume_l": 1.0}),
            "fertilized",
        ),
        (late, load, "holds lot"),
        (late, json!({"kind": "load", "jar": "J02", "lot": "T1", "volume_l": 9.0}), "do not go into"),
        (late, json!({"kind": "note", "text": "x".repeat(10_000)}), "10000 characters"),
        (late, json!({"kind": "lot", "lot": "y".repeat(10_000), "takes": ["T1"]}), "not a name"),
        (late, json!({"kind": "move", "from": "J01", "to": "J01"}), "not empty"),
        (late, json!({"kind": "void", "entry": "no-such-entry", "reason": "why"}), "no entry"),
        (
            late,
            json!({"kind": "calibration", "sensor": "NONE", "how": {"check": "ice_point", "reading_c": 0.1}}),
            "no sensor",
        ),
        (late, take, "in the logbook already"),
        (
            late,
            json!({"kind": "treatment", "jar": "J01", "agent": "formalin", "concentration": 5_000.0,
            "minutes": 15.0, "flow_l_per_min": 4.0, "volume_ml": 300.0}),
            "outside",
        ),
    ] {
        let (status, body) = station.send(&entry(time, act.clone())).await;
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{act}: {body}");
        assert!(body.contains(word), "{act}: {body}");
    }
    assert_eq!(books(&station).await, before, "a refused entry leaves no trace");
    // No eyed egg in the sample, so no hatch a few hours later; and no sample after a hatch.
    let eyes = |time: &str, eyed: u32| {
        (time.to_owned(), json!({"kind": "eye_up_sample", "jar": "J01", "dips": [{"eyed": eyed, "of": 100}]}))
    };
    let (time, act) = eyes("2026-04-25T08:00:00-05:00", 0);
    assert_eq!(station.send(&entry(&time, act)).await.0, StatusCode::CREATED);
    let (status, body) = station.send(&entry("2026-04-25T12:00:00-05:00", hatch.clone())).await;
    assert!(status == StatusCode::UNPROCESSABLE_ENTITY && body.contains("after eye-up"), "{body}");
    assert_eq!(station.send(&entry("2026-05-05T12:00:00-05:00", hatch)).await.0, StatusCode::CREATED);
    let (time, act) = eyes("2026-05-06T08:00:00-05:00", 90);
    let (status, body) = station.send(&entry(&time, act)).await;
    assert!(status == StatusCode::UNPROCESSABLE_ENTITY && body.contains("already seen"), "{body}");
}

/// From nothing to eight jars with last night's eggs by one form; all of it or nothing; back by one
/// button.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn eight_jars_are_loaded_by_one_form_and_taken_back_by_one_button() {
    let station = station();
    let send = |path: &'static str, fields: Vec<(&str, String)>| {
        let coded: Vec<String> = fields.iter().map(|(k, v)| format!("{k}={}", percent(v))).collect();
        let request = Request::post(path)
            .header("host", "shed.local")
            .header("content-type", "application/x-www-form-urlencoded")
            .body(Body::from(coded.join("&")))
            .unwrap();
        station.ask(request)
    };
    let form = |id: &str, name: &str, jars: &[&str], volume: &str| {
        let mut fields: Vec<(&str, String)> = [
            ("lot", "new take"),
            ("species", "walleye"),
            ("water", "Alder Lake"),
            ("fertilized_at", "at:2026-05-31T20:00"),
            ("females", "12"),
            ("males", "30"),
            ("eggs_per_l", "130000"),
            ("when", "now"),
            ("units", "clm"),
        ]
        .map(|(k, v)| (k, v.to_owned()))
        .into();
        fields.extend([("id", id.to_owned()), ("name", name.to_owned()), ("volume", volume.to_owned())]);
        let names = ["jar-J01", "jar-J02", "jar-J03", "jar-J04", "jar-J05", "jar-J06", "jar-J07", "jar-J08"];
        fields.extend(names.into_iter().filter(|n| jars.contains(&&n[4..])).map(|n| (n, "yes".to_owned())));
        fields
    };
    let all = ["J01", "J02", "J03", "J04", "J05", "J06", "J07", "J08"];
    let nothing = books(&station).await;
    // One jar too many litres: nothing of the form stays.
    let (status, body) = send("/load", form("load-form-1", "T-0530", &all, "9")).await;
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(body.contains("do not go into") && body.contains("Nothing was saved"), "{body}");
    assert_eq!(books(&station).await["lot"], nothing["lot"]);
    for _ in 0..2 {
        let (status, body) = send("/load", form("load-form-2", "T-0531", &all, "1.5")).await;
        assert_eq!(status, StatusCode::SEE_OTHER, "{body}");
    }
    let loaded = station.get("/logbook?kind=load").await;
    assert_eq!(loaded.matches("<b>Load a jar</b>").count(), 8, "sent twice, made once");
    assert!(loaded.contains("195\u{202f}000 eggs"), "1.5 L of 130 000 to the litre");
    // J01 holds eggs by now: the take and lot of the refused form are taken back again.
    let (status, body) = send("/load", form("load-form-3", "T-0601", &["J01"], "1.5")).await;
    assert!(status == StatusCode::UNPROCESSABLE_ENTITY && body.contains("holds lot"), "{body}");
    let parts = (0..8).fold("t.l".to_owned(), |parts, i| format!("{parts}.j{i}"));
    let undo = [("id", "undo-form-1"), ("done", "load-form-2"), ("parts", parts.as_str())];
    let (status, body) = send("/load/undo", undo.map(|(k, v)| (k, v.to_owned())).into()).await;
    assert_eq!(status, StatusCode::SEE_OTHER, "{body}");
    assert_eq!(books(&station).await["lot"], nothing["lot"]);
}

/// The worked examples of the trade through the page's interface.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn worked_examples_come_out_of_the_interface() {
    let station = station();
    let mut number = 0;
    let mut send = async |time: &str, act: Value| {
        number += 1;
        let entry =
            json!({"id": format!("worked-{number:03}"), "happened_at": time, "who": "demo", "act": act});
        let (status, body) = station.send(&entry).await;
        assert_eq!(status, StatusCode::CREATED, "{entry}: {body}");
    };
    // Von Bayer: 150 eggs in 12 in is 132,129 to the quart; 2.5 qt are 330,322 eggs (HERR; k = 67.65).
    send("2026-04-18T15:00:00-05:00", json!({"kind": "take", "take": "T1", "species": "walleye",
        "water": "Alder Lake", "fertilized_at": "2026-04-18T14:00:00-05:00", "females": 60, "males": 90,
        "volume_l": 2.365_882, "hardened": true, "count": {"method": "von_bayer", "eggs": 150.0, "length_in": 12.0}}))
    .await;
    send(
        "2026-04-19T15:00:00-05:00",
        json!({"kind": "load", "jar": "J09", "lot": "T1", "volume_l": 2.365_882}),
    )
    .await;
    // 183 of 200: Wilson 0.86810 to 0.94625 (computed from the formula STAT and RWIL were read for).
    send(
        "2026-04-28T15:00:00-05:00",
        json!({"kind": "eye_up_sample", "jar": "J09", "dips": [{"eyed": 183, "of": 200}]}),
    )
    .await;
    let line = station.json("/api/v1/books?by=lot").await["lines"]["T1"].clone();
    assert!((line["eggs_in"].as_f64().unwrap() - 330_322.0).abs() < 2.0, "{line}");
    let share = &line["eye_up_share"];
    assert!((share["low"].as_f64().unwrap() - 0.868_10).abs() < 5e-6, "{share}");
    assert!((share["high"].as_f64().unwrap() - 0.946_25).abs() < 5e-6, "{share}");
    // 60 females and 90 males: Ne 144, 0.347 % (BROOD).
    assert!((line["breeders"]["effective_at_most"].as_f64().unwrap() - 144.0).abs() < 1e-9);
    assert!((line["breeders"]["inbreeding_at_least"].as_f64().unwrap() - 0.003_47).abs() < 5e-6);
    // 500 mg/L peroxide for 15 min into what the meter of the jar says: C Q t / 396.1 mL (CFR529.1150).
    let flow = station.json("/api/v1/jars/J09").await["flow"]["flow_l_per_min"].as_f64().unwrap();
    let asked = "/api/v1/jars/J09/treatment?agent=hydrogen_peroxide&minutes=15&concentration=";
    let answer = station.json(&format!("{asked}500")).await;
    assert_eq!(answer["allowed"], true, "{answer}");
    let drug = answer["dose"]["drug_ml"].as_f64().unwrap();
    assert!((drug - 500.0 * flow * 15.0 / 396.1).abs() < 1e-9, "{answer}");
    assert!((answer["dose"]["feed_ml_per_min"].as_f64().unwrap() - drug / 15.0).abs() < 1e-9);
    let answer = station.json(&format!("{asked}5000")).await;
    assert!(answer["allowed"] == false && answer["dose"].is_null(), "{answer}");
}

/// A station like that of the page, as a configuration.
fn configuration(folder: &std::path::Path) -> std::path::PathBuf {
    let rows = |from: u32| {
        let names: Vec<String> = (from..from + 8).map(|n| format!("\"J{n:02}\"")).collect();
        format!("[[{}]]", names.join(", ")).replacen("[[", "[[", 1)
    };
    let text = format!(
        "[station]\nname = \"Alder Creek field station\"\ntime-zone = \"America/Chicago\"\naltitude-m = 410\n\
         water-type = \"lake-fed\"\ncountry-code = \"1\"\n[rack]\njar-temperature = \"{{jar}}T\"\njar-flow = \"{{jar}}F\"\n\
         [[rack.header]]\nid = \"A\"\nrows = {}\n[[rack.header]]\nid = \"B\"\nrows = {}\n[[rack.header]]\nid = \"C\"\nrows = {}\n\
         [[source.serial]]\nid = \"board\"\nport = \"/dev/serial/by-id/usb-station-board\"\nbaud = 115200\nformat = \"xdr\"\n\
         interval = \"10s\"\n[store]\nfolder = \"{}\"\n",
        rows(1),
        rows(9),
        rows(17),
        folder.display()
    );
    let path = folder.join("station.toml");
    std::fs::write(&path, text).unwrap();
    path
}

fn nightjar(arguments: &[&str]) -> (Option<i32>, String) {
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_nightjar")).args(arguments).output().unwrap();
    let text = format!("{}{}", String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
    (out.status.code(), text)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_report_and_records_of_past_years_go_through_the_command_line() {
    let station = station();
    let mut entries = season().entries;
    entries.sort_by_key(|entry| at(entry["happened_at"].as_str().unwrap()));
    for entry in &entries {
        assert_eq!(station.send(entry).await.0, StatusCode::CREATED);
    }
    let total = station.json("/api/v1/books?by=season").await["lines"]["2026"]["eggs_in"].as_f64().unwrap();
    station.store.close().await.unwrap();
    let folder = station._folder.path();
    let config = configuration(folder);
    let database = folder.join("books.sqlite");
    let (config, database) = (config.to_str().unwrap(), database.to_str().unwrap());
    let out = folder.join("report");
    let out_text = out.to_str().unwrap();
    let (code, text) = nightjar(&["season", "--config", config, "--database", database, "--out", out_text]);
    assert_eq!(code, Some(0), "{text}");
    let file = |name: &str| std::fs::read_to_string(out.join(name)).unwrap();
    let mut accounts = csv::Reader::from_reader(std::io::Cursor::new(file("accounts.csv")));
    let season = accounts.records().map(Result::unwrap).find(|row| &row[0] == "season").unwrap();
    assert_eq!(season[2], format!("{}", total.round()));
    // Every column of every file is explained.
    let meanings = file("columns.csv");
    for entry in std::fs::read_dir(&out).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name.ends_with(".csv") && name != "columns.csv" {
            for column in file(&name).lines().next().unwrap().split(',') {
                assert!(meanings.contains(&format!("{name},{column},")), "{name} {column}");
            }
        }
    }
    let page = file("season.html");
    assert!(
        page.contains("Alder Creek") && !page.contains("<svg onload") && page.contains("<svg class=\"lots\"")
    );
    let (code, text) = nightjar(&[
        "season",
        "--config",
        config,
        "--database",
        database,
        "--out",
        out_text,
        "--year",
        "1999",
    ]);
    assert!(code == Some(65) && text.contains("no take of 1999"), "{code:?} {text}");

    let map = folder.join("map.toml");
    std::fs::write(
        &map,
        "kind = \"take\"\nwho = \"archive\"\nhappened-at = { column = \"Date\", time = \"%Y-%m-%d\" }\n[fields]\n\
         take = { column = \"Take\" }\nspecies = { value = \"walleye\" }\nwater = { column = \"Lake\" }\n\
         fertilized_at = { column = \"Date\", time = \"%Y-%m-%d\" }\nfemales = { column = \"F\", number = true }\n\
         males = { column = \"M\", number = true }\n",
    )
    .unwrap();
    let table = folder.join("takes.csv");
    let good = "Take,Lake,Date,F,M\nP1,Alder Lake,2025-04-18,10,20\nP2,Alder Lake,2025-04-19,8,17\n";
    let import = |dry: bool| {
        let (map, table) = (map.to_str().unwrap(), table.to_str().unwrap());
        let mut words =
            vec!["import", "records", table, "--map", map, "--config", config, "--database", database];
        words.extend(dry.then_some("--dry-run"));
        nightjar(&words)
    };
    std::fs::write(
        &table,
        format!("{good}T01,Alder Lake,2025-04-20,8,17\nP3,Alder Lake,2025-04-20,many,17\n"),
    )
    .unwrap();
    let (code, text) = import(false);
    assert!(code == Some(65) && text.contains("line 5"), "{code:?} {text}");
    std::fs::write(&table, format!("{good}T01,Alder Lake,2025-04-20,8,17\n")).unwrap();
    let (code, text) = import(false);
    assert!(code == Some(65) && text.contains("T01"), "a name in use is refused: {code:?} {text}");
    std::fs::write(&table, good).unwrap();
    for (dry, words) in [(true, "dry run"), (false, "2 entries written"), (false, "0 entries written")] {
        let (code, text) = import(dry);
        assert!(code == Some(0) && text.contains(words), "{code:?} {text}");
    }
}
