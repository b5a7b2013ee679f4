//! A configuration whose alarms could not be trusted is refused, with the place and a way out.

use nightjar::config::parse;

const STATION: &str = r#"
[station]
name = "Alder Creek field station"
time-zone = "America/Chicago"

[[rack.header]]
id = "A"
rows = [["01", "02"]]

[[source.serial]]
id = "board"
port = "/dev/serial/by-id/board"
"#;

fn refused(alarm: &str) -> String {
    match parse(&format!("{STATION}\n{alarm}"), "monitor.toml") {
        Ok(_) => panic!("accepted: {alarm}"),
        Err(refused) => refused.to_string(),
    }
}

fn check(alarm: &str, says: &[&str]) {
    let text = refused(alarm);
    for word in says {
        assert!(text.contains(word), "{alarm}\nsays {text}\nwithout {word:?}");
    }
}

#[test]
fn an_alarm_without_a_written_action_is_refused() {
    check("[alarm.action]\nno-flow = \"  \"\n", &["line 15", "alarm.action.no-flow", "says nothing", "hint"]);
}

#[test]
fn an_on_delay_over_a_fifth_of_the_minutes_the_eggs_have_is_refused_for_the_worst_stage() {
    // Three minutes at hatching: a fifth is 36 s.
    let eggs = "[alarm.eggs-have]\ngreen = \"40m\"\neyed = \"10m\"\nhatching = \"3m\"\n";
    for kind in ["no-flow", "low-flow", "no-flow-header"] {
        let delay = format!("{eggs}[alarm.delay.{kind}]\non = \"37s\"\n");
        check(&delay, &[&format!("alarm.delay.{kind}.on"), "fifth", "3m", "hint"]);
        let just = format!("{STATION}\n{eggs}[alarm.delay.{kind}]\non = \"36s\"\n");
        assert!(parse(&just, "monitor.toml").is_ok(), "{kind}");
    }
    // Nobody set a delay, but the eggs have less than the shipped one allows.
    check("[alarm.eggs-have]\nhatching = \"2m\"\n", &["low-flow", "fifth of the 2m"]);
}

#[test]
fn crossed_limits_are_refused() {
    check(
        "[alarm]\nno-flow-share = 0.8\nlow-flow-share = 0.7\n",
        &["crossed", "no-flow-share < low-flow-share"],
    );
    check("[alarm]\nhigh-flow-share = 0.9\n", &["crossed"]);
    check(
        "[[alarm.temperature]]\nstage = \"eyed\"\nhigh-c = 15.0\nvery-high-c = 14.0\n",
        &["alarm.temperature[0]", "crossed", "very-low-c < low-c < high-c < very-high-c"],
    );
    check("[[alarm.temperature]]\nlow-c = 16.0\nhigh-c = 15.0\n", &["crossed"]);
}
