//! Working calculators: the same arithmetic as everywhere else, with the numbers of the person.
//! They change nothing, so what was asked stands in the address and can be kept or sent on.

use crate::web::components;
use crate::web::view::View;
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use std::collections::BTreeMap;

mod sums;

/// One number to give.
pub struct Given {
    /// Its name in the address.
    pub name: &'static str,
    /// Its label.
    pub label: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// A value to begin with.
    pub example: &'static str,
    /// May be left empty.
    pub optional: bool,
}

/// What came out: lines of name and value, then what should be known.
#[derive(Debug, Default, PartialEq)]
pub struct Outcome {
    /// Name and value.
    pub lines: Vec<(&'static str, String)>,
    /// What should be known beside it.
    pub notes: Vec<String>,
}

/// A calculator.
pub struct Calculator {
    /// Its key in the address.
    pub key: &'static str,
    /// Its title.
    pub title: &'static str,
    /// What it wants.
    pub given: &'static [Given],
    /// Where the formula is from.
    pub source: &'static str,
    /// The arithmetic: values in the order of `given`, empty ones as `None`.
    pub work: fn(&[Option<f64>]) -> Result<Outcome, String>,
}

/// The page.
pub async fn show(view: View, Query(query): Query<BTreeMap<String, String>>) -> Response {
    let wanted = query.get("calc").map(String::as_str);
    let answer = sums::CALCULATORS.iter().find(|c| Some(c.key) == wanted).map(|c| (c.key, work(c, &query)));
    let refused = answer.as_ref().is_some_and(|(_, a)| a.is_err());
    let body = html! {
        h1 { "Calculators" }
        p.caution { "Arithmetic, not permission. Chemicals only as the label, the prescribing veterinarian, the discharge permit and local rules allow." }
        @for calculator in sums::CALCULATORS {
            @let own = answer.as_ref().filter(|(key, _)| *key == calculator.key).map(|(_, a)| a);
            (section(calculator, &query, own))
        }
    };
    let status = if refused { StatusCode::UNPROCESSABLE_ENTITY } else { StatusCode::OK };
    (status, components::page(&view, "Calculators", &body)).into_response()
}

/// Reads the numbers and does the arithmetic.
fn work(calculator: &Calculator, query: &BTreeMap<String, String>) -> Result<Outcome, String> {
    let mut values = Vec::with_capacity(calculator.given.len());
    for given in calculator.given {
        let text = query.get(given.name).map_or("", |t| t.trim());
        if text.is_empty() {
            if !given.optional {
                return Err(format!("{}: is missing", given.label));
            }
            values.push(None);
            continue;
        }
        let value = text.replace(',', ".").parse::<f64>().ok().filter(|v| v.is_finite());
        let shown: String = text.chars().take(24).collect();
        values.push(Some(value.ok_or_else(|| format!("{}: \"{shown}\" is not a number", given.label))?));
    }
    (calculator.work)(&values)
}

fn section(
    calculator: &Calculator,
    query: &BTreeMap<String, String>,
    answer: Option<&Result<Outcome, String>>,
) -> Markup {
    let id = calculator.key;
    let typed = |given: &Given| match answer {
        Some(_) => query.get(given.name).map_or("", String::as_str).to_owned(),
        None => given.example.to_owned(),
    };
    html! {
        section.calculator id=(id) aria-labelledby=(format!("h-{id}")) {
            h2 id=(format!("h-{id}")) { (calculator.title) }
            details open[answer.is_some()] {
                summary { "Open" }
                form method="get" action=(format!("/calculators#{id}")) {
                    input type="hidden" name="calc" value=(id);
                    @for given in calculator.given {
                        @let field = format!("{id}-{}", given.name);
                        div.field {
                            label for=(field) { (given.label) @if given.optional { span.optional { " (if known)" } } }
                            div.control {
                                input id=(field) name=(given.name) inputmode="decimal" autocomplete="off" value=(typed(given)) required[!given.optional];
                                span.unit { (given.unit) }
                            }
                        }
                    }
                    button.main { "Work it out" }
                }
                div aria-live="polite" {
                    @match answer {
                        Some(Ok(result)) => {
                            dl.facts { @for (name, value) in &result.lines { div { dt { (name) } dd { (value) } } } }
                            @for note in &result.notes { p.small { (note) } }
                        }
                        Some(Err(why)) => { p.problem { (why) } }
                        None => {}
                    }
                }
                p.small { "Source: " (calculator.source) }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs a calculator as the page does.
    fn ask(key: &str, pairs: &[(&str, &str)]) -> Result<Outcome, String> {
        let calculator = sums::CALCULATORS.iter().find(|c| c.key == key).unwrap();
        let query = pairs.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
        work(calculator, &query)
    }

    fn line(result: &Outcome, name: &str) -> String {
        result
            .lines
            .iter()
            .find(|(n, _)| *n == name)
            .unwrap_or_else(|| panic!("{name} in {result:?}"))
            .1
            .clone()
    }

    #[test]
    fn every_example_works_out_and_nonsense_does_not() {
        for calculator in sums::CALCULATORS {
            let examples: Vec<_> = calculator.given.iter().map(|g| (g.name, g.example)).collect();
            let result = ask(calculator.key, &examples).unwrap_or_else(|e| panic!("{}: {e}", calculator.key));
            assert!(!result.lines.is_empty());
            for bad in ["nan", "inf", "1e999", "-1", "x", ""] {
                let spoiled: Vec<_> = calculator.given.iter().map(|g| (g.name, bad)).collect();
                assert!(ask(calculator.key, &spoiled).is_err(), "{} with {bad}", calculator.key);
            }
        }
    }

    /// Published: 5 US gallons a minute, 15 min, 1,667 ppm, made up to 946 mL need 472.6 mL of
    /// formalin (a drip-feed worksheet, printed with a rounded constant; within 0.2 %).
    #[test]
    fn the_published_drip_is_met_on_the_page() {
        let asked = [("ul_per_l", "1667"), ("flow", "18.927"), ("minutes", "15"), ("stock_ml", "946")];
        let result = ask("formalin", &asked).unwrap();
        let ml: f64 = line(&result, "Formalin").trim_end_matches("\u{202f}mL").parse().unwrap();
        assert!((ml / 472.6 - 1.0).abs() < 0.002, "{ml}");
    }

    /// Oxygen at saturation, 10 °C and one atmosphere: 11.288 mg/L in the tables made from Benson and
    /// Krause 1984.
    #[test]
    fn the_tabled_oxygen_is_met_on_the_page() {
        let result = ask("oxygen", &[("temp", "10"), ("altitude", "0")]).unwrap();
        assert_eq!(line(&result, "Saturation"), "11.29\u{202f}mg/L");
    }

    /// Wilson 1927 for 183 of 200 at 95 %: 0.86819 to 0.94617 (worked out by hand from the formula
    /// with z = 1.959964).
    #[test]
    fn the_interval_of_a_share_is_wilsons() {
        let (n, p, z) = (200.0_f64, 0.915_f64, 1.959_964_f64);
        let middle = (p + z * z / (2.0 * n)) / (1.0 + z * z / n);
        let half = z / (1.0 + z * z / n) * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
        let result = ask("proportion", &[("hits", "183"), ("of", "200")]).unwrap();
        let expected = format!("{:.1} to {:.1}\u{202f}%", (middle - half) * 100.0, (middle + half) * 100.0);
        assert_eq!(line(&result, "Between (95 %)"), expected);
    }
}
