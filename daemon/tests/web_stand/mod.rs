//! An invented station behind the page: everything a page can show, without core and store. Used
//! by the tests and by the review server in `examples/`.

#![allow(dead_code, reason = "each user takes a part of it")]

use nightjar::alarm::event::{AlarmEvent, AlarmKind, Asset, Change, Code, EventId, Priority};
use nightjar::clock::{Clock, Now};
use nightjar::ids::{HeaderId, JarId, LotId, PersonId, SensorId, TakeId};
use nightjar::logbook::{Act, Entry, EntryId, HatchPoint, HatchSeen, Load, Note, Siphon, Void};
use nightjar::progress::followed::{Followed, Foreseen, Happened, Issued};
use nightjar::rack::{Conversion, Correction, Header, HeaderIx, Jar, JarIx, Measure, Place, Rack, Sensor};
use nightjar::reading::{Quality, Reason, SensorIx, SourceIx};
use nightjar::snapshot::{
    AlarmView, HeaderView, JarState, JarView, Latest, LotView, ProgressView, SensorView, Snapshot,
    SourceView, StageView,
};
use nightjar::web::backend::{
    Access, Asked, Backend, Beat, Booked, Bucket, COMMANDS_WAITING, Command, EntryFilter, Fate, Gap,
    HealthView, History, HistoryFault, JarLimits, Message, Metric, Person, Reply, Series, Species,
    StationFacts, Stretch,
};
use nightjar_calc::time::{Span, Timestamp, Zone};
use std::sync::{Arc, Mutex};
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

pub mod books;

/// Jars on a shelf.
const PER_SHELF: u16 = 8;

/// A rack of three shelves with eight jars each, a probe and a meter in every jar.
pub fn rack(shelves: u16) -> Rack {
    let name = |n: u16| format!("J{:02}", n + 1);
    let mut rack = Rack {
        station: "Alder Slough shed".into(),
        zone: Zone::named("America/Chicago").unwrap(),
        altitude_m: 402.0,
        pumps: Vec::new(),
        headers: Vec::new(),
        jars: Vec::new(),
        sensors: Vec::new(),
    };
    for shelf in 0..shelves {
        let header = HeaderIx(shelf);
        let letter = char::from(b'A' + u8::try_from(shelf).unwrap());
        let temperature =
            sensor(&mut rack, &format!("H{letter}T"), Measure::Temperature, Place::Header(header));
        let flow = sensor(&mut rack, &format!("H{letter}F"), Measure::Flow, Place::Header(header));
        rack.headers.push(Header {
            id: HeaderId::new(&letter.to_string()).unwrap(),
            temperature: Some(temperature),
            flow: Some(flow),
            pump: None,
        });
        for place in 0..PER_SHELF {
            let at = shelf * PER_SHELF + place;
            let ix = JarIx(at);
            // The jars of the third shelf have no probe of their own.
            let temperature = (shelf < 2)
                .then(|| sensor(&mut rack, &format!("{}T", name(at)), Measure::Temperature, Place::Jar(ix)));
            let flow = sensor(&mut rack, &format!("{}F", name(at)), Measure::Flow, Place::Jar(ix));
            rack.jars.push(Jar {
                id: JarId::new(&name(at)).unwrap(),
                header,
                row: shelf,
                place,
                temperature,
                flow: Some(flow),
                volume_l: 6.2,
            });
        }
    }
    sensor(&mut rack, "MAINS", Measure::Mains, Place::Site);
    rack
}

fn sensor(rack: &mut Rack, id: &str, measure: Measure, place: Place) -> SensorIx {
    let ix = SensorIx(u16::try_from(rack.sensors.len()).unwrap());
    rack.sensors.push(Sensor {
        id: SensorId::new(id).unwrap(),
        measure,
        place,
        source: SourceIx(0),
        interval: Span::from_secs(10),
        conversion: Conversion::Linear { factor: 1.0, offset: 0.0 },
        correction: Correction { factor: 1.0, offset: if id == "J03T" { -0.12 } else { 0.0 } },
        range: (-1.0, 40.0),
    });
    ix
}

fn latest(value: f64, at: Timestamp) -> Option<Latest> {
    Some(Latest { value, at, quality: Quality::Good, reason: Reason::None })
}

/// A lot as the invented season has it: name, days since fertilization, share of the way.
const LOTS: [(&str, &str, f64, f64); 3] = [
    ("WAE-26-1", "walleye", 12.2, 0.86),
    ("WAE-26-2", "walleye", 7.4, 0.52),
    ("NOP-26-1", "northern_pike", 3.1, 0.31),
];

/// The invented present.
pub fn snapshot(rack: &Rack, now: Now, troubled: bool) -> Snapshot {
    let jars: Vec<JarView> = (0..rack.jars.len()).map(|i| jar(rack, i, now, troubled)).collect();
    let mut snap = Snapshot {
        now,
        version: 7,
        headers: (0..rack.headers.len())
            .map(|i| HeaderView {
                temperature: latest(11.3 + i as f64 * 0.1, now.utc - Span::from_secs(6)),
                flow: latest(31.6 - i as f64, now.utc - Span::from_secs(6)),
            })
            .collect(),
        sensors: Vec::new(),
        lots: LOTS
            .iter()
            .map(|(id, species, ..)| LotView {
                id: (*id).into(),
                species: (*species).into(),
                jars: rack
                    .jars
                    .iter()
                    .zip(&jars)
                    .filter(|(_, j)| j.lot.as_deref() == Some(*id))
                    .map(|(jar, _)| jar.id.to_string())
                    .collect(),
                takes: vec![format!("T-{id}")],
            })
            .collect(),
        alarms: if troubled { alarms(now.utc) } else { Vec::new() },
        learning: Vec::new(),
        past_outlooks: None,
        season_outlooks: Arc::new(vec![followed(now.utc)]),
        sources: vec![
            SourceView {
                id: "board-1".into(),
                up: true,
                since: Some(now.utc - Span::from_hours(52)),
                detail: "115200 baud".into(),
                frames: 18_722,
                refused: 3,
            },
            SourceView {
                id: "barn-broker".into(),
                up: !troubled,
                since: Some(now.utc - Span::from_minutes(9)),
                detail: if troubled { "connection refused".into() } else { "subscribed".into() },
                frames: 90_211,
                refused: 0,
            },
        ],
        hand_over: None,
        last_told: Some((
            now.utc - Span::from_minutes(if troubled { 2 } else { 95 }),
            if troubled { "Kim, text: no flow header B".into() } else { "everybody, mail: all well".into() },
        )),
        jars,
    };
    snap.sensors = rack
        .sensors
        .iter()
        .map(|s| {
            let value = match s.place {
                Place::Jar(ix) => {
                    let jar = &snap.jars[usize::from(ix.0)];
                    if s.measure == Measure::Flow { jar.flow } else { jar.temperature }
                }
                Place::Header(ix) => {
                    let header = &snap.headers[usize::from(ix.0)];
                    if s.measure == Measure::Flow { header.flow } else { header.temperature }
                }
                Place::Site => latest(1.0, now.utc - Span::from_secs(2)),
            };
            SensorView {
                stale: value.is_none_or(|v| v.reason == Reason::Stale),
                latest: value,
                readings: 18_700,
                rejected: u64::from(s.id.as_str() == "J05T") * 41,
            }
        })
        .collect();
    snap
}

fn jar(rack: &Rack, at: usize, now: Now, troubled: bool) -> JarView {
    let header = usize::from(rack.jars[at].header.0);
    let heard = now.utc - Span::from_secs(4);
    let wobble = (at as f64 * 1.7).sin();
    let mut view = JarView {
        state: JarState::Empty,
        lot: None,
        species: None,
        loaded_at: None,
        eggs: None,
        eggs_l: None,
        temperature: None,
        temperature_borrowed: header == 2,
        flow: latest(0.0, heard),
        set_flow: None,
        progress: None,
        alarms: Vec::new(),
        minutes_without_flow: None,
    };
    if at % 8 == 7 && header > 0 {
        view.temperature = latest(11.3, heard);
        return view;
    }
    let (lot, species, days, share) = LOTS[header.min(2)];
    view.state = if share > 0.85 && at.is_multiple_of(4) {
        JarState::Hatching
    } else if share > 0.5 {
        JarState::Eyed
    } else {
        JarState::Green
    };
    view.lot = Some(lot.into());
    view.species = Some(species.into());
    view.loaded_at = Some(now.utc - Span::from_days(days - 1.0));
    view.eggs = Some(182_400.0 - at as f64 * 1_450.0);
    view.eggs_l = Some(1.42);
    view.temperature = latest(11.4 + 0.2 * wobble, heard);
    view.flow = latest(3.9 + 0.2 * wobble, heard);
    view.set_flow = Some(4.0);
    view.minutes_without_flow = Some((38.0, 21.0));
    view.progress = Some(Arc::new(progress(now.utc, days, share, species)));
    if troubled {
        match at {
            8..=14 => {
                view.flow = latest(0.1, heard);
                view.alarms = vec![EventId(41)];
            }
            2 => {
                view.temperature = latest(13.2, heard);
                view.alarms = vec![EventId(39)];
            }
            4 => {
                view.temperature = Some(Latest {
                    value: 11.2,
                    at: now.utc - Span::from_minutes(23),
                    quality: Quality::Uncertain,
                    reason: Reason::Stale,
                });
                view.alarms = vec![EventId(38)];
            }
            5 => view.temperature = None,
            _ => {}
        }
    }
    view
}

/// Ten days of outlooks of jar J03, ever nearer to the truth.
fn followed(now: Timestamp) -> Followed {
    let truth = [("eyed", -4.4), ("hatch_start", -0.2), ("hatch_peak", 2.0), ("hatch_end", 3.2)];
    let outlooks = (0..10_i32).map(|n| {
        let at = now - Span::from_days(10.0 - f64::from(n));
        let foreseen = truth.iter().filter_map(|(stage, days)| {
            let ahead = (now + Span::from_days(*days)).since(at).days();
            let likely = now + Span::from_days(days + 0.12 * ahead * (f64::from(n) * 1.3).sin());
            (ahead > 0.0).then(|| Foreseen {
                stage: (*stage).into(),
                earliest: Some(likely - Span::from_days(0.15 * ahead)),
                likely,
                latest: Some(likely + Span::from_days(0.2 * ahead)),
            })
        });
        Issued { at, development: 0.3 + 0.06 * f64::from(n), stages: foreseen.collect() }
    });
    let came = |(stage, days): &(&str, f64)| {
        ((*stage).to_owned(), Happened { at: now + Span::from_days(*days), seen: *stage == "eyed" })
    };
    Followed {
        lot: LOTS[0].0.into(),
        jar: "J03".into(),
        outlooks: outlooks.collect(),
        happened: truth[..2].iter().map(came).collect(),
    }
}

fn progress(now: Timestamp, days: f64, share: f64, species: &str) -> ProgressView {
    let from = now - Span::from_days(days);
    let whole = days / share;
    let stage = |stage, part: f64, seen: bool| {
        let at = from + Span::from_days(whole * part);
        let reached = part < share;
        StageView {
            stage,
            at: reached.then_some(at),
            seen: reached && seen,
            earliest: (!reached).then(|| at - Span::from_days((part - share) * whole * 0.2)),
            likely: (!reached).then_some(at),
            latest: (!reached).then(|| at + Span::from_days((part - share) * whole * 0.25)),
        }
    };
    ProgressView {
        fertilized_at: from,
        as_of: now,
        c_days: days * 11.1,
        coverage: 0.994,
        bridged_h: 1.25,
        uncounted_h: 0.0,
        development: share,
        stages: vec![
            stage("eyed", 0.55, true),
            stage("hatch_start", 0.85, true),
            stage("hatch_peak", 1.0, false),
            stage("hatch_end", 1.1, false),
        ],
        clocks: Vec::new(),
        basis: "station history, 4 springs".into(),
        confidence: if species == "walleye" { "low" } else { "medium" }.into(),
        warnings: if species == "walleye" {
            vec!["no verified sum to eye-up is published for walleye".into()]
        } else {
            Vec::new()
        },
    }
}

/// Four alarms in four states.
pub fn alarms(now: Timestamp) -> Vec<AlarmView> {
    let base = AlarmView {
        event: EventId(41),
        kind: AlarmKind::NoFlowHeader,
        asset: Asset::Header("B".into()),
        priority: Priority::P1,
        code: Code("M4T".into()),
        on: true,
        acknowledged: None,
        suppressed: None,
        members: (9..=15).map(|n| format!("J{n:02}")).collect(),
        members_total: 7,
        value: Some(0.1),
        limit: Some(0.4),
        unit: "L/min".into(),
        since: now - Span::from_minutes(3),
        unverified: false,
        chattering: false,
        action: "go to the site, start the standby pump, open the bypass".into(),
        line: "P1 NO FLOW header B: 7 of 7 jars below limit. 02:14. Reply ACK M4T".into(),
    };
    let one = |event, kind, jar: &str, priority| AlarmView {
        event: EventId(event),
        kind,
        asset: Asset::Jar(jar.into()),
        priority,
        members: vec![jar.into()],
        members_total: 1,
        ..base.clone()
    };
    vec![
        base.clone(),
        AlarmView {
            acknowledged: Some(("Kim".into(), now + Span::from_minutes(80))),
            value: Some(13.2),
            limit: Some(13.0),
            unit: "°C".into(),
            since: now - Span::from_minutes(41),
            action: "check chiller, season and source".into(),
            ..one(39, AlarmKind::TempHigh, "J03", Priority::P2)
        },
        AlarmView {
            value: None,
            limit: None,
            since: now - Span::from_minutes(22),
            action: "replace the probe".into(),
            ..one(38, AlarmKind::BlindTemp, "J05", Priority::P3)
        },
        AlarmView {
            suppressed: Some(("paused by Kim".into(), Some(now + Span::from_hours(2)))),
            value: Some(1.1),
            limit: Some(0.5),
            unit: "°C".into(),
            since: now - Span::from_hours(5),
            action: "check the probe".into(),
            ..one(35, AlarmKind::Disagrees, "J24", Priority::P3)
        },
    ]
}

/// A record in memory.
pub struct Memory {
    /// Present of the invented record.
    pub now: Timestamp,
    /// Entries, oldest first.
    pub entries: Mutex<Vec<Booked>>,
    /// Answers every read with a fault when set.
    pub broken: bool,
}

impl Memory {
    /// With a few entries.
    pub fn new(now: Timestamp) -> Self {
        let entry = |id: &str, hours: i64, act| Booked {
            entry: Entry {
                id: EntryId(id.into()),
                happened_at: now - Span::from_hours(hours),
                written_at: now - Span::from_hours(hours) + Span::from_minutes(1),
                who: PersonId::new("kim").unwrap(),
                act,
            },
            voided: None,
        };
        let j3 = || JarId::new("J03").unwrap();
        let lot = LotId::new("WAE-26-1").unwrap();
        let mut entries = vec![
            entry(
                "entry-0001",
                270,
                Act::Load(Load { jar: j3(), lot, volume_l: 1.5, eggs: Some(187_500.0) }),
            ),
            entry("entry-0002", 60, Act::Siphon(Siphon { jar: j3(), volume_ml: 40.0, dead_share: 1.0 })),
            entry("entry-0003", 31, Act::Siphon(Siphon { jar: j3(), volume_ml: 35.0, dead_share: 0.9 })),
            entry("entry-0004", 6, Act::HatchSeen(HatchSeen { jar: j3(), point: HatchPoint::First })),
            entry(
                "entry-0005",
                3,
                Act::Note(Note { jar: Some(j3()), text: "<svg onload=alert(1)> roll looks slow".into() }),
            ),
        ];
        entries[2].voided =
            Some((PersonId::new("ada").unwrap(), now - Span::from_hours(30), "wrong jar".into()));
        Self { now, entries: Mutex::new(entries), broken: false }
    }

    fn whole<T>(&self, value: T) -> Result<T, HistoryFault> {
        if self.broken { Err(HistoryFault("the file is not readable".into())) } else { Ok(value) }
    }
}

fn jar_of(act: &Act) -> Option<String> {
    let value = serde_json::to_value(act).unwrap();
    value["jar"].as_str().map(str::to_owned)
}

impl History for Memory {
    fn series(&self, sensor: SensorIx, span: Stretch, buckets: usize) -> Result<Series, HistoryFault> {
        let slice = (span.to.since(span.from).ms() / i64::try_from(buckets).unwrap()).max(10_000);
        let flow = sensor.0 % 2 == 1;
        let mut series = Series::default();
        let day = 86_400_000.0;
        let gap =
            Stretch { from: self.now - Span::from_minutes(1_900), to: self.now - Span::from_minutes(1_700) };
        let short =
            Stretch { from: self.now - Span::from_minutes(640), to: self.now - Span::from_minutes(590) };
        for i in 0..i64::try_from(buckets).unwrap() {
            let at = span.from + Span::from_ms(i * slice);
            let hidden = |g: Stretch| at >= g.from && at < g.to;
            if hidden(gap) || hidden(short) {
                continue;
            }
            let t = at.ms() as f64;
            let noise = ((i * 7_919) % 101) as f64 / 101.0 - 0.5;
            let value = if flow {
                3.9 + 0.15 * noise
            } else {
                10.8 + 0.7 * (t / day * std::f64::consts::TAU).sin()
                    + 0.3 * (t / (9.0 * day)).sin()
                    + 0.08 * noise
            };
            series.buckets.push(Bucket {
                first_at: at,
                last_at: at + Span::from_ms(slice * 9 / 10),
                first: value,
                last: value + 0.02,
                min: value - 0.06,
                max: value + if i % 97 == 3 { 1.4 } else { 0.06 },
                doubtful: u32::from(i % 97 == 3),
                samples: 20,
            });
        }
        let within = |g: &Gap| g.stretch.from >= span.from;
        series.gaps = [Gap { stretch: gap, bridged: false }, Gap { stretch: short, bridged: true }]
            .into_iter()
            .filter(within)
            .collect();
        self.whole(series)
    }

    fn entries(&self, filter: &EntryFilter) -> Result<Vec<Booked>, HistoryFault> {
        let list = self.entries.lock().unwrap();
        self.whole(
            list.iter()
                .rev()
                .filter(|b| filter.jar.as_ref().is_none_or(|j| jar_of(&b.entry.act).as_ref() == Some(j)))
                .filter(|b| {
                    let kind =
                        serde_json::to_value(&b.entry.act).unwrap()["kind"].as_str().unwrap().to_owned();
                    filter.kind.as_ref().is_none_or(|k| *k == kind)
                })
                .filter(|b| filter.before.is_none_or(|t| b.entry.happened_at < t))
                .take(filter.limit)
                .cloned()
                .collect(),
        )
    }

    fn journal(&self, event: Option<EventId>, limit: usize) -> Result<Vec<AlarmEvent>, HistoryFault> {
        let alarm = |id: u64, seq, minutes: i64, change| AlarmEvent {
            event: EventId(id),
            seq,
            change,
            kind: if id == 41 { AlarmKind::NoFlowHeader } else { AlarmKind::TempHigh },
            asset: if id == 41 { Asset::Header("B".into()) } else { Asset::Jar("J03".into()) },
            priority: if id == 41 { Priority::P1 } else { Priority::P2 },
            members: Vec::new(),
            members_total: 1,
            value: None,
            limit: None,
            unit: String::new(),
            since: self.now - Span::from_minutes(minutes),
            at: self.now - Span::from_minutes(minutes),
            clock_trusted: id == 41,
            code: Code("M4T".into()),
            eggs_have: None,
            hint: String::new(),
            unverified: false,
            chattering: false,
        };
        let kim = PersonId::new("kim").unwrap();
        let all = vec![
            alarm(41, 1, 3, Change::Raised),
            alarm(39, 2, 39, Change::Acknowledged { by: kim, until: self.now + Span::from_minutes(80) }),
            alarm(39, 1, 41, Change::Raised),
        ];
        self.whole(all.into_iter().filter(|a| event.is_none_or(|e| e == a.event)).take(limit).collect())
    }

    fn messages(&self, event: Option<EventId>, limit: usize) -> Result<Vec<Message>, HistoryFault> {
        let message = |id, minutes: i64, route: &str, event, text: &str, fate| Message {
            id,
            at: self.now - Span::from_minutes(minutes),
            to: "Kim".into(),
            route: route.into(),
            event,
            subject: if route == "mail" {
                "[P1] No flow header B (7/7 jars) since 02:14".into()
            } else {
                String::new()
            },
            text: text.into(),
            fate,
        };
        let sent = Fate::Sent { at: self.now - Span::from_minutes(2) };
        let line = "P1 NO FLOW header B: 7 of 7 jars below limit. Likely pump/header. 02:14. Reply ACK M4T";
        let all = vec![
            message(4, 2, "text", Some(EventId(41)), line, sent),
            message(
                3,
                2,
                "mail",
                Some(EventId(41)),
                line,
                Fate::Waiting { attempts: 2, answer: "451 try again later".into() },
            ),
            message(
                2,
                40,
                "text",
                Some(EventId(39)),
                "P2 TEMP HIGH Jar J03 13.2 C, limit 13.0",
                Fate::Withheld,
            ),
            message(1, 600, "webhook", None, "daily all well", Fate::Failed { answer: "410 gone".into() }),
        ];
        self.whole(all.into_iter().filter(|m| event.is_none() || m.event == event).take(limit).collect())
    }
}

/// Everything needed to drive the page in a test.
pub struct Stand {
    /// What the page is made from.
    pub backend: Backend,
    /// Replaces the present.
    pub present: watch::Sender<Arc<Snapshot>>,
    /// What the page asked the core for.
    pub asked: mpsc::Receiver<Asked>,
    /// The record.
    pub memory: Arc<Memory>,
}

/// Builds it.
pub fn stand(clock: Arc<dyn Clock>, troubled: bool) -> Stand {
    let rack = Arc::new(rack(3));
    let now = clock.now();
    let (present, snapshot) = watch::channel(Arc::new(snapshot(&rack, now, troubled)));
    let (commands, asked) = mpsc::channel(COMMANDS_WAITING);
    let memory = Arc::new(Memory::new(now.utc));
    let backend = Backend {
        rack,
        snapshot,
        commands,
        history: Arc::clone(&memory) as Arc<dyn History>,
        clock,
        people: Arc::new(Vec::new()),
        access: Access {
            reading_open: true,
            secure: false,
            sign_in: true,
            demo: Some(PersonId::new("demo").unwrap()),
            hosts: Vec::new(),
        },
        species: Arc::new(vec![
            Species { key: "walleye".into(), name: "walleye".into() },
            Species { key: "northern_pike".into(), name: "northern pike".into() },
        ]),
        limits: Arc::new(|_| JarLimits {
            temp_very_low: Some(5.0),
            temp_low: Some(7.0),
            temp_high: Some(13.0),
            temp_very_high: Some(16.0),
            flow_none: Some(0.4),
            flow_low: Some(3.0),
            flow_high: Some(5.0),
        }),
        health: Arc::new(|| HealthView {
            beats: vec![Beat { task: "core", age_s: 0.4, limit_s: 15.0 }],
            faults: Vec::new(),
            metrics: vec![Metric {
                name: "readings",
                help: "Readings taken.",
                counter: true,
                label: None,
                value: 3.0,
            }],
        }),
        sessions: None,
        station: Arc::new(move || StationFacts {
            rota: vec![
                ("told first".into(), "Kim".into()),
                ("told second".into(), "Ada".into()),
                ("told last".into(), "Olga".into()),
            ],
            routes: vec![
                ("mail".into(), "took its last message".into()),
                ("text".into(), "failing; last said: no network".into()),
            ],
            last_drill: Some((now.utc - Span::from_days(9.0), "answered after 2 min".into())),
            stores: vec![
                ("database".into(), "48.2 MB and 1.1 MB of log".into()),
                ("free space".into(), "11402.7 MB".into()),
                ("messages".into(), "1 waiting, 0 being sent, 0 refused for good".into()),
            ],
            authority: None,
        }),
        stop: CancellationToken::new(),
    };
    Stand { backend, present, asked, memory }
}

/// Somebody who may do what the role allows.
pub fn person(
    id: &str,
    role: nightjar::web::backend::Role,
    password: Option<&str>,
    pin: Option<&str>,
) -> Person {
    use argon2::password_hash::PasswordHasher;
    let hash = |secret: &str| {
        nightjar::web::backend::Hashed(
            argon2::Argon2::default().hash_password(secret.as_bytes()).unwrap().to_string(),
        )
    };
    Person {
        id: PersonId::new(id).unwrap(),
        name: id.into(),
        role,
        password: password.map(hash),
        pin: pin.map(hash),
    }
}

/// Books entries into the record and says yes to everything else, as a core would.
pub async fn play_core(mut asked: mpsc::Receiver<Asked>, memory: Arc<Memory>) {
    while let Some(Asked { command, reply }) = asked.recv().await {
        let answer = match command {
            Command::Entry(entry) => book(&memory, *entry),
            Command::Acknowledge { .. }
            | Command::OnCall { .. }
            | Command::Confirm { .. }
            | Command::Shelve { .. }
            | Command::Unshelve { .. }
            | Command::OutOfService { .. }
            | Command::BackInService { .. } => Reply::Done,
        };
        let _nobody_waits = reply.send(answer);
    }
}

/// Books one entry, as a core would.
pub fn book(memory: &Memory, entry: Entry) -> Reply {
    let mut entries = memory.entries.lock().unwrap();
    if entries.iter().any(|b| b.entry.id == entry.id) {
        return Reply::Already;
    }
    if let Act::Siphon(siphon) = &entry.act
        && siphon.volume_ml > 1_500.0
    {
        return Reply::Refused("jar J03 holds 1420 mL of eggs; 2000 mL cannot be siphoned".into());
    }
    if let Act::Void(Void { entry: id, reason, .. }) = &entry.act {
        match entries.iter_mut().find(|b| b.entry.id == *id) {
            Some(booked) => booked.voided = Some((entry.who.clone(), entry.written_at, reason.clone())),
            None => return Reply::Refused("there is no such entry".into()),
        }
    }
    entries.push(Booked { entry, voided: None });
    Reply::Done
}

/// A take's name, for forms.
pub fn take() -> TakeId {
    TakeId::new("T-0418").unwrap()
}
