//! What was learnt here, how outlooks did, and which coming days need something, as JSON.

use crate::progress::coming::{coming_days, hatch_of_lots};
use crate::progress::followed::{Followed, scores};
use crate::snapshot::LearningView;
use crate::web::view::View;
use crate::web::words::jar::learnt::UNDO;
use axum::Json;
use axum::response::{IntoResponse, Response};
use nightjar_calc::outlook::TrackRecord;
use nightjar_calc::plan::{DayNeeds, Habits, Resource};
use serde_json::{Value, json};

/// What eye-ups and hatches seen here taught.
pub async fn learning(view: View) -> Response {
    let species: Vec<Value> = view.snap.learning.iter().map(learning_json).collect();
    Json(json!({"species": species, "how_to_undo": UNDO})).into_response()
}

fn learning_json(learnt: &LearningView) -> Value {
    let (sum_before, sum_after) = learnt.hatch_c_days.unzip();
    let sightings: Vec<Value> = learnt
        .sightings
        .iter()
        .map(|s| json!({"lot": s.lot, "stage": s.stage, "at": s.at, "multiple": s.multiple, "doubtful": s.doubtful}))
        .collect();
    json!({
        "species": learnt.species,
        "name": learnt.name,
        "in_use": learnt.in_use,
        "before": {"factor": learnt.factor_before, "log_sd": learnt.spread_before, "window": 1.0, "hatch_c_days": sum_before},
        "after": {"factor": learnt.factor_after, "log_sd": learnt.spread_after, "window": learnt.window_after, "hatch_c_days": sum_after},
        "sightings_used": learnt.sightings_used,
        "sightings": sightings,
    })
}

/// How outlooks did: those of past springs issued after the fact, and those shown this season.
pub async fn track(view: View) -> Response {
    let past = view.snap.past_outlooks.as_ref().map_or(Value::Null, past_json);
    let season = &view.snap.season_outlooks;
    let scores: Vec<Value> = scores(season)
        .iter()
        .map(|s| {
            json!({"development_from": s.from, "outlooks": s.cases, "against_seen": s.seen,
                "mean_absolute_error_days": s.mean_absolute_error_days, "bias_days": s.bias_days,
                "coverage": s.coverage})
        })
        .collect();
    let lots: Vec<Value> = season.iter().map(followed_json).collect();
    Json(json!({"past_springs": past, "this_season": {"nominal_coverage": 0.8, "scores": scores, "lots": lots}}))
        .into_response()
}

fn past_json(record: &TrackRecord) -> Value {
    let scores: Vec<Value> = record
        .scores
        .iter()
        .map(|s| {
            json!({"share_at_issue": s.share, "outlooks": s.cases,
                "mean_absolute_error_days": s.mean_absolute_error_days, "bias_days": s.bias_days,
                "coverage": s.coverage, "plain_rules_error_days": s.plain_error_days})
        })
        .collect();
    json!({"springs": record.seasons, "nominal_coverage": 0.8, "scores": scores})
}

fn followed_json(followed: &Followed) -> Value {
    json!({"lot": followed.lot, "jar": followed.jar, "happened": followed.happened, "outlooks": followed.outlooks})
}

/// The days on which all lots together need people, tank or truck.
pub async fn coming(view: View) -> Response {
    let habits = Habits::default();
    let today = view.zone().day_of(view.now.utc);
    let days: Vec<Value> = coming_days(&view.snap.jars, view.zone(), &habits)
        .iter()
        .filter(|needs| needs.day >= today)
        .map(needs_json)
        .collect();
    let hatch: Vec<Value> = hatch_of_lots(&view.snap.jars)
        .iter()
        .map(|lot| {
            let window = |w: nightjar_calc::plan::Window| json!({"earliest": w.earliest, "likely": w.likely, "latest": w.latest});
            json!({"lot": lot.lot, "hatch_start": window(lot.start), "hatch_end": window(lot.end)})
        })
        .collect();
    Json(json!({
        "habits": {"ready_days": habits.ready_days, "tank_days": habits.tank_days, "truck_days": habits.truck_days},
        "lots": hatch,
        "days": days,
    }))
    .into_response()
}

fn needs_json(needs: &DayNeeds) -> Value {
    let lots = |resource: Resource| {
        let named = |likely: bool| -> Vec<&str> {
            let of = needs.bookings.iter().filter(|b| b.resource == resource && b.likely == likely);
            of.map(|b| b.lot.as_str()).collect()
        };
        json!({"likely": named(true), "if_early_or_late": named(false)})
    };
    json!({
        "day": needs.day.to_string(),
        "people": lots(Resource::People),
        "tank": lots(Resource::Tank),
        "truck": lots(Resource::Truck),
    })
}
