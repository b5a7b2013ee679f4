//! Parts that several pages use: the frame around a page, the jar, marks, the way to hatch.

use super::backend::Role;
use super::units::Quantity;
use super::view::{Theme, View, Who};
use super::words::drawings::{self, way as way_words};
use super::words::frame::{self, shown};
use super::words::{entering, script, values};
use super::{assets, words};
use crate::alarm::event::Priority;
use crate::snapshot::{AlarmView, JarState, JarView, ProgressView, StageView};
use maud::{DOCTYPE, Markup, html};
use nightjar_calc::time::Timestamp;

/// The frame around a page.
pub fn page(view: &View, title: &str, body: &Markup) -> Markup {
    let theme = match view.theme {
        Theme::Auto => None,
        Theme::Dark => Some("dark"),
        Theme::Light => Some("light"),
    };
    html! {
        (DOCTYPE)
        html lang=(words::LANG) data-theme=[theme] data-who=(view.author()) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1, viewport-fit=cover";
                meta name="color-scheme" content="dark light";
                title { (title) " · " (view.rack().station) }
                link rel="stylesheet" href=(assets::STYLESHEET.path);
                link rel="icon" href=(assets::ICON_URI.as_str());
                link rel="manifest" href="/manifest.webmanifest";
                script src=(assets::LIVE.path) defer {}
            }
            body {
                a.skip href="#main" { (frame::SKIP) }
                (drawing_defs())
                header.top {
                    a.brand href="/" { span.name { (view.rack().station) } }
                    (person_line(view))
                }
                nav.bar aria-label=(frame::BAR) {
                    @for (path, name) in frame::PAGES { (nav_link(view, path, name)) }
                    details.more name="more" {
                        summary { (frame::MORE) }
                        ul { @for (path, name) in frame::MORE_PAGES { li { (nav_link(view, path, name)) } } }
                    }
                }
                div #not-live role="status" hidden {}
                (script_words())
                main #main tabindex="-1" { (body) }
                footer {
                    (settings(view))
                    p.small { (say(frame::CARE, &[("zone", html! { (view.zone()) })])) }
                }
            }
        }
    }
}

/// What the scripts say, in the language of the page.
fn script_words() -> Markup {
    html! {
        template #said
            data-now=(script::NOW) data-soon=(script::SOON) data-minutes=(script::MINUTES) data-hours=(script::HOURS)
            data-days=(script::DAYS) data-ago=(script::AGO) data-ahead=(script::AHEAD)
            data-not-live=(script::NOT_LIVE) data-no-reading=(script::NO_READING) data-closer=(script::CLOSER)
            data-refused=(script::REFUSED) data-one-waits=(script::ONE_WAITS) data-some-wait=(script::SOME_WAIT)
            data-no-answer=(script::NO_ANSWER) data-busy=(script::BUSY) data-sign-in=(script::SIGN_IN)
            data-sign-in-as=(script::SIGN_IN_AS) data-sending=(script::SENDING) data-not-sent=(script::NOT_SENT) {}
    }
}

fn nav_link(view: &View, path: &str, name: &str) -> Markup {
    let here = if path == "/" {
        view.path == "/" || view.path.starts_with("/jar/")
    } else {
        view.path.starts_with(path)
    };
    let waiting = view.snap.alarms.iter().filter(|a| needs_somebody(a)).count();
    html! {
        a href=(path) aria-current=[here.then_some("page")] {
            (name)
            @if path == "/alarms" && waiting > 0 { " " span.count { (waiting) } }
        }
    }
}

fn person_line(view: &View) -> Markup {
    html! {
        div.who {
            @match &view.who {
                Who::Demo(id) => { span { (say(frame::DEMONSTRATION, &[("who", html! { b { (id) } })])) } }
                Who::Known { name, .. } => {
                    form method="post" action="/sign-out" {
                        (form_word(view))
                        button.plain { (say(frame::SIGN_OUT, &[("who", html! { (name) })])) }
                    }
                }
                Who::Nobody => {
                    @if view.site.backend.access.sign_in { a.plain href="/sign-in" { (frame::SIGN_IN) } }
                    @else if view.site.backend.people.is_empty() { span { (frame::READ_ONLY) } }
                }
            }
        }
    }
}

/// A sentence with its gaps, `{like}` this, filled. A gap nobody fills stays as it is, to be seen.
pub fn say(sentence: &str, gaps: &[(&str, Markup)]) -> Markup {
    let Some((before, name, after)) = gap(sentence) else { return html! { (sentence) } };
    html! {
        (before)
        @match gaps.iter().find(|(known, _)| *known == name) {
            Some((_, filling)) => { (filling) }
            None => { "{" (name) "}" }
        }
        (say(after, gaps))
    }
}

/// What stands before the first gap, its name, and what stands behind it.
fn gap(sentence: &str) -> Option<(&str, &str, &str)> {
    let (before, rest) = sentence.split_once('{')?;
    let (name, after) = rest.split_once('}')?;
    Some((before, name, after))
}

/// Where a number comes from or what it means, one tap away.
pub fn help(words: &str) -> Markup {
    html! { details.source { summary aria-label=(frame::HELP) { "?" } p { (words) } } }
}

/// The hidden word a form must carry.
pub fn form_word(view: &View) -> Markup {
    html! { input type="hidden" name="word" value=(view.form_word()); }
}

fn settings(view: &View) -> Markup {
    let units = view.units;
    let theme = match view.theme {
        Theme::Auto => "auto",
        Theme::Dark => "dark",
        Theme::Light => "light",
    };
    let choice = |name: &str, current: &str, options: &[(&str, &str)]| {
        html! {
            @for (value, label) in options {
                label.pill { input type="radio" name=(name) value=(value) checked[*value == current]; span { (label) } }
            }
        }
    };
    html! {
        details.settings {
            summary { (shown::TITLE) }
            form method="post" action="/settings" {
                input type="hidden" name="back" value=(view.path);
                fieldset { legend { (shown::TEMPERATURE) } (choice("t", if units.fahrenheit { "f" } else { "c" }, &shown::DEGREES)) }
                fieldset { legend { (shown::FLOW) } (choice("f", if units.gallons { "g" } else { "l" }, &shown::FLOWS)) }
                fieldset { legend { (shown::VOLUME) } (choice("v", if units.quarts { "q" } else { "m" }, &shown::VOLUMES)) }
                fieldset { legend { (shown::COLOURS) } (choice("theme", theme, &shown::THEMES)) }
                fieldset { legend { (shown::DATES) } (choice("d", if units.month_first { "n" } else { "d" }, &shown::ORDERS)) }
                button { (shown::KEEP) }
            }
        }
    }
}

/// On, nobody has answered, and nothing covers it.
pub fn needs_somebody(alarm: &AlarmView) -> bool {
    alarm.suppressed.is_none() && alarm.acknowledged.is_none()
}

/// Shapes used by more than one drawing on the page.
fn drawing_defs() -> Markup {
    html! {
        svg.defs width="0" height="0" aria-hidden="true" focusable="false" {
            defs {
                pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" { path.stroke d="M0 0v6" {} }
                clipPath id="in-jar" { path d="M9 6h42v60q0 20-21 24Q9 86 9 66z" {} }
                pattern id="e-green" width="9" height="9" patternUnits="userSpaceOnUse" {
                    circle cx="3" cy="3" r="2.6" {} circle cx="7.5" cy="7.5" r="2.6" {}
                }
                pattern id="e-eyed" width="9" height="9" patternUnits="userSpaceOnUse" {
                    circle cx="3" cy="3" r="2.6" {} circle cx="7.5" cy="7.5" r="2.6" {}
                    circle.pupil cx="3.6" cy="2.6" r="1.1" {} circle.pupil cx="8.1" cy="7.1" r="1.1" {}
                }
                pattern id="e-hatching" width="12" height="9" patternUnits="userSpaceOnUse" {
                    circle cx="3" cy="3" r="2.4" {} path.fry d="M6 7q2.5-2 5 0" {}
                }
                pattern id="e-hatched" width="12" height="8" patternUnits="userSpaceOnUse" {
                    path.fry d="M1 2.5q2.5-2 5 0M7 6.5q2.5-2 5 0" {}
                }
            }
        }
    }
}

/// A jar as it stands: the standpipe lets water out at the bottom, the eggs lie above it, and the
/// bed is drawn as high as development has come. Decoration; the words beside it say the same.
pub fn jar_drawing(state: JarState, development: Option<f64>) -> Markup {
    let share = development.unwrap_or(0.0).clamp(0.0, 1.0);
    let (pattern, shown) = match state {
        JarState::Empty => ("", false),
        JarState::Green => ("e-green", true),
        JarState::Eyed => ("e-eyed", true),
        JarState::Hatching => ("e-hatching", true),
        JarState::Hatched => ("e-hatched", true),
    };
    let share = if state >= JarState::Hatching { share.max(0.97) } else { share };
    // From a thin layer at the bottom to just under the lip.
    let top = 84.0 - 68.0 * share;
    html! {
        svg.jar viewBox="0 0 60 96" aria-hidden="true" focusable="false" {
            @if shown {
                g clip-path="url(#in-jar)" {
                    rect.bed x="9" y=(format!("{top:.1}")) width="42" height="90" {}
                    rect x="9" y=(format!("{top:.1}")) width="42" height="90" fill=(format!("url(#{pattern})")) {}
                }
                path.level d=(format!("M9 {top:.1}h42")) {}
            }
            path.pipe d="M30 1v80" {}
            path.glass d="M5 6h46l4-3M9 6v60q0 20 21 24 21-4 21-24V6" {}
        }
    }
}

/// The sign of a priority: an octagon, a triangle, a diamond. With its word for those who listen.
pub fn sign(priority: Priority) -> Markup {
    let (short, _) = words::priority(priority);
    html! {
        svg.sign.(short.to_lowercase()) viewBox="0 0 20 20" aria-hidden="true" focusable="false" {
            @match priority {
                Priority::P1 => { path.fill d="M6.2 1h7.6L19 6.2v7.6L13.8 19H6.2L1 13.8V6.2z" {} path.cut d="M10 5v6M10 14v1" {} }
                Priority::P2 => { path.fill d="M10 1.5 19.4 18H.6z" {} path.cut d="M10 7v5M10 14.6v1" {} }
                Priority::P3 => { path.fill d="M10 1l9 9-9 9-9-9z" {} path.cut d="M10 6v5M10 13.4v1" {} }
            }
        }
    }
}

/// The sign that nothing is wrong, that something is paused, or that nobody knows.
pub fn small_sign(kind: &str) -> Markup {
    html! {
        svg.sign.(kind) viewBox="0 0 20 20" aria-hidden="true" focusable="false" {
            @match kind {
                "well" => { circle.ring cx="10" cy="10" r="8" {} path.tick d="M6 10.5l3 3 5.5-6.5" {} }
                "pause" => { rect.fill x="3" y="2" width="5" height="16" rx="1" {} rect.fill x="12" y="2" width="5" height="16" rx="1" {} }
                _ => { circle.dashed cx="10" cy="10" r="8" {} path.tick d="M7.5 8q0-3 2.5-3t2.5 2.5q0 1.5-2.5 3v1.5M10 14.5v1" {} }
            }
        }
    }
}

/// Length of the bar that shows a flow, in tenths of a sixtieth of its width; nothing without a set-point.
pub fn flow_share(flow: Option<f64>, set: Option<f64>) -> Option<f64> {
    let set = set.filter(|set| *set > 0.0)?;
    Some(((flow? / (set * 1.5)).clamp(0.0, 1.0) * 600.0).round())
}

/// Flow against set-point, with a bar whose notch is the set-point.
pub fn flow_bar(flow: Option<f64>, set: Option<f64>) -> Markup {
    let Some(share) = flow_share(flow, set) else { return html! {} };
    html! {
        svg.flow viewBox="0 0 60 6" aria-hidden="true" focusable="false" preserveAspectRatio="none" {
            rect.track x="0" y="1.5" width="60" height="3" {}
            rect.level x="0" y="1.5" width=(format!("{:.1}", share / 10.0)) height="3" {}
            rect.notch x="39.3" y="0" width="1.4" height="6" {}
        }
    }
}

/// The next stage that has not come yet.
pub fn next_stage(progress: &ProgressView) -> Option<&StageView> {
    progress.stages.iter().find(|stage| stage.at.is_none() && stage.likely.is_some())
}

/// From fertilization to the end of hatch as a bar: what has passed, and each coming stage with
/// its interval.
pub fn way(view: &View, progress: &ProgressView) -> Markup {
    let zone = view.zone();
    let from = progress.fertilized_at;
    let last = progress
        .stages
        .iter()
        .filter_map(|s| [s.at, s.latest, s.likely].into_iter().flatten().max())
        .max()
        .unwrap_or(view.now.utc)
        .max(view.now.utc);
    let whole = (last.since(from).ms() as f64).max(1.0);
    let x = |at: Timestamp| (at.since(from).ms() as f64 / whole).clamp(0.0, 1.0) * 664.0 + 18.0;
    let now_x = x(view.now.utc);
    html! {
        svg.way viewBox="0 0 700 64" role="img" aria-label=(way_told(view, progress)) {
            rect.track x="18" y="26" width="664" height="12" rx="6" {}
            rect.gone x="18" y="26" width=(format!("{:.1}", now_x - 18.0)) height="12" rx="6" {}
            @for stage in &progress.stages {
                @if let (Some(a), Some(b)) = (stage.earliest, stage.latest) {
                    @if stage.at.is_none() {
                        rect.window x=(format!("{:.1}", x(a))) y="22" width=(format!("{:.1}", (x(b) - x(a)).max(2.0))) height="20" rx="3" {}
                    }
                }
                @if let Some(at) = stage.at.or(stage.likely) {
                    path.stage.seen[stage.seen] d=(format!("M{:.1} 18v28", x(at))) {}
                }
            }
            path.now d=(format!("M{now_x:.1} 14l5 -8h-10zM{now_x:.1} 14v36")) {}
            text x="18" y="60" { (words::date(zone, from)) }
            text x="682" y="60" text-anchor="end" { (words::date(zone, last)) }
            text x=(format!("{:.1}", now_x.clamp(40.0, 660.0))) y="60" text-anchor="middle" { (drawings::NOW) }
        }
        table.stages {
            caption.hidden { (way_words::STAGES) }
            thead { tr { th scope="col" { (way_words::STAGE) } th scope="col" { (way_words::LIKELY) } th scope="col" { (way_words::BETWEEN) } } }
            tbody {
                @for stage in &progress.stages {
                    tr {
                        th scope="row" { (words::stage(stage.stage)) }
                        @if let Some(at) = stage.at {
                            td { (words::day(zone, view.now.utc, at)) " " (words::time(zone, at)) " " (view.ago(at)) }
                            td { @if stage.seen { (way_words::SEEN) } @else { (way_words::BY_SUM) } }
                        } @else {
                            td { @if let Some(likely) = stage.likely { (words::day(zone, view.now.utc, likely)) ", " (view.ago(likely)) } @else { (way_words::CANNOT_BE_SAID) } }
                            td { @if let (Some(a), Some(b)) = (stage.earliest, stage.latest) { (words::range(zone, a, b)) } @else { "–" } }
                        }
                    }
                }
            }
        }
    }
}

fn way_told(view: &View, progress: &ProgressView) -> String {
    let mut words = way_words::from(&words::date(view.zone(), progress.fertilized_at));
    for stage in &progress.stages {
        if let Some(at) = stage.at.or(stage.likely) {
            words.push_str(&way_words::stage(words::stage(stage.stage), &words::date(view.zone(), at)));
        }
    }
    words
}

/// What the jar's water does: "11.4 °C (header)".
pub fn temperature(view: &View, jar: &JarView) -> Markup {
    html! {
        (view.reading(jar.temperature.as_ref(), Quantity::Temperature))
        @if jar.temperature_borrowed && jar.temperature.is_some() { " " span.from { (values::OF_HEADER) } }
    }
}

/// Flow with its set-point.
pub fn flow(view: &View, jar: &JarView) -> Markup {
    html! {
        (view.reading(jar.flow.as_ref(), Quantity::Flow))
        @if let Some(set) = jar.set_flow { span.set { (say(values::OF_SET_POINT, &[("set", html! { (view.units.number(Quantity::Flow, set)) })])) } }
    }
}

/// Name and PIN, for those who are not signed in; nothing for those who are.
pub fn pin_fields(view: &View, id: &str) -> Markup {
    if view.may(Role::Operator) || !view.pins() {
        return html! {};
    }
    html! {
        fieldset.pin {
            legend { (frame::WHO_AND_PIN) }
            label for=(format!("{id}-who")) { (frame::WHO) }
            select id=(format!("{id}-who")) name="who" required {
                option value="" { (frame::CHOOSE) }
                @for person in view.site.backend.people.iter().filter(|p| p.pin.is_some()) {
                    option value=(person.id) { (person.name) }
                }
            }
            label for=(format!("{id}-pin")) { (frame::PIN) }
            input id=(format!("{id}-pin")) name="pin" type="password" inputmode="numeric" autocomplete="off" maxlength="12" required;
            p.small { (frame::PIN_LASTS) }
        }
    }
}

/// For those who cannot make an entry as they are.
pub fn need_a_person() -> Markup {
    let link = html! { a href="/sign-in" { (entering::SIGN_IN) } };
    html! { p.quiet { (say(entering::NEED_A_PERSON, &[("link", link)])) } }
}

/// True when the person could make an entry, with or without a PIN.
pub fn can_enter(view: &View) -> bool {
    view.may(Role::Operator) || (matches!(view.who, Who::Nobody) && view.pins())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// The page hands over exactly what its scripts ask for, and no gap they would not fill.
    #[test]
    fn the_scripts_find_their_words_on_the_page() {
        const SCRIPTS: [&str; 2] = [include_str!("live.js"), include_str!("kept.js")];
        let page = script_words().into_string();
        let there: BTreeSet<String> =
            page.split(" data-").skip(1).map(|rest| rest[..rest.find('=').unwrap()].to_owned()).collect();
        let asked = SCRIPTS.iter().flat_map(|script| script.split("said.").skip(1)).map(|rest| {
            let name: String = rest.chars().take_while(char::is_ascii_alphabetic).collect();
            name.chars().fold(String::new(), |name, c| {
                if c.is_ascii_uppercase() {
                    format!("{name}-{}", c.to_ascii_lowercase())
                } else {
                    name + &c.to_string()
                }
            })
        });
        assert_eq!(there, asked.collect());
        for gap in page.split('{').skip(1).map(|rest| &rest[..rest.find('}').unwrap()]) {
            let filled = SCRIPTS
                .iter()
                .any(|script| script.contains(&format!("{{ {gap}")) || script.contains(&format!(", {gap}:")));
            assert!(filled, "no script fills {gap}");
        }
    }

    #[test]
    fn a_sentence_is_filled_in_any_order_and_a_gap_left_open_can_be_seen() {
        let gaps = [("who", html! { b { "<Kim>" } }), ("when", html! { "08:00" })];
        let filled = |sentence: &str| say(sentence, &gaps).into_string();
        assert_eq!(filled("Told {who} at {when}."), "Told <b>&lt;Kim&gt;</b> at 08:00.");
        assert_eq!(filled("Um {when} an {who}"), "Um 08:00 an <b>&lt;Kim&gt;</b>");
        assert_eq!(filled("{what} <i>"), "{what} &lt;i&gt;");
        assert_eq!(filled("an open { brace"), "an open { brace");
    }
}
