//! Bad input: every kind of it gets a problem that points at what is wrong, and changes nothing.

mod contradictions;
mod edges;
mod events;
mod ground;
mod records;
mod texts;
mod wire;

use blackbox::world::new_id;
use blackbox::{Backend, none_failed, on_both};
use serde_json::{Value, json};

use self::{events::reading_with, ground::*};

on_both!(parameters, headers, three_errors_in_one_answer);

fn parameters(backend: Backend) {
    let ground = Ground::new(backend);
    let cases: &[(&str, &str, &str)] = &[
        ("/v1/due?stat=overdue", "stat", "unknown_parameter"),
        ("/v1/due?state=late", "state", "unknown_word"),
        ("/v1/due?state=overdue,late", "state", "unknown_word"),
        ("/v1/due?state=overdue'%20OR%20'1'='1", "state", "unknown_word"),
        ("/v1/due?site=1%3BDROP%20TABLE%20record", "site", "invalid_id"),
        ("/v1/due?unit=%25", "unit", "invalid_id"),
        ("/v1/due?task=Oil", "task", "invalid_code"),
        ("/v1/due?task=oil_change%00", "task", "invalid_code"),
        ("/v1/due?due_before=tomorrow", "due_before", "invalid_instant"),
        ("/v1/due?due_before=2026-13-01T00:00:00Z", "due_before", "invalid_instant"),
        ("/v1/due?due_before=2026-06-01T00:00:00", "due_before", "offset_required"),
        ("/v1/due?valid_at=2026-06-01T00:00:00+02:00", "valid_at", "invalid_instant"),
        ("/v1/due?sort=state", "sort", "unknown_word"),
        ("/v1/due?sort=due_at;DELETE", "sort", "unknown_word"),
        ("/v1/due?limit=0", "limit", "out_of_range"),
        ("/v1/due?limit=-1", "limit", "out_of_range"),
        ("/v1/due?limit=1e9", "limit", "out_of_range"),
        ("/v1/due?limit=2.5", "limit", "out_of_range"),
        ("/v1/due?limit=many", "limit", "out_of_range"),
        ("/v1/due?site={site}&site={site}", "site", "repeated_parameter"),
        ("/v1/units?limit=1&limit=2", "limit", "repeated_parameter"),
        ("/v1/units?colour=red", "colour", "unknown_parameter"),
        ("/v1/units/{unit}?fields=label", "fields", "unknown_parameter"),
        ("/v1/units/{unit}/due?include=history", "include", "unknown_word"),
        ("/v1/units/{unit}/due?include=trace,history", "include", "unknown_word"),
        ("/v1/service-events", "unit", "required"),
        ("/v1/service-events?unit={unit}&kind=oiling", "kind", "unknown_word"),
    ];
    let mut failures = Vec::new();
    for (path, parameter, code) in cases {
        refused(&ground, &mut failures, path, (400, "invalid_parameter", &[(parameter, code)]), || {
            ground.send(&format!("GET {path}"), &[], None)
        });
    }
    for path in [
        "/v1/units?limit=1&cursor=nonsense",
        "/v1/units?limit=1&cursor=",
        "/v1/units?limit=1&cursor=AAAA{cursor}",
        "/v1/units?limit=1&cursor={cursor}AAAA",
        "/v1/units?limit=1&cursor=%27%20OR%201%3D1--",
        "/v1/units?limit=1&cursor=%ff%fe",
        "/v1/units?limit=1&site={site}&cursor={cursor}",
        "/v1/sites?limit=1&cursor={cursor}",
        "/v1/due?limit=1&cursor={cursor}",
    ] {
        refused(
            &ground,
            &mut failures,
            path,
            (400, "cursor_invalid", &[("cursor", "cursor_invalid")]),
            || ground.send(&format!("GET {path}"), &[], None),
        );
    }
    none_failed(&failures);
}

fn headers(backend: Backend) {
    let ground = Ground::new(backend);
    let good = ground.fill(&reading_with("meter_hours", &json!(5)).to_string());
    let post = "POST /v1/service-events";
    let patch = "PATCH /v1/units/{unit}";
    let label = json!({"label": "FS-9"}).to_string();
    let media = |value| vec![("content-type", value)];
    let patched = |etag| vec![("content-type", "application/merge-patch+json"), ("if-match", etag)];
    let unsupported = (415, "unsupported_media_type");
    type Case<'a> = (&'a str, &'a str, Vec<(&'a str, &'a str)>, &'a str, (u16, &'a str));
    let cases: Vec<Case<'_>> = vec![
        ("no media type", post, vec![], &good, unsupported),
        ("plain text", post, media("text/plain"), &good, unsupported),
        ("a form", post, media("application/x-www-form-urlencoded"), &good, unsupported),
        ("many parts", post, media("multipart/form-data; boundary=x"), &good, unsupported),
        ("problem JSON", post, media("application/problem+json"), &good, unsupported),
        ("UTF-16 announced", post, media("application/json; charset=utf-16"), &good, unsupported),
        ("UTF-7 announced", post, media("application/json; charset=utf-7"), &good, unsupported),
        (
            "a patch as JSON",
            patch,
            vec![("content-type", "application/json"), ("if-match", "{etag}")],
            &label,
            unsupported,
        ),
        ("a post as a patch", post, media("application/merge-patch+json"), &good, unsupported),
        ("no If-Match", patch, media("application/merge-patch+json"), &label, (428, "precondition_required")),
        ("If-Match *", patch, patched("*"), &label, (400, "invalid_header")),
        ("If-Match of a weak tag", patch, patched("W/{etag}"), &label, (400, "invalid_header")),
        ("If-Match of two tags", patch, patched("{etag}, \"x\""), &label, (400, "invalid_header")),
        ("If-Match without quotes", patch, patched("x"), &label, (400, "invalid_header")),
        ("If-Match of nothing", patch, patched("\"\""), &label, (400, "invalid_header")),
        ("a stale If-Match", patch, patched("\"0-stale\""), &label, (412, "precondition_failed")),
        (
            "a key that is no UUID",
            post,
            vec![("content-type", "application/json"), ("idempotency-key", "again")],
            &good,
            (400, "invalid_header"),
        ),
    ];
    let mut failures = Vec::new();
    for (case, request, headers, body, (status, code)) in cases {
        // A header that is wrong is named like any other place.
        let wrong: &[(&str, &str)] = match (code, case.starts_with("If-Match")) {
            ("invalid_header", true) => &[("If-Match", "invalid_etag")],
            ("invalid_header", false) => &[("Idempotency-Key", "invalid_id")],
            ("unsupported_media_type", _) => &[("Content-Type", "unsupported_media_type")],
            ("precondition_required", _) => &[("If-Match", "required")],
            _ => &[("If-Match", "stale_etag")],
        };
        refused(&ground, &mut failures, case, (status, code, wrong), || {
            ground.send(request, &headers, Some(body.as_bytes()))
        });
    }
    none_failed(&failures);
    let key = [("content-type", "application/json"), ("idempotency-key", &new_id())];
    let mut own: Value = serde_json::from_str(&good).unwrap();
    own["id"] = json!(new_id());
    let before = ground.traces();
    ground.send(post, &key, Some(own.to_string().as_bytes())).problem(400, "invalid_header");
    assert_eq!(ground.traces(), before, "a key beside another id of the event's own");
}

fn three_errors_in_one_answer(backend: Backend) {
    let ground = Ground::new(backend);
    let body = ground.fill(
        &json!({"kind": "service", "unit_id": "{unit}", "occurred_at": "2026-03-08T02:30:00",
            "jobs": [{"job": "Oil"}], "meter_hours": -1})
        .to_string(),
    );
    let expected = [
        ("/occurred_at", "offset_required"),
        ("/jobs/0/job", "invalid_code"),
        ("/meter_hours", "out_of_range"),
    ];
    let mut failures = Vec::new();
    refused(&ground, &mut failures, "three bad members", (400, "invalid_request", &expected), || {
        ground.send("POST /v1/service-events", JSON, Some(body.as_bytes()))
    });
    none_failed(&failures);
}
