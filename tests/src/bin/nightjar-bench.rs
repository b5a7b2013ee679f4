//! Prints the table of performance; see `tests/bench`.

use anyhow::{Context, Result, bail};
use nightjar_tests::bench::station::{Plan, Station};
use nightjar_tests::bench::table::{Goal, Row, text};
use nightjar_tests::bench::{
    Effort, alarms, imports, outlook, pages, process, rates, restart, soak, steady, stopwatch,
};
use nightjar_tests::programs;
use std::io::Write;
use std::path::Path;

const PARTS: [&str; 12] = [
    "size", "rates", "imports", "bytes", "steady", "tenfold", "many", "pages", "restart", "alarms",
    "outlook", "soak",
];

/// To those who wait: what is being measured.
fn say(what: &str) {
    drop(writeln!(std::io::stderr(), "{what}"));
}

/// The program as it is measured, and as it ships where `deploy/build` or `cargo build --profile
/// shipped` was run before.
fn sizes() -> Result<Vec<Row>> {
    let program = programs::nightjar();
    let measured = Path::new(program.get_program());
    let megabytes = |file: &Path| std::fs::metadata(file).map(|about| about.len() as f64 / 1e6);
    let size = megabytes(measured).context("the daemon")?;
    let mut rows = vec![Row::plain("size of the program as measured, for release", size, "MB", Goal::None)];
    let shipped = measured.ancestors().nth(2).context("a target folder")?.join("shipped/nightjar");
    if let Ok(size) = megabytes(&shipped) {
        rows.push(Row::plain("size of the program as it ships", size, "MB", Goal::AtMost(8.0)));
    }
    Ok(rows)
}

/// A program built for release ends at a panic at once and cleans nothing up: brokers and daemons
/// would go on for ever.
fn end_children_with_us() {
    let tell = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        tell(panic);
        for child in process::children() {
            drop(std::process::Command::new("kill").args(["-9", &child.to_string()]).status());
        }
    }));
}

fn main() -> Result<()> {
    end_children_with_us();
    let mut effort = Effort::FULL;
    let mut parts = Vec::new();
    for word in std::env::args().skip(1) {
        match word.as_str() {
            "--quick" => effort = Effort::QUICK,
            part if PARTS.contains(&part) => parts.push(word),
            other => bail!("\"{other}\" is no part; write tests/bench [--quick] [PART...], parts {PARTS:?}"),
        }
    }
    let wanted = |part: &str| parts.is_empty() || parts.iter().any(|wanted| wanted == part);
    for program in ["mosquitto", "mosquitto_sub", "sqlite3"] {
        if !programs::installed(program) {
            bail!(
                "{program} is not installed; on Debian: apt-get install mosquitto mosquitto-clients sqlite3"
            );
        }
    }
    let began = stopwatch::now();
    let mut rows = Vec::new();
    let mut part = |name: &str, measure: &mut dyn FnMut() -> Result<Vec<Row>>| -> Result<()> {
        if wanted(name) {
            let (took, found) = stopwatch::seconds(measure);
            rows.extend(found.with_context(|| format!("in the part \"{name}\""))?);
            say(&format!("{name}: {took:.0} s"));
        }
        Ok(())
    };
    part("size", &mut sizes)?;
    part("rates", &mut || rates::rows(effort))?;
    part("imports", &mut || imports::rows(effort))?;
    part("bytes", &mut || steady::bytes(effort))?;
    if wanted("steady") || wanted("pages") || wanted("restart") {
        let (took, season) = stopwatch::seconds(|| Station::start(&Plan::RACK, 60));
        let mut season = season?;
        say(&format!("a season of {} readings stored: {took:.0} s", season.stored));
        part("steady", &mut || {
            let mut rows = vec![steady::stored(&season)?];
            rows.extend(steady::rows(effort, &season)?);
            Ok(rows)
        })?;
        part("pages", &mut || {
            let mut rows = pages::rows(effort, &season)?;
            rows.push(pages::quiet(effort, &season)?);
            Ok(rows)
        })?;
        part("restart", &mut || {
            let ten = Plan { headers: 6, jars_of_each: 40, ..Plan::RACK };
            restart::rows(effort, &mut season, &mut Station::start(&ten, 14)?)
        })?;
    }
    part("tenfold", &mut || steady::tenfold(effort))?;
    part("many", &mut || steady::many(effort))?;
    part("alarms", &mut || alarms::rows(effort))?;
    part("outlook", &mut || outlook::rows(effort))?;
    part("soak", &mut || soak::rows(effort))?;
    say(&format!("{:.0} s in all, {} round(s)", began.elapsed().as_secs_f64(), effort.rounds));
    std::io::stdout().write_all(text(&rows).as_bytes())?;
    Ok(())
}
