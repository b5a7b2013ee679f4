//! Working calculators: the same arithmetic as everywhere else, with the numbers of the person.
//! They change nothing, so what was asked stands in the address and can be kept or sent on.

use crate::calculators::{Sheet, ask};
use crate::web::components::{self, say};
use crate::web::view::View;
use crate::web::words::calculators as said;
use crate::web::words::entering::{self, problem};
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use std::collections::BTreeMap;

mod asked;

/// One number to give.
pub struct Given {
    /// Its name, as the calculator knows it.
    pub name: &'static str,
    /// Its label.
    pub label: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// A value to begin with.
    pub example: &'static str,
    /// May be left empty.
    pub optional: bool,
    /// What to choose from, value and words; empty when a number is typed.
    pub choices: &'static [(&'static str, &'static str)],
}

/// A calculator on the page.
pub struct Calculator {
    /// Its key in the address.
    pub key: &'static str,
    /// Its path among all calculators.
    pub path: &'static str,
    /// Its title.
    pub title: &'static str,
    /// What it wants.
    pub given: &'static [Given],
    /// What goes with every question.
    pub always: &'static [(&'static str, &'static str)],
}

/// The page.
pub async fn show(view: View, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let wanted = query.get("calc").map(String::as_str);
    let answer = asked::CALCULATORS.iter().find(|c| Some(c.key) == wanted).map(|c| (c.key, work(c, &query)));
    let refused = answer.as_ref().is_some_and(|(_, a)| a.is_err());
    let body = html! {
        h1 { (said::TITLE) }
        p.caution { (said::CAUTION) }
        @for calculator in asked::CALCULATORS {
            @let own = answer.as_ref().filter(|(key, _)| *key == calculator.key).map(|(_, a)| a);
            (section(calculator, &query, own))
        }
    };
    let status = if refused { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    (status, components::page(&view, said::TITLE, &body)).into_response()
}

/// Reads the numbers and asks the calculator.
fn work(calculator: &Calculator, query: &BTreeMap<String, String>) -> Result<Sheet, String> {
    let mut values = calculator.always.to_vec();
    let mut typed = Vec::with_capacity(calculator.given.len());
    for given in calculator.given {
        let text = query.get(given.name).map_or("", |t| t.trim());
        if text.is_empty() {
            if !given.optional {
                return Err(problem::of(given.label, problem::MISSING));
            }
            continue;
        }
        let text = text.replace(',', ".");
        let good = match given.choices {
            [] => text.parse::<f64>().is_ok_and(f64::is_finite),
            choices => choices.iter().any(|(value, _)| *value == text),
        };
        if !good {
            let shown: String = text.chars().take(24).collect();
            let wrong = if given.choices.is_empty() { said::not_a_number } else { said::no_choice };
            return Err(wrong(given.label, &shown));
        }
        typed.push((given.name, text));
    }
    values.extend(typed.iter().map(|(name, text)| (*name, text.as_str())));
    ask(calculator.path, values).map_err(|failure| failure.message)
}

fn field(id: &str, given: &Given, typed: &str) -> Markup {
    html! {
        @if given.choices.is_empty() {
            input id=(id) name=(given.name) inputmode="decimal" autocomplete="off" value=(typed) required[!given.optional];
        } @else {
            select id=(id) name=(given.name) {
                @for (value, words) in given.choices { option value=(value) selected[*value == typed] { (words) } }
            }
        }
        span.unit { (given.unit) }
    }
}

fn section(
    calculator: &Calculator,
    query: &BTreeMap<String, String>,
    answer: Option<&Result<Sheet, String>>,
) -> Markup {
    let id = calculator.key;
    let typed = |given: &Given| match answer {
        Some(_) => query.get(given.name).map_or("", String::as_str).to_owned(),
        None => given.example.to_owned(),
    };
    html! {
        section.calculator id=(id) aria-labelledby=(format!("h-{id}")) {
            details open[answer.is_some()] {
                summary { h2 id=(format!("h-{id}")) { (calculator.title) } }
                form method="get" action=(format!("/calculators#{id}")) {
                    input type="hidden" name="calc" value=(id);
                    @for given in calculator.given {
                        @let name = format!("{id}-{}", given.name);
                        div.field {
                            label for=(name) { (given.label) @if given.optional { span.optional { (entering::IF_KNOWN) } } }
                            div.control { (field(&name, given, &typed(given))) }
                        }
                    }
                    button.main { (said::WORK_OUT) }
                }
                div aria-live="polite" {
                    @match answer {
                        Some(Ok(sheet)) => (worked(sheet)),
                        Some(Err(why)) => { p.problem { (why) } }
                        None => {}
                    }
                }
            }
        }
    }
}

/// The answer, what to mind, then how it was got and where from.
fn worked(sheet: &Sheet) -> Markup {
    let (how, sources) = sheet.grounds();
    html! {
        @for (at, line) in sheet.answers().iter().enumerate() {
            @if at == 0 { p { strong { (line) } } } @else { p { (line) } }
        }
        @for line in sheet.cautions() { p.small { (line) } }
        @for line in how { p.small { (say(said::HOW, &[("how", html! { (line) })])) } }
        @for line in sources { p.small { (say(said::SOURCE, &[("source", html! { (line) })])) } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs a calculator as the page does.
    fn on_page(key: &str, pairs: &[(&str, &str)]) -> Result<Sheet, String> {
        let calculator = asked::CALCULATORS.iter().find(|c| c.key == key).unwrap();
        let query = pairs.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
        work(calculator, &query)
    }

    #[test]
    fn every_example_works_out_and_nonsense_does_not() {
        for calculator in asked::CALCULATORS {
            let examples: Vec<_> = calculator.given.iter().map(|g| (g.name, g.example)).collect();
            let sheet =
                on_page(calculator.key, &examples).unwrap_or_else(|e| panic!("{}: {e}", calculator.key));
            assert!(!sheet.answers().is_empty());
            for bad in ["nan", "inf", "1e999", "-1", "x", "", "--help"] {
                let spoiled: Vec<_> = calculator.given.iter().map(|g| (g.name, bad)).collect();
                assert!(on_page(calculator.key, &spoiled).is_err(), "{} with {bad}", calculator.key);
            }
        }
    }

    /// The first number of a line.
    fn number(line: &str) -> f64 {
        line.split(' ').next().unwrap().replace(',', "").parse().unwrap()
    }

    /// Published: 5 US gallons a minute, 15 min, 1,667 ppm, made up to 946 mL need 472.6 mL of
    /// formalin (a drip-feed worksheet, printed with a rounded constant; within 0.2 %).
    #[test]
    fn the_published_drip_is_met_on_the_page() {
        let asked = [
            ("target_ul_per_l", "1667"),
            ("flow_l_per_min", "18,927"),
            ("minutes", "15"),
            ("stock_ml", "946"),
        ];
        let sheet = on_page("formalin", &asked).unwrap();
        let ml = number(&sheet.answers()[0]);
        assert!((ml / 472.6 - 1.0).abs() < 0.002, "{ml}");
        let strong = on_page("formalin", &[asked[0], asked[1], ("minutes", "30")]);
        assert!(strong.is_err(), "longer than the rule: {strong:?}");
    }

    /// Oxygen at saturation, 10 °C and one atmosphere: 11.288 mg/L in the tables made from Benson and
    /// Krause 1984.
    #[test]
    fn the_tabled_oxygen_is_met_on_the_page() {
        let sheet = on_page("oxygen", &[("temp_c", "10"), ("altitude_m", "0")]).unwrap();
        assert!((number(&sheet.answers()[0]) - 11.288).abs() < 0.005 + 1e-9, "{sheet:?}");
    }

    /// Wilson 1927 for 183 of 200 at 95 %: 0.86819 to 0.94617 (worked out by hand from the formula
    /// with z = 1.959964).
    #[test]
    fn the_interval_of_a_share_is_wilsons() {
        let (n, p, z) = (200.0_f64, 0.915_f64, 1.959_964_f64);
        let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
        let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
        let sheet = on_page("proportion", &[("hits", "183"), ("of", "200")]).unwrap();
        let expected = format!("{:.1} to {:.1} %", (middle - half) * 100.0, (middle + half) * 100.0);
        assert!(sheet.answers()[0].contains(&expected), "{sheet:?}");
    }
}
