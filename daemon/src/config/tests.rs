use super::*;

const SMALL: &str = r#"
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

#[test]
fn a_small_station_needs_a_dozen_lines() {
    let config = parse(SMALL, "small.toml").unwrap();
    let names: Vec<_> = config.rack.sensors.iter().map(|sensor| sensor.id.as_str()).collect();
    assert_eq!(names, ["J01T", "J01F", "J02T", "J02F"]);
    assert_eq!(config.rack.jars[1].flow, Some(crate::reading::SensorIx(3)));
}

#[test]
fn headers_that_name_the_same_supply_share_it() {
    let more = "[[rack.header]]\nid = \"B\"\nsupply = \" pump 1 \"\nrows = [[\"03\"]]\n\
                [[rack.header]]\nid = \"C\"\nsupply = \"tank\"\nrows = [[\"04\"]]\n";
    let first = SMALL.replace("id = \"A\"\n", "id = \"A\"\nsupply = \"pump 1\"\n");
    let rack = parse(&format!("{first}{more}"), "small.toml").unwrap().rack;
    assert_eq!(rack.pumps, ["pump 1", "tank"]);
    let of: Vec<_> = rack.headers.iter().map(|header| header.pump.map(|pump| pump.0)).collect();
    assert_eq!(of, [Some(0), Some(0), Some(1)]);
    assert_eq!(parse(SMALL, "small.toml").unwrap().rack.headers[0].pump, None);

    let nameless = SMALL.replace("id = \"A\"\n", "id = \"A\"\nsupply = \" \"\n");
    let refused = parse(&nameless, "small.toml").unwrap_err().to_string();
    assert!(refused.contains("rack.header[0].supply"), "{refused}");
}

#[test]
fn every_problem_is_told_at_once_with_its_line() {
    let text = r#"
[station]
name = "Alder Creek"
time-zone = "America/Chigaco"
altitude-m = "high"

[[rack.header]]
id = "A"
rows = [["01", "02", "01"]]

[[sensor]]
id = "J02TT"
offset = 0.1

[[source.serial]]
id = "board"
port = "/dev/ttyACM0"
intervall = "10s"
interval = "5 mins please"

[alarm]
low-flow-share = 1.2
"#;
    let refused = parse(text, "monitor.toml").unwrap_err();
    insta::assert_snapshot!(refused.to_string(), @r#"
    monitor.toml has 7 problems:
      line 4: station.time-zone: "America/Chigaco" is not a time zone; use a name like America/Chicago
          hint: the names are those of the zone database, as in timedatectl list-timezones
      line 5: station.altitude-m: a number is wanted here, not text
          hint: write it without quotes
      line 9: rack.header[0].rows[0][2]: two jars are called "01"
      line 12: sensor[0].id: sensor "J02TT" sits on no jar and no header
          hint: did you mean "J02T"?
      line 18: no setting is called "intervall" here
          hint: did you mean "interval"?
      line 19: source.serial[0].interval: "5 mins please" is not a duration
          hint: write it like "5m" or "90s"
      line 21: alarm: flow shares are crossed
          hint: they are shares of the jar's set flow: no-flow-share < low-flow-share < 1 < high-flow-share
    "#);
}

#[test]
fn text_that_is_no_toml_is_one_clear_problem() {
    let refused = parse("[station\nname = ", "broken.toml").unwrap_err();
    assert_eq!(refused.problems[0].line, Some(1), "{refused}");
}

#[test]
fn a_delay_that_the_eggs_do_not_have_is_refused() {
    let text = format!("{SMALL}\n[alarm.delay.no-flow]\non = \"5m\"\n");
    let refused = parse(&text, "x").unwrap_err();
    assert!(refused.to_string().contains("more than a fifth"), "{refused}");
}

#[test]
fn the_environment_may_move_the_page() {
    let over = overrides::Overrides::collect(|name| {
        (name == "NIGHTJAR_WEB_LISTEN").then(|| "127.0.0.1:9999".to_owned())
    });
    assert_eq!(parse_with(SMALL, "x", &over).unwrap().web.listen.port(), 9999);
}

#[test]
fn secrets_do_not_show() {
    assert_eq!(format!("{:?}", checked::Secret("swordfish".into())), "[hidden]");
}
