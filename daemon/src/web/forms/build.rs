//! From what was typed to an act of the logbook.

use super::{Field, Filled, Form, Input, Problems};
use crate::ids::{JarId, LotId, SensorId, TakeId};
use crate::logbook::{
    Act, Agent, Calibration, Check, CountMethod, Cross, Dip, Empty, EyeUpSample, FertilizationSample,
    FertilizedDip, FlowSetPoint, FryCount, HandReading, HatchPoint, HatchSeen, Held, Load, Lot, Mortality,
    Move, Note, Parent, PlannedUntil, Pool, ProbeMove, Siphon, Split, Stocked, Take, Treatment,
    TreatmentPlan,
};
use crate::web::units::Units;
use crate::web::words::entering::problem;
use nightjar_calc::time::{Timestamp, Zone};

/// One form being read: collects every problem instead of stopping at the first.
struct Reader<'a> {
    form: &'a Form,
    filled: &'a Filled,
    units: Units,
    zone: Zone,
    problems: &'a mut Problems,
}

impl Reader<'_> {
    fn field(&self, name: &str) -> Option<&'static Field> {
        let form: &'static Form = super::form_of(self.form.kind)?;
        form.fields.iter().find(|field| field.name == name)
    }

    fn text(&self, name: &str) -> &str {
        self.filled.get(name).map_or("", |text| text.trim())
    }

    fn wrong(&mut self, name: &str, what: &str) {
        if let Some(field) = self.field(name) {
            self.problems.insert(field.name, problem::of(self.form.label(field), what));
        }
    }

    /// A number in inside units; `None` when left empty where that is allowed, or when wrong.
    fn maybe(&mut self, name: &str) -> Option<f64> {
        let field = self.field(name)?;
        let text = self.text(name).to_owned();
        if text.is_empty() {
            if !field.optional {
                self.wrong(name, problem::MISSING);
            }
            return None;
        }
        let (low, high, quantity) = match field.input {
            Input::Measure(quantity, low, high) => (low, high, Some(quantity)),
            Input::Number(_, low, high) | Input::Whole(low, high) => (low, high, None),
            Input::Line(_)
            | Input::Text(_)
            | Input::Choice(_)
            | Input::Numbers
            | Input::Dips
            | Input::Jar
            | Input::OtherJar
            | Input::Lot
            | Input::Sensor
            | Input::Species
            | Input::Moment => return None,
        };
        let Some(typed) = number(&text) else {
            self.wrong(name, &problem::not_a_number(&short(&text)));
            return None;
        };
        let value = quantity.map_or(typed, |q| self.units.read(q, typed));
        if !(low..=high).contains(&value) {
            let limit =
                |value: f64| quantity.map_or_else(|| value.to_string(), |q| self.units.text(q, value));
            let outside = problem::outside(&short(&text), &limit(low), &limit(high));
            self.wrong(name, &outside);
            return None;
        }
        if matches!(field.input, Input::Whole(..)) && value.fract().abs() > 1e-9 {
            self.wrong(name, &problem::not_whole(&short(&text)));
            return None;
        }
        Some(value)
    }

    fn number(&mut self, name: &str) -> f64 {
        self.maybe(name).unwrap_or(0.0)
    }

    fn whole(&mut self, name: &str) -> u32 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "range and wholeness checked"
        )]
        let whole = self.number(name) as u32;
        whole
    }

    /// A line of text, its length checked.
    fn line(&mut self, name: &str) -> String {
        let Some(field) = self.field(name) else { return String::new() };
        let text = self.text(name).to_owned();
        let most = match field.input {
            Input::Line(most) | Input::Text(most) => most,
            Input::Measure(..)
            | Input::Number(..)
            | Input::Whole(..)
            | Input::Choice(_)
            | Input::Numbers
            | Input::Dips
            | Input::Jar
            | Input::OtherJar
            | Input::Lot
            | Input::Sensor
            | Input::Species
            | Input::Moment => 64,
        };
        if text.is_empty() && !field.optional {
            self.wrong(name, problem::MISSING);
        } else if text.chars().count() > most {
            self.wrong(name, &problem::longer_than(most));
        }
        text
    }

    /// A name; `None` when left empty where allowed, or wrong.
    fn name<T>(&mut self, name: &str, make: impl Fn(&str) -> Result<T, crate::ids::NotAName>) -> Option<T> {
        let text = self.text(name).to_owned();
        if text.is_empty() {
            if self.field(name).is_some_and(|f| !f.optional) {
                self.wrong(name, problem::MISSING);
            }
            return None;
        }
        match make(&text) {
            Ok(id) => Some(id),
            Err(error) => {
                self.wrong(name, &error.to_string());
                None
            }
        }
    }

    fn moment(&mut self, name: &str) -> Timestamp {
        let text = self.text(name).to_owned();
        if text.is_empty() {
            self.wrong(name, problem::MISSING);
            return Timestamp::from_ms(0);
        }
        self.zone.parse(&text).unwrap_or_else(|error| {
            self.wrong(name, &error.to_string());
            Timestamp::from_ms(0)
        })
    }

    /// A moment that may be left empty.
    fn maybe_moment(&mut self, name: &str) -> Option<Timestamp> {
        (!self.text(name).is_empty()).then(|| self.moment(name))
    }

    fn choice<T>(&mut self, name: &str, pick: impl Fn(&str) -> Option<T>) -> Option<T> {
        let text = self.text(name).to_owned();
        let picked = pick(&text);
        if picked.is_none() {
            self.wrong(name, &problem::no_choice(&short(&text)));
        }
        picked
    }

    fn pieces(&self, name: &str) -> Vec<String> {
        self.text(name).split([' ', ',', ';', '\n']).filter(|p| !p.is_empty()).map(str::to_owned).collect()
    }
}

/// Reads a number as people type it: a comma may stand for the point.
pub fn number(text: &str) -> Option<f64> {
    let text = text.replace(',', ".");
    // "inf" and "nan" are numbers to the parser and to nobody else.
    let plain = text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+' | b'e' | b'E'));
    text.parse::<f64>().ok().filter(|n| plain && n.is_finite())
}

fn short(text: &str) -> String {
    text.chars().take(24).collect()
}

/// Reads a form. When `problems` is not empty afterwards, nothing was understood well enough.
pub fn act(form: &Form, filled: &Filled, zone: Zone, problems: &mut Problems) -> Option<Act> {
    let units = Units::parse(filled.get("units").map_or("", String::as_str));
    let mut r = Reader { form, filled, units, zone, problems };
    let act = match form.kind {
        "take" => take(&mut r),
        "lot" => lot(&mut r),
        "load" | "move" | "split" | "pool" | "empty" => placing(&mut r),
        "flow_set_point" | "hand_reading" | "siphon" | "treatment" => tending(&mut r),
        "treatment_plan" => plan(&mut r),
        "fertilization_sample" => fertilization(&mut r),
        "eye_up_sample" | "hatch_seen" => watching(&mut r),
        "fry_count" | "held" | "stocked" | "mortality" => fry(&mut r),
        "note" | "calibration" | "probe_move" => rest(&mut r),
        _ => None,
    };
    if r.problems.is_empty() { act } else { None }
}

fn take(r: &mut Reader<'_>) -> Option<Act> {
    let take = r.name("take", TakeId::new);
    let species = r.line("species");
    let water = r.line("water");
    let gear = r.line("gear");
    let fertilized_at = r.moment("fertilized_at");
    let (females, males, males_reused) = (r.whole("females"), r.whole("males"), r.whole("males_reused"));
    let volume_l = r.maybe("volume");
    let hardened = r.choice("hardened", |text| match text {
        "yes" => Some(true),
        "no" | "" => Some(false),
        _ => None,
    });
    let count = count(r);
    let (parents, crosses, pan) = (parents(r), crosses(r), r.line("pan"));
    let clay_minutes = r.maybe("clay_minutes");
    let (hardening_from, hardening_to) = (r.maybe_moment("hardening_from"), r.maybe_moment("hardening_to"));
    let transport_temp_c = r.maybe("transport_temp");
    let hardening_temp_c = r.maybe("hardening_temp");
    let hardening_sensor = r.name("hardening_sensor", SensorId::new);
    let disinfection = r.line("disinfection");
    Some(Act::Take(Box::new(Take {
        take: take?,
        species,
        water,
        gear,
        fertilized_at,
        females,
        males,
        males_reused,
        parents,
        crosses,
        volume_l,
        hardened: hardened?,
        count,
        pan,
        clay_minutes,
        hardening_from,
        hardening_to,
        hardening_temp_c,
        hardening_sensor,
        transport_temp_c,
        disinfection,
    })))
}

/// Fish, one a line: mark and length in mm.
fn parents(r: &mut Reader<'_>) -> Vec<Parent> {
    let text = r.line("parents");
    let mut parents = Vec::new();
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (mark, length) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let length_mm = number(length.trim().trim_end_matches("mm").trim());
        if length_mm.is_none() && !length.trim().is_empty() {
            r.wrong("parents", &problem::not_a_fish(&short(line)));
        }
        parents.push(Parent { mark: mark.to_owned(), length_mm });
    }
    parents
}

/// Crosses, one a line: female x males, the pan in brackets.
fn crosses(r: &mut Reader<'_>) -> Vec<Cross> {
    let text = r.line("crosses");
    let mut crosses = Vec::new();
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty()) {
        let (fish, pan) = line.split_once('(').unwrap_or((line, ""));
        let pan = pan.trim_end_matches(')').trim().to_owned();
        let mut words = fish.split([' ', ',', ';']).filter(|word| !word.is_empty());
        let female = words.next().unwrap_or_default().to_owned();
        let males: Vec<String> =
            words.filter(|word| !matches!(*word, "x" | "X" | "×")).map(str::to_owned).collect();
        if males.is_empty() {
            r.wrong("crosses", &problem::not_a_cross(&short(line)));
        }
        crosses.push(Cross { female, males, pan });
    }
    crosses
}

fn count(r: &mut Reader<'_>) -> Option<CountMethod> {
    let method = r.text("method").to_owned();
    if matches!(method.as_str(), "" | "none") {
        return None;
    }
    let (eggs, sample) = (r.maybe("eggs"), r.maybe("sample"));
    if eggs.is_none() {
        r.wrong("eggs", problem::COUNT_NEEDED);
    }
    if sample.is_none() && method != "per_litre" {
        r.wrong("sample", problem::COUNT_NEEDED);
    }
    let (eggs, sample) = (eggs?, sample.unwrap_or(0.0));
    match method.as_str() {
        "von_bayer" => Some(CountMethod::VonBayer { eggs, length_in: sample }),
        "volumetric" => Some(CountMethod::Volumetric { eggs, sample_ml: sample }),
        "gravimetric" => Some(CountMethod::Gravimetric { eggs, sample_g: sample }),
        "displacement" => Some(CountMethod::Displacement { eggs, displaced_ml: sample }),
        "per_litre" => Some(CountMethod::PerLitre { eggs_per_l: eggs }),
        other => {
            let shown = short(other);
            r.wrong("method", &problem::no_choice(&shown));
            None
        }
    }
}

fn lot(r: &mut Reader<'_>) -> Option<Act> {
    let lot = r.name("lot", LotId::new);
    r.line("takes");
    let mut takes = Vec::new();
    for piece in r.pieces("takes") {
        match TakeId::new(&piece) {
            Ok(take) => takes.push(take),
            Err(error) => r.wrong("takes", &error.to_string()),
        }
    }
    let strain = r.line("strain");
    Some(Act::Lot(Lot { lot: lot?, takes, strain }))
}

fn placing(r: &mut Reader<'_>) -> Option<Act> {
    match r.form.kind {
        "load" => {
            let (jar, lot) = (r.name("jar", JarId::new), r.name("lot", LotId::new));
            let (volume_l, eggs) = (r.number("volume"), r.maybe("eggs"));
            Some(Act::Load(Load { jar: jar?, lot: lot?, volume_l, eggs }))
        }
        "move" => {
            let (from, to) = (r.name("from", JarId::new), r.name("to", JarId::new));
            Some(Act::Move(Move { from: from?, to: to? }))
        }
        "split" => {
            let (from, to) = (r.name("from", JarId::new), r.name("to", JarId::new));
            let share = r.number("share") / 100.0;
            Some(Act::Split(Split { from: from?, to: to?, share }))
        }
        "pool" => {
            let (from, into) = (r.name("from", JarId::new), r.name("into", JarId::new));
            Some(Act::Pool(Pool { from: from?, into: into? }))
        }
        _ => {
            let jar = r.name("jar", JarId::new);
            let reason = r.line("reason");
            Some(Act::Empty(Empty { jar: jar?, reason }))
        }
    }
}

fn tending(r: &mut Reader<'_>) -> Option<Act> {
    let jar = r.name("jar", JarId::new);
    match r.form.kind {
        "flow_set_point" => {
            let flow_l_per_min = r.number("flow");
            Some(Act::FlowSetPoint(FlowSetPoint { jar: jar?, flow_l_per_min }))
        }
        "hand_reading" => {
            let (temp_c, flow_l_per_min) = (r.maybe("temp"), r.maybe("flow"));
            if temp_c.is_none() && flow_l_per_min.is_none() && r.problems.is_empty() {
                r.wrong("temp", problem::READING_NEEDED);
            }
            Some(Act::HandReading(HandReading { jar: jar?, temp_c, flow_l_per_min }))
        }
        "siphon" => {
            let volume_ml = r.number("volume");
            let dead_share = r.maybe("dead").map_or(1.0, |percent| percent / 100.0);
            Some(Act::Siphon(Siphon { jar: jar?, volume_ml, dead_share }))
        }
        _ => {
            let agent = agent(r);
            let (store_coldest_c, batch, despite) =
                (r.maybe("store_coldest"), r.line("batch"), r.line("despite"));
            let (concentration, minutes) = (r.number("concentration"), r.number("minutes"));
            let (flow_l_per_min, volume_ml) = (r.number("flow"), r.number("volume_ml"));
            Some(Act::Treatment(Box::new(Treatment {
                jar: jar?,
                agent: agent?,
                concentration,
                minutes,
                flow_l_per_min,
                volume_ml,
                batch,
                store_coldest_c,
                despite,
            })))
        }
    }
}

fn agent(r: &mut Reader<'_>) -> Option<Agent> {
    r.choice("agent", |text| match text {
        "formalin" => Some(Agent::Formalin),
        "hydrogen_peroxide" => Some(Agent::HydrogenPeroxide),
        _ => None,
    })
}

fn plan(r: &mut Reader<'_>) -> Option<Act> {
    let (species, agent) = (r.line("species"), agent(r));
    let until = r.choice("until", |text| match text {
        "before_hatch" => Some(PlannedUntil::BeforeHatch),
        "eyed" => Some(PlannedUntil::Eyed),
        "never" => Some(PlannedUntil::Never),
        _ => None,
    });
    let (concentration, minutes) = (r.number("concentration"), r.number("minutes"));
    let (every_h, first_after_h) = (r.number("every_h"), r.number("first_after_h"));
    let stop_before_hatch_h = r.number("stop_before_hatch_h");
    Some(Act::TreatmentPlan(TreatmentPlan {
        species,
        agent: agent?,
        concentration,
        minutes,
        every_h,
        first_after_h,
        until: until?,
        stop_before_hatch_h,
    }))
}

fn fertilization(r: &mut Reader<'_>) -> Option<Act> {
    let take = r.name("take", TakeId::new);
    let dips = dips(r).into_iter().map(|(fertilized, of)| FertilizedDip { fertilized, of }).collect();
    Some(Act::FertilizationSample(FertilizationSample { take: take?, dips }))
}

fn watching(r: &mut Reader<'_>) -> Option<Act> {
    let jar = r.name("jar", JarId::new);
    if r.form.kind == "hatch_seen" {
        let point = r.choice("point", |text| match text {
            "first" => Some(HatchPoint::First),
            "peak" => Some(HatchPoint::Peak),
            "last" => Some(HatchPoint::Last),
            _ => None,
        });
        return Some(Act::HatchSeen(HatchSeen { jar: jar?, point: point? }));
    }
    let dips = dips(r).into_iter().map(|(eyed, of)| Dip { eyed, of }).collect();
    Some(Act::EyeUpSample(EyeUpSample { jar: jar?, dips }))
}

/// Pairs like 93/100.
fn dips(r: &mut Reader<'_>) -> Vec<(u32, u32)> {
    let mut dips = Vec::new();
    for piece in r.pieces("dips").into_iter().take(100) {
        let dip = piece.split_once('/').and_then(|(hits, of)| {
            let (hits, of) = (hits.parse::<u32>().ok()?, of.parse::<u32>().ok()?);
            (hits <= of && of > 0).then_some((hits, of))
        });
        match dip {
            Some(dip) => dips.push(dip),
            None => r.wrong("dips", &problem::not_a_pair(&short(&piece))),
        }
    }
    if dips.is_empty() && r.problems.is_empty() {
        r.wrong("dips", problem::MISSING);
    }
    dips
}

fn fry(r: &mut Reader<'_>) -> Option<Act> {
    let lot = r.name("lot", LotId::new);
    match r.form.kind {
        "fry_count" => {
            let jar = r.name("jar", JarId::new);
            let mut counts = Vec::new();
            for piece in r.pieces("counts").into_iter().take(100) {
                match number(&piece).filter(|n| (0.0..=1e7).contains(n)) {
                    Some(n) => counts.push(n),
                    None => r.wrong("counts", &problem::not_a_count(&short(&piece))),
                }
            }
            if counts.is_empty() && r.problems.is_empty() {
                r.wrong("counts", problem::MISSING);
            }
            let (sample_ml, tank_l) = (r.number("sample_ml"), r.number("tank"));
            Some(Act::FryCount(FryCount { lot: lot?, jar, counts, sample_ml, tank_l }))
        }
        "held" => {
            let (fry, note) = (r.number("fry"), r.line("note"));
            Some(Act::Held(Held { lot: lot?, fry, note }))
        }
        "stocked" => {
            let (water, fry, truck) = (r.line("water"), r.number("fry"), r.line("truck"));
            let (truck_temp_c, water_temp_c) = (r.maybe("truck_temp"), r.maybe("water_temp"));
            Some(Act::Stocked(Box::new(Stocked { lot: lot?, water, fry, truck, truck_temp_c, water_temp_c })))
        }
        _ => {
            let jar = r.name("jar", JarId::new);
            let (number, cause) = (r.number("number"), r.line("cause"));
            Some(Act::Mortality(Mortality { lot: lot?, jar, number, cause }))
        }
    }
}

fn rest(r: &mut Reader<'_>) -> Option<Act> {
    match r.form.kind {
        "note" => {
            let (jar, text) = (r.name("jar", JarId::new), r.line("text"));
            Some(Act::Note(Note { jar, text }))
        }
        "probe_move" => {
            let (sensor, text) = (r.name("sensor", SensorId::new), r.line("text"));
            Some(Act::ProbeMove(ProbeMove { sensor: sensor?, text }))
        }
        _ => {
            let sensor = r.name("sensor", SensorId::new);
            let reading = r.number("reading");
            let check = match r.text("check").to_owned().as_str() {
                "ice_point" => Some(Check::IcePoint { reading_c: reading }),
                "bucket" => {
                    let (litres, seconds) = (r.maybe("litres"), r.maybe("seconds"));
                    if litres.is_none_or(|l| l <= 0.0) {
                        r.wrong("litres", problem::WITH_BUCKET);
                    }
                    if seconds.is_none_or(|s| s <= 0.0) {
                        r.wrong("seconds", problem::WITH_BUCKET);
                    }
                    Some(Check::Bucket {
                        litres: litres.unwrap_or(0.0),
                        seconds: seconds.unwrap_or(0.0),
                        reading_l_per_min: reading,
                    })
                }
                "reference" => {
                    let reference = r.maybe("reference");
                    if reference.is_none() {
                        r.wrong("reference", problem::WITH_THERMOMETER);
                    }
                    Some(Check::Reference { reference: reference.unwrap_or(0.0), reading })
                }
                other => {
                    let shown = short(other);
                    r.wrong("check", &problem::no_choice(&shown));
                    None
                }
            };
            Some(Act::Calibration(Calibration { sensor: sensor?, check: check? }))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{FORMS, form_of};
    use super::*;

    fn read(kind: &str, pairs: &[(&str, &str)]) -> Result<Act, Problems> {
        let filled = pairs.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
        let mut problems = Problems::new();
        act(form_of(kind).unwrap(), &filled, Zone::UTC, &mut problems).ok_or(problems)
    }

    #[test]
    fn a_siphon_in_quarts_is_kept_in_millilitres() {
        let Ok(Act::Siphon(siphon)) = read("siphon", &[("jar", "J1"), ("volume", "0,5"), ("units", "cgq")])
        else {
            panic!("not a siphon");
        };
        // A US quart is 946.352946 mL by definition.
        assert!((siphon.volume_ml - 473.176_473).abs() < 1e-6);
        assert!((siphon.dead_share - 1.0).abs() < 1e-12);
    }

    #[test]
    fn every_problem_of_a_form_is_named_at_once() {
        let problems = read("siphon", &[("jar", "<svg>"), ("volume", "nan"), ("dead", "101")]).unwrap_err();
        assert_eq!(problems.keys().copied().collect::<Vec<_>>(), ["dead", "jar", "volume"]);
    }

    #[test]
    fn numbers_only_a_parser_would_take_are_refused() {
        for bad in ["nan", "inf", "-inf", "1e999", "infinity", "0x10", "--1", "", "１"] {
            assert!(read("siphon", &[("jar", "J1"), ("volume", bad)]).is_err(), "{bad}");
        }
    }

    #[test]
    fn dips_are_pairs_and_never_more_than_all() {
        let good = read("eye_up_sample", &[("jar", "J1"), ("dips", "93/100, 88/95")]).unwrap();
        let Act::EyeUpSample(sample) = good else { panic!("not a sample") };
        assert_eq!(sample.dips, [Dip { eyed: 93, of: 100 }, Dip { eyed: 88, of: 95 }]);
        for bad in ["101/100", "5", "5/0", "-1/3", ""] {
            assert!(read("eye_up_sample", &[("jar", "J1"), ("dips", bad)]).is_err(), "{bad}");
        }
    }

    /// Each form, filled with the least it needs, gives an act of its own kind that survives JSON.
    #[test]
    fn every_form_makes_the_act_it_is_named_after() {
        for form in FORMS {
            let mut filled = Filled::new();
            for field in form.fields.iter().filter(|f| !f.optional) {
                let value = match field.input {
                    Input::Measure(..) | Input::Number(..) | Input::Whole(..) => "5",
                    Input::Line(_) | Input::Text(_) | Input::Lot | Input::Species => "A-1",
                    Input::Jar => "J1",
                    Input::OtherJar => "J2",
                    Input::Sensor => "J1T",
                    Input::Choice(values) => values[0],
                    Input::Numbers => "5 6",
                    Input::Dips => "5/6",
                    Input::Moment => "2026-04-18T14:00",
                };
                filled.insert(field.name.to_owned(), value.to_owned());
            }
            let mut problems = Problems::new();
            let act = act(form, &filled, Zone::UTC, &mut problems);
            if form.kind == "hand_reading" {
                assert!(act.is_none(), "a hand reading of nothing is refused");
                continue;
            }
            let act = act.unwrap_or_else(|| panic!("{}: {problems:?}", form.kind));
            assert_eq!(crate::web::words::act(&act).0, form.kind);
            let json = serde_json::to_value(&act).unwrap();
            assert_eq!(json["kind"], form.kind);
            assert_eq!(serde_json::from_value::<Act>(json).unwrap(), act);
        }
    }
}
