//! Entry forms: one table says which fields each kind of entry has; the same table draws the form
//! and reads it back. A form that cannot be read is shown again with what was typed and with every
//! problem named.

use super::components;
use super::session::entry_name;
use super::units::{Quantity, Units};
use super::view::View;
use maud::{Markup, html};
use nightjar_calc::time::Timestamp;
use std::collections::BTreeMap;

mod build;
pub mod when;
pub use build::{act, number};

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
    /// One of several: value and words.
    Choice(&'static [(&'static str, &'static str)]),
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
    /// Its label.
    pub label: &'static str,
    /// What goes in.
    pub input: Input,
    /// May it be left empty.
    pub optional: bool,
    /// A line of help, or nothing.
    pub hint: &'static str,
}

const fn field(name: &'static str, label: &'static str, input: Input) -> Field {
    Field { name, label, input, optional: false, hint: "" }
}
const fn maybe(name: &'static str, label: &'static str, input: Input) -> Field {
    Field { name, label, input, optional: true, hint: "" }
}
const fn hinted(field: Field, hint: &'static str) -> Field {
    Field { hint, ..field }
}

/// One kind of entry.
#[derive(Clone, Copy, Debug)]
pub struct Form {
    /// As in the JSON form.
    pub kind: &'static str,
    /// Title.
    pub title: &'static str,
    /// Caution shown above the fields, or nothing.
    pub caution: &'static str,
    /// Its fields.
    pub fields: &'static [Field],
}

const JAR: Field = field("jar", "Jar", Input::Jar);
const FLOW: Input = Input::Measure(Quantity::Flow, 0.0, 1_000.0);
const TEMP: Input = Input::Measure(Quantity::Temperature, -2.0, 40.0);
const LITRES: Input = Input::Measure(Quantity::Litres, 0.0, 10_000.0);
const MILLILITRES: Input = Input::Measure(Quantity::Millilitres, 0.0, 1_000_000.0);

/// All kinds of entries, those made at the jar first.
pub const FORMS: &[Form] = &[
    Form {
        kind: "siphon",
        title: "Siphon",
        caution: "",
        fields: &[
            JAR,
            field("volume", "Eggs drawn off", MILLILITRES),
            hinted(
                maybe("dead", "Dead among them", Input::Number("%", 0.0, 100.0)),
                "left empty: all of them",
            ),
        ],
    },
    Form {
        kind: "flow_set_point",
        title: "Flow",
        caution: "",
        fields: &[JAR, field("flow", "Flow it should have from now on", FLOW)],
    },
    Form {
        kind: "treatment",
        title: "Treatment",
        caution: "Only as the label, the prescribing veterinarian, the discharge permit and local rules allow. Gloves, \
                  eye protection, fresh air: formalin can cause cancer, strong peroxide burns.",
        fields: &[
            JAR,
            field(
                "agent",
                "What",
                Input::Choice(&[
                    ("formalin", "formalin (37 % formaldehyde), µL/L"),
                    ("hydrogen_peroxide", "hydrogen peroxide (35 %), mg/L"),
                ]),
            ),
            field("concentration", "Concentration", Input::Number("µL/L or mg/L", 0.0, 100_000.0)),
            field("minutes", "For", Input::Number("min", 0.0, 1_440.0)),
            field("flow", "Into a flow of", FLOW),
            field("volume_ml", "Amount used", Input::Number("mL", 0.0, 100_000.0)),
            maybe(
                "store_coldest",
                "Coldest the formalin has been",
                Input::Measure(Quantity::Temperature, -60.0, 60.0),
            ),
            maybe("batch", "Batch on the bottle", Input::Line(80)),
            hinted(
                maybe("despite", "Why it was given although a rule speaks against it", Input::Line(400)),
                "only when it was given all the same",
            ),
        ],
    },
    Form {
        kind: "eye_up_sample",
        title: "Eye-up sample",
        caution: "",
        fields: &[JAR, field("dips", "Eyed, of all eggs in the dip", Input::Dips)],
    },
    Form {
        kind: "hatch_seen",
        title: "Hatch seen",
        caution: "",
        fields: &[
            JAR,
            field(
                "point",
                "How far",
                Input::Choice(&[("first", "first fry"), ("peak", "most are hatching"), ("last", "last fry")]),
            ),
        ],
    },
    Form {
        kind: "note",
        title: "Note",
        caution: "",
        fields: &[maybe("jar", "Jar", Input::Jar), field("text", "Words", Input::Text(2_000))],
    },
    Form {
        kind: "hand_reading",
        title: "Hand reading",
        caution: "",
        fields: &[JAR, maybe("temp", "Temperature", TEMP), maybe("flow", "Flow", FLOW)],
    },
    Form {
        kind: "take",
        title: "Take",
        caution: "",
        fields: &[
            hinted(field("take", "Name of the take", Input::Line(32)), "letters, digits, - _ . like T-0418"),
            field("species", "Species", Input::Species),
            field("water", "Lake or river", Input::Line(80)),
            maybe("gear", "Net or trap", Input::Line(80)),
            field("fertilized_at", "Fertilized", Input::Moment),
            field("females", "Females", Input::Whole(0.0, 100_000.0)),
            field("males", "Males", Input::Whole(0.0, 100_000.0)),
            maybe("males_reused", "Males used before", Input::Whole(0.0, 100_000.0)),
            maybe("volume", "Volume of eggs, settled", LITRES),
            field(
                "hardened",
                "The volume was read",
                Input::Choice(&[("no", "before water-hardening"), ("yes", "after water-hardening")]),
            ),
            field(
                "method",
                "Counted by",
                Input::Choice(&[
                    ("none", "not counted"),
                    ("von_bayer", "von Bayer trough: eggs, inches"),
                    ("volumetric", "volume: eggs, mL"),
                    ("gravimetric", "weight: eggs, g"),
                    ("displacement", "displacement: eggs, mL"),
                    ("per_litre", "known eggs to the litre"),
                ]),
            ),
            maybe("eggs", "Eggs counted, or eggs to the litre", Input::Number("", 0.0, 10_000_000.0)),
            maybe("sample", "On so many inches, mL or g", Input::Number("", 0.0, 100_000.0)),
            hinted(
                maybe("parents", "Fish, one a line", Input::Text(8_000)),
                "mark and length in mm, like F1 612",
            ),
            hinted(
                maybe("crosses", "Crosses, one a line", Input::Text(8_000)),
                "female x males, like F1 x M1 M2; a pan in brackets: (pan 2)",
            ),
            maybe("pan", "Pans", Input::Line(80)),
            maybe("clay_minutes", "In clay", Input::Number("min", 0.0, 1_440.0)),
            maybe("hardening_from", "Into the hardening basket", Input::Moment),
            maybe("hardening_to", "Out of it", Input::Moment),
            maybe("hardening_temp", "Temperature while hardening", TEMP),
            maybe("hardening_sensor", "Probe in the hardening basket", Input::Sensor),
            maybe("transport_temp", "Temperature on the way to the jars", TEMP),
            maybe("disinfection", "Disinfection", Input::Line(200)),
        ],
    },
    Form {
        kind: "fertilization_sample",
        title: "Fertilization sample",
        caution: "",
        fields: &[
            hinted(field("take", "Take", Input::Line(32)), "its name"),
            field("dips", "Fertilized, of all eggs in the dip", Input::Dips),
        ],
    },
    Form {
        kind: "treatment_plan",
        title: "Treatment plan",
        caution: "Only as the label, the prescribing veterinarian, the discharge permit and local rules allow.",
        fields: &[
            field("species", "Species", Input::Species),
            field(
                "agent",
                "What",
                Input::Choice(&[
                    ("formalin", "formalin (37 % formaldehyde), µL/L"),
                    ("hydrogen_peroxide", "hydrogen peroxide (35 %), mg/L"),
                ]),
            ),
            field("concentration", "Concentration", Input::Number("µL/L or mg/L", 0.0, 100_000.0)),
            field("minutes", "For", Input::Number("min", 0.0, 1_440.0)),
            field("every_h", "Every", Input::Number("h", 1.0, 1_440.0)),
            field("first_after_h", "First so long after loading", Input::Number("h", 0.0, 1_440.0)),
            field(
                "until",
                "Until",
                Input::Choice(&[
                    ("before_hatch", "the stop before hatch"),
                    ("eyed", "eye-up"),
                    ("never", "never: ends an earlier plan"),
                ]),
            ),
            field("stop_before_hatch_h", "Stop before the earliest hatch", Input::Number("h", 0.0, 336.0)),
        ],
    },
    Form {
        kind: "lot",
        title: "Lot",
        caution: "",
        fields: &[
            hinted(field("lot", "Name of the lot", Input::Line(32)), "letters, digits, - _ ."),
            hinted(field("takes", "Takes in it", Input::Line(400)), "names with spaces between"),
            maybe("strain", "Strain", Input::Line(80)),
        ],
    },
    Form {
        kind: "load",
        title: "Load a jar",
        caution: "",
        fields: &[
            JAR,
            field("lot", "Lot", Input::Lot),
            field("volume", "Eggs, settled", LITRES),
            maybe("eggs", "Number of eggs, if counted", Input::Number("", 0.0, 100_000_000.0)),
        ],
    },
    Form {
        kind: "move",
        title: "Move",
        caution: "",
        fields: &[field("from", "From", Input::Jar), field("to", "Into the empty jar", Input::OtherJar)],
    },
    Form {
        kind: "split",
        title: "Split",
        caution: "",
        fields: &[
            field("from", "From", Input::Jar),
            field("to", "Into the empty jar", Input::OtherJar),
            field("share", "Share moved", Input::Number("%", 0.0, 100.0)),
        ],
    },
    Form {
        kind: "pool",
        title: "Pool",
        caution: "",
        fields: &[field("from", "Emptied", Input::Jar), field("into", "Added to", Input::OtherJar)],
    },
    Form {
        kind: "empty",
        title: "Empty a jar",
        caution: "",
        fields: &[JAR, maybe("reason", "Why", Input::Line(200))],
    },
    Form {
        kind: "fry_count",
        title: "Fry count",
        caution: "",
        fields: &[
            field("lot", "Lot", Input::Lot),
            maybe("jar", "Out of jar", Input::Jar),
            field("counts", "Fry in each sub-sample", Input::Numbers),
            field("sample_ml", "One sub-sample", Input::Number("mL", 0.0, 100_000.0)),
            field("tank", "Tank", LITRES),
        ],
    },
    Form {
        kind: "held",
        title: "Fry held",
        caution: "",
        fields: &[
            field("lot", "Lot", Input::Lot),
            field("fry", "Fry", Input::Number("", 0.0, 100_000_000.0)),
            maybe("note", "Where or why", Input::Line(200)),
        ],
    },
    Form {
        kind: "stocked",
        title: "Stocked",
        caution: "Moving and stocking fish needs the permits and health checks of the place.",
        fields: &[
            field("lot", "Lot", Input::Lot),
            field("water", "Into", Input::Line(80)),
            field("fry", "Fry", Input::Number("", 0.0, 100_000_000.0)),
            maybe("truck", "Truck or bags", Input::Line(80)),
            maybe("truck_temp", "Temperature in the truck", TEMP),
            maybe("water_temp", "Temperature of the water", TEMP),
        ],
    },
    Form {
        kind: "mortality",
        title: "Mortality",
        caution: "",
        fields: &[
            field("lot", "Lot", Input::Lot),
            maybe("jar", "Jar", Input::Jar),
            field("number", "Dead", Input::Number("", 0.0, 100_000_000.0)),
            field("cause", "Why, as far as known", Input::Line(200)),
        ],
    },
    Form {
        kind: "calibration",
        title: "Calibration",
        caution: "",
        fields: &[
            field("sensor", "Sensor", Input::Sensor),
            field(
                "check",
                "Checked by",
                Input::Choice(&[
                    ("ice_point", "melting ice"),
                    ("bucket", "bucket and watch"),
                    ("reference", "a thermometer beside it"),
                ]),
            ),
            field("reading", "What the sensor said", Input::Number("°C or L/min", -50.0, 100_000.0)),
            hinted(
                maybe("reference", "What the thermometer said", Input::Number("°C", -50.0, 50.0)),
                "with a thermometer only",
            ),
            hinted(maybe("litres", "Caught", Input::Number("L", 0.0, 1_000.0)), "with a bucket only"),
            hinted(maybe("seconds", "In", Input::Number("s", 0.0, 3_600.0)), "with a bucket only"),
        ],
    },
    Form {
        kind: "probe_move",
        title: "Probe swapped or moved",
        caution: "Electricity near water: ground-fault protection, and wiring by a licensed electrician.",
        fields: &[field("sensor", "Sensor", Input::Sensor), field("text", "What was done", Input::Line(400))],
    },
];

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
            problems.insert("when", format!("When: {error}"));
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
            @if !form.caution.is_empty() { p.caution { (form.caution) } }
            (problem_list(given.problems))
            @for field in form.fields { (draw_field(view, form, field, given)) }
            (when::draw(view, form.kind, "when", "When", when::Leave::Now, given.filled))
            (components::pin_fields(view, form.kind))
            button.main { "Save " (form.title.to_lowercase()) }
        }
    }
}

fn problem_list(problems: Option<&Problems>) -> Markup {
    html! {
        @if let Some(problems) = problems && !problems.is_empty() {
            div.problem role="alert" {
                p { "Nothing was saved. Please look at this again:" }
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
                    legend { (field.label) }
                    @for (i, (value, label)) in options.iter().enumerate() {
                        label.pill {
                            input type="radio" name=(field.name) value=(value) checked[typed == *value || (typed.is_empty() && i == 0)];
                            span { (label) }
                        }
                    }
                }
            } @else if field.input == Input::Moment {
                @let leave = if field.optional { when::Leave::Unknown } else { when::Leave::Must };
                (when::draw(view, &id, field.name, field.label, leave, given.filled))
            } @else {
                label for=(id) { (field.label) @if field.optional { span.optional { " (if known)" } } }
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
                        Input::Numbers | Input::Dips => { (samples(&id, field, given.filled)) }
                        Input::Line(most) => {
                            input id=(id) name=(field.name) maxlength=(most) value=(typed) required[required] aria-describedby=[described.as_deref()];
                        }
                        Input::Text(most) => {
                            textarea id=(id) name=(field.name) maxlength=(most) rows="3" required[required] aria-describedby=[described.as_deref()] { (typed) }
                        }
                        Input::Jar | Input::OtherJar | Input::Lot | Input::Sensor | Input::Species => {
                            select id=(id) name=(field.name) required[required] aria-describedby=[described.as_deref()] {
                                option value="" { (if field.optional { "none" } else { "choose" }) }
                                @for (value, label) in options_of(view, field.input) {
                                    option value=(value) selected[value == typed] { (label) }
                                }
                            }
                        }
                        Input::Choice(_) | Input::Moment => {}
                    }
                }
            }
            @if !field.hint.is_empty() { p.hint { (field.hint) } }
            @if let Some(problem) = problem { p.wrong id=(format!("{id}-p")) { (problem) } }
        }
    }
}

/// Samples offered.
pub const SAMPLES: usize = 4;

/// Several counts, each with the number pad: one field a sub-sample, two a dip.
fn samples(id: &str, field: &Field, filled: Option<&Filled>) -> Markup {
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
                    input id=(own) name=(a) inputmode="numeric" autocomplete="off" size="4" value=(hits) required[i == 0 && !field.optional] aria-label=[(i > 0).then(|| format!("{}, sample {}", field.label, i + 1))];
                    @if pair { " of " input name=(b) inputmode="numeric" autocomplete="off" size="4" value=(of) required[i == 0 && !field.optional] aria-label=(format!("All in sample {}", i + 1)); }
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
                let lot = now.and_then(|j| j.lot.clone()).unwrap_or_else(|| "empty".into());
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
