//! The planner: which temperatures bring hatch to a wanted day. Asked by address, changes nothing.

use super::Lot;
use crate::web::components::say;
use crate::web::units::Quantity;
use crate::web::view::View;
use crate::web::words::{self, days::planner as said};
use maud::{Markup, html};
use nightjar_calc::development::species;
use nightjar_calc::plan::{Goal, Schedule, Verdict, schedule};
use nightjar_calc::time::{Day, Span};
use std::collections::BTreeMap;

/// Fastest change offered, °C from one day to the next.
const FASTEST_C: f64 = 3.0;

/// Form and answer.
pub fn section(view: &View, lots: &[Lot], query: &BTreeMap<String, String>) -> Markup {
    let typed = |name: &str| query.get(name).map_or("", |t| t.trim());
    let asked = query.contains_key("plan");
    let chosen = lots.iter().find(|l| l.name == typed("plan"));
    let wanted = if asked { typed("wanted").to_owned() } else { suggestion(view, lots) };
    let units = view.units;
    let degrees = if units.fahrenheit { "°F" } else { "°C" };
    let rate =
        if asked { typed("change").to_owned() } else { if units.fahrenheit { "2" } else { "1" }.to_owned() };
    html! {
        section #planner aria-labelledby="h-planner" {
            h2 #h-planner { (said::TITLE) }
            p { (said::WHAT) }
            form.entry method="get" action="/days#planner" {
                div.field { label for="p-lot" { (said::LOT) } select id="p-lot" name="plan" { @for lot in lots { option value=(lot.name) selected[chosen.is_some_and(|c| c.name == lot.name)] { (lot.name) } } } }
                div.field { label for="p-day" { (said::DAY) } input id="p-day" type="date" name="wanted" value=(wanted) required; }
                div.field { label for="p-rate" { (said::RATE) } div.control { input id="p-rate" name="change" inputmode="decimal" value=(rate) required; span.unit { (degrees) } } }
                button.main { (said::WORK_OUT) }
            }
            div aria-live="polite" {
                @if asked {
                    @match chosen {
                        None => { p.problem { (said::NO_SUCH) } }
                        Some(lot) => {
                            @match work(view, lot, typed("wanted"), typed("change")) {
                                Ok(plan) => { (answer(view, &plan)) }
                                Err(why) => { p.problem { (why) } }
                            }
                        }
                    }
                }
            }
            p.small { (said::CARE) }
        }
    }
}

/// The likely day of the first lot, to begin with.
fn suggestion(view: &View, lots: &[Lot]) -> String {
    let peak = lots.iter().flat_map(|l| &l.coming).find(|c| c.stage == "hatch_peak").map(|c| c.likely);
    let day = view.zone().day_of(peak.unwrap_or(view.now.utc + Span::from_hours(24 * 7)));
    day.date().format("%Y-%m-%d").to_string()
}

fn work(view: &View, lot: &Lot, wanted: &str, change: &str) -> Result<Schedule, String> {
    let short: String = wanted.chars().take(24).collect();
    let day = Day::parse(wanted).map_err(|_| said::not_a_day(&short))?;
    let rate =
        change.replace(',', ".").parse::<f64>().ok().map(|r| if view.units.fahrenheit { r / 1.8 } else { r });
    let rate = rate.filter(|r| *r > 0.0 && *r <= FASTEST_C).ok_or_else(|| said::RATE_OUTSIDE.to_owned())?;
    let species = species::find(&lot.species).map_err(|e| e.to_string())?;
    let present_c = lot.water_c.ok_or_else(|| said::NO_READING.to_owned())?;
    schedule(&Goal {
        model: species.model,
        from: view.now.utc,
        development: lot.development,
        target: 1.0,
        present_c,
        // The middle of the wanted day.
        wanted: day.start(view.zone()) + Span::from_hours(12),
        allowed_c: species.optimum(),
        change_c_per_day: rate,
        equipment: None,
    })
    .map_err(|e| sentence(&e.to_string()))
}

fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect::<String>() + ".")
}

fn answer(view: &View, plan: &Schedule) -> Markup {
    let zone = view.zone();
    let day = html! { b { (words::day(zone, view.now.utc, plan.reached)) } };
    let reached = say(said::REACHED, &[("day", day), ("time", html! { (words::time(zone, plan.reached)) })]);
    let answer = match plan.verdict {
        Verdict::Met => said::MET,
        Verdict::TooSoon => said::TOO_SOON,
        Verdict::TooLate => said::TOO_LATE,
    };
    html! {
        p.lead { (say(answer, &[("reached", reached)])) }
        table.needs {
            thead { tr { th scope="col" { (said::FROM) } th scope="col" { (said::SET_TO) } } }
            // A day that asks for the same water as the one before is not told again.
            tbody { @for (i, day) in plan.days.iter().enumerate() { @let set = view.units.text(Quantity::Temperature, day.set_c); @if i == 0 || view.units.text(Quantity::Temperature, plan.days[i - 1].set_c) != set { tr { th scope="row" { (words::day(zone, view.now.utc, day.from)) " " (words::time(zone, day.from)) } td { (set) } } } } }
        }
        @for warning in &plan.warnings { p.warning { (warning) } }
    }
}
