//! The worked examples of published sources and of the husbandry notes, asked of the page as a person
//! asks it, by address, and read as they are printed. `cli_calc` asks the same of the command.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod web_stand;

use axum::body::Body;
use axum::http::{Request, StatusCode};
use http_body_util::BodyExt;
use nightjar::clock::ManualClock;
use nightjar_calc::time::Timestamp;
use std::sync::Arc;
use tower::ServiceExt;

/// Asks the page; the lines of the answer as they can be read.
async fn ask(question: &str) -> (StatusCode, Vec<String>) {
    let clock = Arc::new(ManualClock::new(Timestamp::parse("2026-04-25T02:16:00-05:00").unwrap()));
    let stand = web_stand::stand(clock, false);
    let (calculator, numbers) = question.split_once(' ').unwrap();
    let address = format!("/calculators?calc={calculator}&{}", numbers.replace(' ', "&"));
    let request = Request::get(&address).header("host", "127.0.0.1").body(Body::empty()).unwrap();
    let response = nightjar::web::router(stand.backend).oneshot(request).await.unwrap();
    let status = response.status();
    let body = response.into_body().collect().await.unwrap().to_bytes();
    let html = String::from_utf8(body.to_vec()).unwrap();
    let own = html.split(&format!("id=\"{calculator}\"")).nth(1).unwrap();
    let answer = own.split("aria-live=\"polite\">").nth(1).unwrap().split("</div>").next().unwrap();
    let lines = answer.split("</p>").map(plain).filter(|line| !line.is_empty()).collect();
    (status, lines)
}

fn plain(html: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text
}

/// Number behind a word of the answer, or the first one: "feed 63.07" asks for what follows "feed".
fn number(lines: &[String], after: &str) -> f64 {
    let line = lines
        .iter()
        .find(|line| line.contains(after))
        .unwrap_or_else(|| panic!("no \"{after}\" in {lines:?}"));
    let rest = line.split_once(after).unwrap().1.replace(',', "");
    let digits: String = rest
        .chars()
        .skip_while(|c| !c.is_ascii_digit())
        .take_while(|c| c.is_ascii_digit() || *c == '.')
        .collect();
    digits.trim_end_matches('.').parse().unwrap()
}

/// Question, words before the number, what it should be, how near: half a unit of the last printed digit
/// where the source has as many, or what the source allows itself.
const EXAMPLES: &[(&str, &str, f64, f64)] = &[
    // Von Bayer's trough, k = 67.65 from four published pairs of diameter and count: 132,129, 67,650 and
    // 39,149 to the quart; printed with the digits that are known.
    ("trough eggs=150 length_in=12 volume_l=0.946353", "", 132_129.0, 500.0),
    ("trough eggs=150 length_in=12 volume_l=0.946353", "eggs = ", 0.080_0, 5e-5),
    ("trough eggs=120 length_in=12 volume_l=0.946353", "", 67_650.0, 500.0),
    ("trough eggs=100 length_in=12 volume_l=0.946353", "", 39_149.0, 500.0),
    // The inverse: 125,000 to the quart are eggs of 2.07 mm; 12 in / 0.0815 in = 147.2 in the row.
    ("trough eggs=147.24 length_in=12 volume_l=0.946353", "in (", 2.07, 0.005),
    ("trough eggs=147.24 length_in=12 volume_l=0.946353", "", 125_000.0, 500.0),
    // Pike: 11,000,000 eggs in 216.5 quarts are 50,808 to the quart and 2.79 mm across.
    ("trough eggs=109.07 length_in=12 volume_l=204.8854", "in (", 2.79, 0.005),
    ("trough eggs=109.07 length_in=12 volume_l=204.8854", "", 11_000_000.0, 50_000.0),
    // 2.5 quarts at 125,000: 312,500.
    ("volume eggs=1321 sample_ml=10 volume_l=2.365882", "", 312_500.0, 5_000.0),
    // The water that rises leaves out the voids: settled = displaced × 0.61.
    ("displacement eggs=2153 displaced_ml=10 volume_l=0.946353", "", 125_000.0, 1_000.0),
    // Rose, lecture on counting: 112 eggs weigh 5 g, 22.4 to the gram; 316.8 g are 7,096.
    ("weight eggs=112 sample_g=5 weight_g=316.8", "", 7_096.0, 50.0),
    // Wilson's interval: published (0.046 to 0.135), R notebook, Newcombe 1998.
    ("proportion hits=12 of=150", "(", 4.635, 0.05),
    ("proportion hits=12 of=150", " to ", 13.462, 0.05),
    ("proportion hits=6 of=32", "(", 8.889_545, 0.05),
    ("proportion hits=6 of=32", " to ", 35.309_155, 0.05),
    ("proportion hits=0 of=20", "(", 0.0, 0.05),
    ("proportion hits=0 of=20", " to ", 16.113, 0.05),
    ("proportion hits=81 of=263", "(", 25.529, 0.05),
    ("proportion hits=81 of=263", " to ", 36.621, 0.05),
    ("proportion hits=183 of=200", "(", 86.810, 0.05),
    ("proportion hits=183 of=200", " to ", 94.625, 0.05),
    // Drip treatment slides: 5 gpm, 15 min, 1,667 ppm: 75 gal (283.9 L), 472.6 mL, made up with 473.4 mL
    // to 946 mL, fed at 63.1 mL/min; the slides round a constant, within 0.2 %.
    ("formalin target_ul_per_l=1667 flow_l_per_min=18.927 minutes=15 stock_ml=946", "", 472.6, 0.945),
    ("formalin target_ul_per_l=1667 flow_l_per_min=18.927 minutes=15 stock_ml=946", "with ", 473.4, 0.947),
    ("formalin target_ul_per_l=1667 flow_l_per_min=18.927 minutes=15 stock_ml=946", "fed at ", 63.1, 0.127),
    ("formalin target_ul_per_l=1667 flow_l_per_min=18.927 minutes=15 stock_ml=946", "µL/L in ", 283.9, 0.05),
    // 35 % peroxide, 500 mg/L, 10 L/min, 15 min: 189.3 mL.
    ("peroxide target_mg_per_l=500 flow_l_per_min=10 minutes=15", "", 189.3, 0.05),
    // Benson and Krause at one atmosphere: 14.621, 11.288 and 9.092 mg/L; printed to hundredths.
    ("oxygen temp_c=0 altitude_m=0", "", 14.621, 0.006),
    ("oxygen temp_c=10 altitude_m=0", "", 11.288, 0.006),
    ("oxygen temp_c=20 altitude_m=0", "", 9.092, 0.006),
    ("oxygen temp_c=5 altitude_m=0", "", 12.77, 0.006),
    // 312,500 walleye eggs at 10 °C: about 10 minutes with the flow stopped (9.65 worked out; the page
    // leaves the part of a minute away), 2 to 3 near hatch; 0.35 mg/L less at the outlet of 2 L/min. The
    // notes say 0.916 L of water between the eggs with a share of 0.613, k = 67.65 gives 0.9147 L.
    ("stopped volume_l=2.366 temp_c=10 altitude_m=0 stage=green", "about ", 9.65, 0.66),
    ("stopped volume_l=2.366 temp_c=10 altitude_m=0 stage=near-hatch", "about ", 2.4, 0.45),
    ("stopped volume_l=2.366 temp_c=10 altitude_m=0 stage=green", "settled, ", 0.914_7, 0.005),
    ("flowing volume_l=2.366 temp_c=10 altitude_m=0 stage=green flow_l_per_min=2", "", 0.35, 0.005),
    ("flowing volume_l=2.366 temp_c=10 altitude_m=0 stage=green flow_l_per_min=2", "eggs: ", 1.45, 0.005),
    // The printed table of curve 10K3: 32,650.9 Ω in ice, 19,903.6 Ω at 10 °C.
    ("thermistor ohms=32650.9", "", 0.0, 0.02),
    ("thermistor ohms=19903.6", "", 10.0, 0.02),
    // IEC 60751: 103.9025 Ω at 10 °C.
    ("platinum r0_ohm=100 ohms=103.9025", "", 10.0, 0.01),
    // Effective number of breeders, broodstock handbook and by the formula.
    ("breeders females=99 males=1", "", 3.96, 0.05),
    ("breeders females=2 males=2", "", 4.0, 0.05),
    ("breeders females=60 males=90", "", 144.0, 0.05),
    ("breeders females=60 males=90", "at least ", 0.347, 0.000_5),
    ("breeders females=10 males=30", "", 30.0, 0.05),
    ("breeders females=20 males=40", "", 53.33, 0.05),
];

#[tokio::test]
async fn worked_examples_come_out_on_the_page() {
    let mut wrong = Vec::new();
    for (question, after, expected, near) in EXAMPLES {
        let (status, lines) = ask(question).await;
        assert_eq!(status, StatusCode::OK, "{question}: {lines:?}");
        let found = number(&lines, after);
        if (found - expected).abs() > *near {
            wrong.push(format!("{question}: {found} after \"{after}\", expected {expected}: {lines:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Guard rails: formalin 1,000 to 2,000 µL/L for 15 min, peroxide 500 to 1,000 mg/L for 15 min (21 CFR
/// 529.1030 and 529.1150); a proportion has no more hits than eggs; a count needs eggs.
#[tokio::test]
async fn what_is_outside_the_rule_is_refused_on_the_page_with_its_reason() {
    for (question, reason) in [
        ("formalin target_ul_per_l=2500 flow_l_per_min=18.927 minutes=15", "2000"),
        ("formalin target_ul_per_l=500 flow_l_per_min=18.927 minutes=15", "1000"),
        ("formalin target_ul_per_l=1667 flow_l_per_min=18.927 minutes=30", "15 min"),
        ("formalin target_ul_per_l=1667 flow_l_per_min=0 minutes=15", "flow"),
        ("peroxide target_mg_per_l=1500 flow_l_per_min=10 minutes=15", "1000"),
        ("peroxide target_mg_per_l=500 flow_l_per_min=10 minutes=60", "15 min"),
        ("proportion hits=30 of=20", "30"),
        ("trough eggs=0 length_in=12 volume_l=1", "eggs"),
    ] {
        let (status, lines) = ask(question).await;
        let said = lines.join(" ").replace(',', "");
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{question}: {said}");
        assert!(said.to_lowercase().contains(reason), "{question}: \"{reason}\" is not in: {said}");
        assert!(!said.contains("NaN"), "{question}: {said}");
    }
}
