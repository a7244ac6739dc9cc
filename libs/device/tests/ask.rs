//! Questions as JSON.

#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "helpers of tests")]

use device::{ProblemKind, answer};
use proptest::prelude::*;
use serde_json::{Value, json};

const SITE: &str = "019a0b5e-7c00-7000-8000-00000000000a";
const UNIT: &str = "019a0b5e-7c00-7000-8000-00000000000b";
const SCHEDULE: &str = "019a0b5e-7c00-7000-8000-00000000000d";
const EDITION: &str = "019a0b5e-7c00-7000-8000-00000000000e";
const SERVICE: &str = "019a0b5e-7c00-7000-8000-000000000002";
const AT: &str = "2025-09-10T12:00:00-06:00";

fn records() -> Value {
    json!([
        {"change": "record", "kind": "site", "id": SITE,
         "record": {"version": 1, "fields": {"name": "Depot", "zone": "America/Denver", "external_ids/gis": "7"}}},
        {"kind": "unit", "id": UNIT, "record": {"fields": {"label": "G-1", "home_site_id": SITE, "fuel": "petrol"}}},
        {"kind": "schedule", "id": SCHEDULE, "record": {"fields": {"title": "Table"}}},
        {"kind": "edition", "id": EDITION, "record": {"id": EDITION, "schedule_id": SCHEDULE, "edition": "A",
            "effective_from": "2025-01-01", "source": "common practice", "tasks": [
                {"task": "oil_change", "job": "oil_change", "title": "Change the oil", "limits": {"hours": 100, "months": 6}}]}},
        {"kind": "service_event", "id": "019a0b5e-7c00-7000-8000-000000000001", "record": {"unit_id": UNIT,
            "kind": "adoption", "occurred_on": "2025-01-02", "edition_id": EDITION, "schedule_id": SCHEDULE}},
        {"kind": "service_event", "id": SERVICE, "record": {"id": SERVICE, "unit_id": UNIT, "kind": "service",
            "occurred_on": "2025-03-10", "jobs": [{"job": "oil_change"}], "meter_hours": 140,
            "recorded_at": "2025-03-10T18:00:00Z", "author": SITE}}])
}

fn asked(questions: &Value) -> Vec<Value> {
    let text = json!({"records": records(), "ask": questions}).to_string();
    let answer: Value = serde_json::from_str(&answer(text.as_bytes()).unwrap()).unwrap();
    answer["answers"].as_array().unwrap().clone()
}

#[test]
fn every_question_has_its_answer_in_order() {
    let about = |question: &str| json!({"question": question, "unit_id": UNIT, "at": AT});
    let at_site = |question: &str| json!({"question": question, "site_id": SITE, "at": AT});
    let mut due = about("due");
    due["include"] = json!(["trace", "projection"]);
    let event = json!({"id": "019a0b5e-7c00-7000-8000-000000000009", "unit_id": UNIT, "kind": "reading",
                       "occurred_at": AT, "meter_hours": 12});
    let answers = asked(&json!([
        due, at_site("while_here"), {"question": "check", "event": event}, about("readiness"), at_site("site_readiness"),
        about("hours"), about("quality"), {"question": "bundle", "unit_id": UNIT, "event_id": SERVICE}]));
    let found: Vec<Option<&Value>> = [
        "/items/0/state",
        "/units/0/items/0/task",
        "/warnings/0/code",
        "/readiness/verdict",
        "/readiness/verdict",
        "/engine_seconds/lower",
        "/entries/0/code",
        "/extent",
    ]
    .iter()
    .zip(&answers)
    .map(|(pointer, answer)| answer.pointer(pointer))
    .collect();
    let expected = [
        json!("due"),
        json!("oil_change"),
        json!("reading_set_aside"),
        json!("unknown"),
        json!("unknown"),
        json!(504_000),
        json!("stale_reading"),
        json!("complete"),
    ];
    assert_eq!(found, expected.iter().map(Some).collect::<Vec<_>>(), "{answers:#?}");
    assert!(answers[0]["items"][0]["trace"].is_array() && answers[0]["items"][0]["projection"].is_object());
    assert_eq!((&answers[0]["passed_over"], &answers[0]["unknown_because"]), (&json!([]), &json!([])));
}

#[test]
fn what_is_not_here_is_a_problem_in_the_place_of_its_answer() {
    let answers = asked(&json!([{"question": "due", "unit_id": SITE, "at": AT},
                                {"question": "while_here", "site_id": UNIT, "at": AT},
                                {"question": "check", "event": {"unit_id": UNIT}},
                                {"question": "due", "unit_id": UNIT, "at": AT}]));
    assert_eq!(answers[0]["problem"]["type"], "/problems/not_found");
    assert_eq!(answers[1]["problem"]["errors"][0]["pointer"], "/site_id");
    assert_eq!(answers[2]["problem"]["errors"][0]["pointer"], "/event/id");
    assert_eq!(answers[3]["items"][0]["state"], "due");
}

#[test]
fn a_kind_of_record_that_is_new_is_named() {
    let mut records = records();
    records.as_array_mut().unwrap().push(json!({"kind": "lease", "id": "L1", "record": 7}));
    let text =
        json!({"records": records, "ask": [{"question": "due", "unit_id": UNIT, "at": AT}]}).to_string();
    let answer: Value = serde_json::from_str(&answer(text.as_bytes()).unwrap()).unwrap();
    let expected = json!([{"record": "lease", "id": "L1", "code": "newer_kind", "count": 1}]);
    assert_eq!(answer["answers"][0]["passed_over"], expected);
    assert_eq!(answer["answers"][0]["items"][0]["state"], "due");
}

#[test]
fn a_record_with_a_wrong_id_or_without_fields_is_named() {
    for (kind, id, code, harmless) in [("unit", "x", "unreadable", true), ("unit", UNIT, "unreadable", false)]
    {
        let mut records = records();
        records.as_array_mut().unwrap().push(json!({"kind": kind, "id": id, "record": {"label": "G-2"}}));
        let text =
            json!({"records": records, "ask": [{"question": "due", "unit_id": UNIT, "at": AT}]}).to_string();
        let answer: Value = serde_json::from_str(&answer(text.as_bytes()).unwrap()).unwrap();
        let list = if harmless { "passed_over" } else { "unknown_because" };
        assert_eq!(answer["answers"][0][list][0]["code"], code, "{id}: {answer}");
    }
}

#[test]
fn what_is_wrong_in_a_question_is_said_with_its_place() {
    let wrong = |text: &str| answer(text.as_bytes()).unwrap_err();
    assert_eq!(wrong("").kind, ProblemKind::InvalidJson);
    assert_eq!(wrong("[]").errors[0].code, "wrong_type");
    for (text, pointer, code) in [
        ("{}", "/ask", "required"),
        (r#"{"ask": [], "more": 1}"#, "/more", "unknown_member"),
        (r#"{"ask": [{"question": "why"}]}"#, "/ask/0/question", "unknown_word"),
        (r#"{"ask": [{"question": "due", "at": 7}]}"#, "/ask/0/unit_id", "required"),
        (r#"{"ask": [], "records": [{"kind": "unit", "id": "x"}]}"#, "/records/0/record", "required"),
    ] {
        let problem = wrong(text);
        let first = &problem.errors[0];
        assert_eq!((first.pointer.as_deref(), first.code), (Some(pointer), code), "{text}: {problem:?}");
        assert_eq!((problem.kind, problem.status), (ProblemKind::InvalidRequest, 400));
    }
}

proptest! {
    #[test]
    fn any_bytes_are_safe(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        prop_assert!(answer(&bytes).is_err());
    }

    /// A request that was changed in one place has an answer or a problem, and no item is certain that rests on something
    /// unreadable.
    #[test]
    fn a_damaged_request_is_safe(place in any::<prop::sample::Index>(), byte in any::<u8>(), cut in any::<bool>()) {
        let ask = json!([{"question": "due", "unit_id": UNIT, "at": AT}, {"question": "while_here", "site_id": SITE, "at": AT},
                         {"question": "readiness", "unit_id": UNIT, "at": AT}]);
        let mut bytes = json!({"records": records(), "ask": ask}).to_string().into_bytes();
        let place = place.index(bytes.len());
        if cut {
            bytes.remove(place);
        } else {
            bytes[place] = byte;
        }
        if let Ok(text) = answer(&bytes) {
            let answer: Value = serde_json::from_str(&text).unwrap();
            let due = &answer["answers"][0];
            let certain = due["unknown_because"].as_array().is_none_or(Vec::is_empty);
            let items = due["items"].as_array().cloned().unwrap_or_default();
            prop_assert!(certain || items.iter().all(|item| item["state"] == "unknown"), "{}", text);
        }
    }
}
