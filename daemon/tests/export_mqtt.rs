//! The station's own state on a broker: retained documents, sequence, last will and farewell,
//! against mosquitto as Debian packages it.
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test that cannot go on has failed, and says what it measured"
)]

mod export_stand;
mod web_stand;

use export_stand::{LIMIT, Stand, stand};
use nightjar::clock::{Clock, NotBeforeBuild, SystemClock};
use nightjar::config::checked::MqttOut;
use nightjar::export::mqtt::{MqttOutHealth, Pace, Publisher};
use nightjar_calc::time::Span;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio_util::sync::CancellationToken;

struct Broker(Child, u16);

impl Broker {
    fn start() -> Option<Self> {
        let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let started = Command::new("/usr/sbin/mosquitto")
            .args(["-p", &port.to_string()])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        match started {
            Ok(child) => Some(Self(child, port)),
            Err(error) => {
                println!("mosquitto cannot be started ({error}): not tested against it");
                None
            }
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// Somebody else on the broker.
struct Listener(EventLoop, AsyncClient);

impl Listener {
    async fn connect(port: u16, name: &str) -> Self {
        let mut options = MqttOptions::new(name, "127.0.0.1", port);
        options.set_max_packet_size(256 * 1024, 256 * 1024);
        let (client, mut events) = AsyncClient::new(options, 64);
        client.try_subscribe("nightjar/#", QoS::AtLeastOnce).unwrap();
        let confirmed = async {
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(Packet::SubAck(_))) => break,
                    Ok(_) => {}
                    // The broker needs a moment to listen.
                    Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
                }
            }
        };
        tokio::time::timeout(LIMIT, confirmed).await.unwrap();
        Self(events, client)
    }

    /// The next document that fits.
    async fn until(&mut self, fits: impl Fn(&str, &serde_json::Value, bool) -> bool) -> serde_json::Value {
        let wait = async {
            loop {
                if let Ok(Event::Incoming(Packet::Publish(publish))) = self.0.poll().await {
                    let document: serde_json::Value = serde_json::from_slice(&publish.payload).unwrap();
                    if fits(&publish.topic, &document, publish.retain) {
                        return document;
                    }
                }
            }
        };
        tokio::time::timeout(LIMIT, wait).await.expect("the document never came")
    }
}

fn publisher(stand: &Stand, port: u16) -> (Publisher, watch::Receiver<MqttOutHealth>) {
    let settings = MqttOut {
        host: "127.0.0.1".into(),
        port,
        client_id: "nightjar-out-kettle-point".into(),
        sign_in: None,
        station_id: "kettle-point".into(),
    };
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::new(Box::new(NotBeforeBuild)));
    let (publisher, health) =
        Publisher::new(settings, stand.rack.clone(), stand.store.clone(), stand.picture.clone(), clock);
    let pace = Pace {
        status_every: Span::from_ms(300),
        look_every: Span::from_ms(50),
        numbers_every: Span::from_ms(100),
    };
    (publisher.at_pace(pace), health)
}

const STATUS: &str = "nightjar/kettle-point/monitor/status";

#[tokio::test(flavor = "multi_thread")]
async fn jars_and_status_are_retained_and_the_sequence_counts_until_the_farewell() {
    let stand = stand();
    let Some(broker) = Broker::start() else { return };
    let mut early = Listener::connect(broker.1, "early").await;
    let (publisher, _) = publisher(&stand, broker.1);
    let stop = CancellationToken::new();
    let task = tokio::spawn(publisher.run(stop.clone()));
    let first = early.until(|topic, _, _| topic == STATUS).await;
    assert_eq!((&first["state"], &first["name"]), (&"online".into(), &stand.rack.station.as_str().into()));
    let seq = first["seq"].as_u64().unwrap();
    early.until(|topic, document, _| topic == STATUS && document["seq"].as_u64() >= Some(seq + 2)).await;

    // Somebody who comes later finds all of it kept by the broker.
    let mut late = Listener::connect(broker.1, "late").await;
    let jar = late.until(|topic, _, kept| kept && topic == "nightjar/kettle-point/jar/J03/state").await;
    assert_eq!((&jar["jar"], &jar["header"]), (&"J03".into(), &"A".into()));
    assert!(jar["thermal_units"]["c_days"].as_f64().unwrap() > 0.0);
    assert_eq!(jar["alarms"][0]["kind"], "temp_high");
    println!("{jar}");

    // An alarm that ends is there at once, although the numbers stay.
    let mut picture = (*stand.picture.borrow().clone()).clone();
    picture.jars.iter_mut().for_each(|jar| jar.alarms.clear());
    stand.picture_in.send_replace(Arc::new(picture));
    early
        .until(|topic, document, _| {
            topic.ends_with("/jar/J03/state") && document["alarms"].as_array().is_some_and(Vec::is_empty)
        })
        .await;

    stop.cancel();
    let last = early.until(|topic, document, _| topic == STATUS && document["state"] != "online").await;
    assert_eq!(last["state"], "stopped", "and not the will");
    task.await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_that_vanishes_is_offline_by_its_will() {
    let stand = stand();
    let Some(broker) = Broker::start() else { return };
    let mut listener = Listener::connect(broker.1, "listener").await;
    let (publisher, _) = publisher(&stand, broker.1);
    let task = tokio::spawn(publisher.run(CancellationToken::new()));
    listener.until(|topic, document, _| topic == STATUS && document["state"] == "online").await;
    // The connection breaks without a farewell.
    task.abort();
    let will = listener.until(|topic, document, _| topic == STATUS && document["state"] != "online").await;
    assert_eq!(will["state"], "offline");
    drop(listener.1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_broker_that_comes_back_without_memory_gets_everything_again() {
    let stand = stand();
    let Some(broker) = Broker::start() else { return };
    let port = broker.1;
    let (publisher, health) = publisher(&stand, port);
    let stop = CancellationToken::new();
    let task = tokio::spawn(publisher.run(stop.clone()));
    let mut seen = health.clone();
    tokio::time::timeout(LIMIT, seen.wait_for(|health| health.connected)).await.unwrap().unwrap();
    drop(broker);
    tokio::time::timeout(LIMIT, seen.wait_for(|health| !health.connected)).await.unwrap().unwrap();
    let again = Command::new("/usr/sbin/mosquitto")
        .args(["-p", &port.to_string()])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let _broker = Broker(again, port);
    let mut listener = Listener::connect(port, "listener").await;
    listener.until(|topic, _, _| topic == "nightjar/kettle-point/jar/J24/state").await;
    stop.cancel();
    task.await.unwrap();
}
