//! Entry forms: one table says which fields each kind of entry has; the same table draws the form
//! and reads it back. A form that cannot be read is shown again with what was typed and with every
//! problem named.

use super::components;
use super::session::entry_name;
use super::units::{Quantity, Units};
use super::view::View;
use super::words::{self, entering, entries, frame};
use crate::snapshot::JarState;
use maud::{Markup, html};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

mod build;
mod table;
pub mod when;
pub use build::{act, number};
pub use table::FORMS;

/// What was typed, by field.
pub type Filled = BTreeMap<String, String>;
/// Problems, by field; the empty name is for the form as a whole.
pub type Problems = BTreeMap<&'static str, String>;

/// Longest text kept of one field; the logbook has its own, shorter limits.
const LONGEST_FIELD: usize = 20_000;

/// What goes into a field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Input {
    /// A number in the person's units.
    Measure(Quantity, f64, f64),
    /// A number with a fixed unit: unit, lowest, highest.
    Number(&'static str, f64, f64),
    /// A whole number: lowest, highest.
    Whole(f64, f64),
    /// One line: most characters.
    Line(usize),
    /// Several lines: most characters.
    Text(usize),
    /// One of several, by their keys.
    Choice(&'static [&'static str]),
    /// Several numbers with spaces between.
    Numbers,
    /// Pairs "eyed/of" with spaces between.
    Dips,
    /// A jar.
    Jar,
    /// A jar that must be chosen anew although the page is about one.
    OtherJar,
    /// A lot.
    Lot,
    /// A sensor.
    Sensor,
    /// A species.
    Species,
    /// Local date and time.
    Moment,
}

/// One field.
#[derive(Clone, Copy, Debug)]
pub struct Field {
    /// Its name in the form.
    pub name: &'static str,
    /// What goes in.
    pub input: Input,
    /// May it be left empty.
    pub optional: bool,
}

/// One kind of entry.
#[derive(Clone, Copy, Debug)]
pub struct Form {
    /// As in the JSON form.
    pub kind: &'static str,
    /// Its fields.
    pub fields: &'static [Field],
}

/// Words, where there are none the key: to be seen, and a test of the table fails.
impl Form {
    /// Title.
    pub fn title(&self) -> &'static str {
        entries::of(self.kind).map_or(self.kind, |words| words.title)
    }

    /// Caution shown above the fields, or nothing.
    pub fn caution(&self) -> &'static str {
        entries::of(self.kind).map_or("", |words| words.caution)
    }

    /// Label of a field.
    pub fn label(&self, field: &Field) -> &'static str {
        entries::field(self.kind, field.name).map_or(field.name, |words| words.label)
    }

    /// A line of help to a field, or nothing.
    fn hint(&self, field: &Field) -> &'static str {
        entries::field(self.kind, field.name).map_or("", |words| words.hint)
    }

    /// One of the choices of a field.
    fn choice(&self, field: &Field, value: &'static str) -> &'static str {
        let words = entries::field(self.kind, field.name);
        let choice = words.and_then(|words| words.choices.iter().find(|(key, _)| *key == value));
        choice.map_or(value, |(_, words)| words)
    }
}

/// Those made most, on each jar's page.
pub const QUICK: usize = 6;

/// A kind of entry by its key.
pub fn form_of(kind: &str) -> Option<&'static Form> {
    FORMS.iter().find(|form| form.kind == kind)
}

/// Takes what came in, bounded.
pub fn filled(pairs: Vec<(String, String)>) -> Filled {
    pairs
        .into_iter()
        .take(64)
        .map(|(name, value)| (name, value.chars().take(LONGEST_FIELD).collect::<String>()))
        .collect()
}

/// When it happened: now when nothing else was chosen.
pub fn happened_at(view: &View, filled: &Filled, problems: &mut Problems) -> Timestamp {
    let now = view.now.utc;
    match when::read(view.zone(), now, filled, "when") {
        Ok(at) => at.unwrap_or(now),
        Err(error) => {
            problems.insert("when", entering::problem::of(entering::WHEN, &error));
            now
        }
    }
}

/// What a form is about and what became of an earlier try.
#[derive(Default)]
pub struct Given<'a> {
    /// Jar it is about, when the page says so.
    pub jar: Option<&'a str>,
    /// What was typed before.
    pub filled: Option<&'a Filled>,
    /// What was wrong with it.
    pub problems: Option<&'a Problems>,
    /// Path to come back to.
    pub back: &'a str,
}

/// Fields that stand in two columns on a wide screen when there are more.
const LONG: usize = 12;

/// Draws a form.
pub fn draw(view: &View, form: &Form, given: &Given<'_>) -> Markup {
    let typed = |name: &str| given.filled.and_then(|f| f.get(name)).map_or("", String::as_str);
    let id = match typed("id") {
        "" => entry_name(),
        kept => kept.to_owned(),
    };
    let units = if given.filled.is_some() { typed("units").to_owned() } else { view.units.code() };
    html! {
        form.entry.long[form.fields.len() > LONG] method="post" action=(format!("/entry/{}", form.kind)) data-entry {
            (components::form_word(view))
            input type="hidden" name="id" value=(id);
            input type="hidden" name="units" value=(units);
            input type="hidden" name="back" value=(given.back);
            @if !form.caution().is_empty() { p.caution { (form.caution()) } }
            (problem_list(given.problems))
            @for field in form.fields { (draw_field(view, form, field, given)) }
            (when::draw(view, form.kind, "when", entering::WHEN, when::Leave::Now, given.filled))
            (components::pin_fields(view, form.kind))
            button.main { (entering::save(form.title())) }
        }
    }
}

fn problem_list(problems: Option<&Problems>) -> Markup {
    html! {
        @if let Some(problems) = problems && !problems.is_empty() {
            div.problem role="alert" {
                p { (entering::LOOK_AGAIN) }
                ul { @for (_, problem) in problems { li { (problem) } } }
            }
        }
    }
}

fn draw_field(view: &View, form: &Form, field: &Field, given: &Given<'_>) -> Markup {
    let id = format!("{}-{}", form.kind, field.name);
    let typed = given.filled.and_then(|f| f.get(field.name)).map_or("", String::as_str);
    let problem = given.problems.and_then(|p| p.get(field.name));
    if field.input == Input::Jar
        && let Some(jar) = given.jar
    {
        return html! { input type="hidden" name=(field.name) value=(jar); };
    }
    let described = problem.is_some().then(|| format!("{id}-p"));
    let units = given.filled.and_then(|f| f.get("units")).map_or(view.units, |code| Units::parse(code));
    let required = !field.optional;
    html! {
        div.field.wrong[problem.is_some()] {
            @if let Input::Choice(options) = field.input {
                fieldset {
                    legend { (form.label(field)) }
                    @for (i, value) in options.iter().enumerate() {
                        label.pill {
                            input type="radio" name=(field.name) value=(value) checked[typed == *value || (typed.is_empty() && i == 0)];
                            span { (form.choice(field, value)) }
                        }
                    }
                }
            } @else if field.input == Input::Moment {
                @let leave = if field.optional { when::Leave::Unknown } else { when::Leave::Must };
                (when::draw(view, &id, field.name, form.label(field), leave, given.filled))
            } @else {
                label for=(id) { (form.label(field)) @if field.optional { span.optional { (entering::IF_KNOWN) } } }
                div.control {
                    @match field.input {
                        Input::Measure(quantity, _, _) => {
                            (number_input(&id, field, typed, described.as_deref()))
                            span.unit { (units.name(quantity)) }
                        }
                        Input::Number(unit, _, _) => {
                            (number_input(&id, field, typed, described.as_deref()))
                            span.unit { (unit) }
                        }
                        Input::Whole(_, _) => {
                            input id=(id) name=(field.name) inputmode="numeric" autocomplete="off" value=(typed) required[required] aria-describedby=[described.as_deref()];
                        }
                        Input::Numbers | Input::Dips => { (samples(&id, form.label(field), field, given.filled)) }
                        Input::Line(most) => {
                            input id=(id) name=(field.name) maxlength=(most) value=(typed) required[required] aria-describedby=[described.as_deref()];
                        }
                        Input::Text(most) => {
                            textarea id=(id) name=(field.name) maxlength=(most) rows="3" required[required] aria-describedby=[described.as_deref()] { (typed) }
                        }
                        Input::Jar | Input::OtherJar | Input::Lot | Input::Sensor | Input::Species => {
                            select id=(id) name=(field.name) required[required] aria-describedby=[described.as_deref()] {
                                option value="" { (if field.optional { entering::NONE } else { frame::CHOOSE }) }
                                @for (value, label) in options_of(view, field.input) {
                                    option value=(value) selected[value == typed] { (label) }
                                }
                            }
                        }
                        Input::Choice(_) | Input::Moment => {}
                    }
                }
            }
            @if !form.hint(field).is_empty() { p.hint { (form.hint(field)) } }
            @if let Some(problem) = problem { p.wrong id=(format!("{id}-p")) { (problem) } }
        }
    }
}

/// Samples offered.
pub const SAMPLES: usize = 4;

/// Several counts, each with the number pad: one field a sub-sample, two a dip.
fn samples(id: &str, label: &str, field: &Field, filled: Option<&Filled>) -> Markup {
    let typed = |name: &str| filled.and_then(|f| f.get(name)).map_or("", String::as_str);
    let whole: Vec<&str> = typed(field.name).split([' ', ',', ';', '\n']).filter(|p| !p.is_empty()).collect();
    let pair = field.input == Input::Dips;
    html! {
        div.samples {
            @for i in 0..SAMPLES.max(whole.len()) {
                @let (a, b) = (format!("{}-{i}", field.name), format!("{}-{i}-of", field.name));
                @let kept = whole.get(i).map_or(("", ""), |piece| piece.split_once('/').unwrap_or((piece, "")));
                @let hits = if typed(&a).is_empty() { kept.0 } else { typed(&a) };
                @let of = if typed(&b).is_empty() { kept.1 } else { typed(&b) };
                // The label of the field leads to the first of them.
                @let own = if i == 0 { id.to_owned() } else { format!("{id}-{i}") };
                span.sample {
                    input id=(own) name=(a) inputmode="numeric" autocomplete="off" size="4" value=(hits) required[i == 0 && !field.optional] aria-label=[(i > 0).then(|| entering::sample(label, i + 1))];
                    @if pair { (entering::OF) input name=(b) inputmode="numeric" autocomplete="off" size="4" value=(of) required[i == 0 && !field.optional] aria-label=(entering::all_in_sample(i + 1)); }
                }
            }
        }
    }
}

/// Counts typed one by one, put together as the act is read.
pub fn counts_together(form: &Form, filled: &mut Filled) {
    for field in form.fields.iter().filter(|f| matches!(f.input, Input::Dips | Input::Numbers)) {
        let mut pieces: Vec<String> = Vec::new();
        for i in 0..100 {
            let part = |name: String| filled.get(&name).map_or("", |text| text.trim()).to_owned();
            let (hits, of) = (part(format!("{}-{i}", field.name)), part(format!("{}-{i}-of", field.name)));
            if field.input == Input::Dips && !(hits.is_empty() && of.is_empty()) {
                pieces.push(format!("{hits}/{of}"));
            } else if !hits.is_empty() {
                pieces.push(hits);
            }
        }
        if !pieces.is_empty() {
            filled.insert(field.name.to_owned(), pieces.join(" "));
        }
    }
}

fn number_input(id: &str, field: &Field, typed: &str, described: Option<&str>) -> Markup {
    html! {
        input id=(id) name=(field.name) inputmode="decimal" autocomplete="off" value=(typed)
            required[!field.optional] aria-describedby=[described];
    }
}

fn options_of(view: &View, input: Input) -> Vec<(String, String)> {
    let named = |name: &str| (name.to_owned(), name.to_owned());
    match input {
        Input::Jar | Input::OtherJar => view
            .jars()
            .map(|(_, jar, now)| {
                let lot = now
                    .and_then(|j| j.lot.clone())
                    .unwrap_or_else(|| words::jar_state(JarState::Empty).into());
                (jar.id.to_string(), format!("{} – {lot}", jar.id))
            })
            .collect(),
        Input::Lot => view.snap.lots.iter().map(|lot| named(&lot.id)).collect(),
        Input::Sensor => view.rack().sensors.iter().map(|s| named(s.id.as_str())).collect(),
        Input::Species => view.site.backend.species.iter().map(|s| (s.key.clone(), s.name.clone())).collect(),
        Input::Measure(..)
        | Input::Number(..)
        | Input::Whole(..)
        | Input::Line(_)
        | Input::Text(_)
        | Input::Choice(_)
        | Input::Numbers
        | Input::Dips
        | Input::Moment => Vec::new(),
    }
}
