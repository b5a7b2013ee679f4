//! The file as written. Every field may be missing here; what is required is checked later, so
//! that all problems can be told at once.

use serde::Deserialize;
use std::collections::BTreeMap;

/// The whole file.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Raw {
    pub station: Station,
    pub rack: Rack,
    pub sensor: Vec<Sensor>,
    pub source: Sources,
    pub alarm: Alarm,
    pub people: Vec<Person>,
    pub rota: Rota,
    pub notify: Notify,
    pub web: Web,
    pub store: Store,
    pub export: Export,
    pub species: BTreeMap<String, Species>,
}

/// `[station]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Station {
    pub name: Option<String>,
    pub time_zone: Option<String>,
    pub altitude_m: Option<f64>,
    pub water_type: Option<String>,
    pub country_code: Option<String>,
    pub supply: Option<String>,
    pub learns: Option<bool>,
}

/// `[rack]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Rack {
    pub header: Vec<Header>,
    pub jar_temperature: Option<String>,
    pub jar_flow: Option<String>,
    pub header_temperature: Option<String>,
    pub header_flow: Option<String>,
    pub jar_volume_l: Option<f64>,
}

/// `[[rack.header]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Header {
    pub id: Option<String>,
    pub rows: Vec<Vec<String>>,
    pub temperature: Option<String>,
    pub flow: Option<String>,
    pub supply: Option<String>,
}

/// `[[sensor]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Sensor {
    pub id: Option<String>,
    pub measures: Option<String>,
    pub signal: Option<String>,
    pub source: Option<String>,
    pub interval: Option<String>,
    pub low: Option<f64>,
    pub high: Option<f64>,
    pub factor: Option<f64>,
    pub offset: Option<f64>,
    pub curve: Option<String>,
    pub steinhart_hart: Option<Vec<f64>>,
    pub r25_ohm: Option<f64>,
    pub beta_k: Option<f64>,
    pub reference_ohm: Option<f64>,
    pub full_scale: Option<f64>,
    pub thermistor_low: Option<bool>,
    pub r0_ohm: Option<f64>,
    pub pulses_per_litre: Option<f64>,
    pub value_at_4_ma: Option<f64>,
    pub value_at_20_ma: Option<f64>,
}

/// `[source]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Sources {
    pub serial: Vec<Serial>,
    pub mqtt: Vec<Mqtt>,
    pub modbus: Vec<Modbus>,
}

/// `[[source.serial]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Serial {
    pub id: Option<String>,
    pub port: Option<String>,
    pub baud: Option<i64>,
    pub format: Option<String>,
    pub columns: Vec<String>,
    pub separator: Option<String>,
    pub interval: Option<String>,
    pub flow_unit: Option<String>,
}

/// `[[source.mqtt]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Mqtt {
    pub id: Option<String>,
    pub host: Option<String>,
    pub port: Option<i64>,
    pub client_id: Option<String>,
    pub username: Option<String>,
    pub password_file: Option<String>,
    pub topic: Vec<Topic>,
    pub in_flight: Option<i64>,
    pub interval: Option<String>,
}

/// `[[source.mqtt.topic]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Topic {
    pub filter: Option<String>,
    pub sensor: Option<String>,
    pub pointer: Option<String>,
    pub time_pointer: Option<String>,
}

/// `[[source.modbus]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Modbus {
    pub id: Option<String>,
    pub device: Option<String>,
    pub baud: Option<i64>,
    pub parity: Option<String>,
    pub address: Option<String>,
    pub interval: Option<String>,
    pub timeout: Option<String>,
    pub pause: Option<String>,
    pub register: Vec<Register>,
}

/// `[[source.modbus.register]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Register {
    pub sensor: Option<String>,
    pub unit: Option<i64>,
    pub table: Option<String>,
    pub address: Option<i64>,
    pub kind: Option<String>,
    pub word_order: Option<String>,
    pub byte_order: Option<String>,
    pub scale: Option<f64>,
    pub offset: Option<f64>,
}

/// `[alarm]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Alarm {
    pub no_flow_share: Option<f64>,
    pub low_flow_share: Option<f64>,
    pub high_flow_share: Option<f64>,
    pub rate_limit_c_per_h: Option<f64>,
    pub disagreement_c: Option<f64>,
    pub temperature: Vec<Temperature>,
    pub delay: BTreeMap<String, Delay>,
    pub eggs_have: EggsHave,
    pub action: BTreeMap<String, String>,
}

/// `[[alarm.temperature]]`: limits for one stage.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Temperature {
    pub stage: Option<String>,
    pub very_low_c: Option<f64>,
    pub low_c: Option<f64>,
    pub high_c: Option<f64>,
    pub very_high_c: Option<f64>,
}

/// `[alarm.delay.<kind>]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Delay {
    pub on: Option<String>,
    pub off: Option<String>,
    pub deadband: Option<f64>,
}

/// `[alarm.eggs-have]`: minutes without flow the station itself states for each stage.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct EggsHave {
    pub green: Option<String>,
    pub eyed: Option<String>,
    pub hatching: Option<String>,
}

/// `[[people]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Person {
    pub id: Option<String>,
    pub name: Option<String>,
    pub phone: Option<String>,
    pub email: Option<String>,
    pub quiet_hours: Option<String>,
    pub role: Option<String>,
    pub password_hash: Option<String>,
    pub pin_hash: Option<String>,
}

/// `[rota]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Rota {
    pub starts: Option<String>,
    pub hand_over: Option<String>,
    pub weeks: Vec<Vec<String>>,
    pub owner: Option<String>,
    pub exception: Vec<Exception>,
}

/// `[[rota.exception]]`: a swap or cover.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Exception {
    pub from: Option<String>,
    pub until: Option<String>,
    pub on_call: Vec<String>,
    pub agreed_by: Vec<String>,
}

/// `[notify]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Notify {
    pub email: Option<Email>,
    pub sms: Option<Sms>,
    pub webhook: Vec<Webhook>,
    pub heartbeat: Option<Heartbeat>,
    pub daily_at: Option<String>,
    pub sounder: Option<Sounder>,
    pub mail_folder: Option<String>,
}

/// `[notify.email]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Email {
    pub server: Option<String>,
    pub port: Option<i64>,
    pub tls: Option<String>,
    pub username: Option<String>,
    pub password_file: Option<String>,
    pub from: Option<String>,
    pub authority_file: Option<String>,
}

/// `[notify.sms]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Sms {
    pub port: Option<String>,
    pub baud: Option<i64>,
    pub pin_file: Option<String>,
    pub power_file: Option<String>,
    pub own_number: Option<String>,
}

/// `[[notify.webhook]]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Webhook {
    pub id: Option<String>,
    pub url: Option<String>,
    pub secret_file: Option<String>,
    pub authority_file: Option<String>,
    pub allow_local_http: Option<bool>,
}

/// `[notify.heartbeat]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Heartbeat {
    pub url: Option<String>,
    pub secret_file: Option<String>,
    pub every: Option<String>,
    pub allow_local_http: Option<bool>,
}

/// `[notify.sounder]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Sounder {
    pub file: Option<String>,
    pub on: Option<String>,
    pub off: Option<String>,
}

/// `[web]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Web {
    pub listen: Option<String>,
    pub reading: Option<String>,
    pub public_url: Option<String>,
    pub encryption: Option<String>,
    pub certificate_file: Option<String>,
    pub key_file: Option<String>,
}

/// `[store]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Store {
    pub folder: Option<String>,
    pub commit_every: Option<String>,
    pub backup_folder: Option<String>,
    pub keep_raw_days: Option<i64>,
}

/// `[export]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Export {
    pub influx: Option<Influx>,
    pub mqtt: Option<MqttOut>,
}

/// `[export.influx]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Influx {
    pub url: Option<String>,
    pub organisation: Option<String>,
    pub bucket: Option<String>,
    pub token_file: Option<String>,
    pub station_id: Option<String>,
}

/// `[export.mqtt]`
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct MqttOut {
    pub host: Option<String>,
    pub port: Option<i64>,
    pub client_id: Option<String>,
    pub username: Option<String>,
    pub password_file: Option<String>,
    pub station_id: Option<String>,
}

/// `[species.<key>]`: a station's own species, or other numbers for one of the table.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case", default)]
pub struct Species {
    pub common_name: Option<String>,
    pub hatch_c_days: Option<f64>,
    pub base_c: Option<f64>,
    pub eyed_share: Option<f64>,
    pub source: Option<String>,
}
