//! Members of sites, units, schedules and editions, one wrong at a time.

use blackbox::{Backend, none_failed, on_both};
use serde_json::{Value, json};

use super::ground::*;

on_both!(members, a_circle_in_satisfies_is_named);

fn members(backend: Backend) {
    let ground = Ground::new(backend);
    let task = |members: Value| {
        let mut task =
            json!({"task": "oil_change", "job": "oil_change", "title": "Oil", "limits": {"hours": 100}});
        task.as_object_mut().unwrap().extend(members.as_object().unwrap().clone());
        json!({"edition": "B", "effective_from": "2026-01-01", "source": "manual", "tasks": [task]})
    };
    let unit = |member: &str, value: Value| {
        let mut unit = json!({"label": "FS-3", "home_site_id": "{site}", "fuel": "petrol"});
        unit[member] = value;
        unit
    };
    let editions = "POST /v1/schedules/{schedule}/editions";
    let cases: Vec<(&str, Value, &str, &str)> = vec![
        ("POST /v1/sites", json!([]), "", "wrong_type"),
        ("POST /v1/sites", json!({"name": "X", "zone": "Mountain"}), "/zone", "unknown_zone"),
        ("POST /v1/sites", json!({"name": " X", "zone": "UTC"}), "/name", "blank_ends"),
        ("POST /v1/sites", json!({"name": "X\nY", "zone": "UTC"}), "/name", "control_character"),
        (
            "POST /v1/sites",
            json!({"name": "X", "zone": "UTC", "latitude": 90.00001}),
            "/latitude",
            "out_of_range",
        ),
        (
            "POST /v1/sites",
            json!({"name": "X", "zone": "UTC", "longitude": "12"}),
            "/longitude",
            "wrong_type",
        ),
        ("POST /v1/sites", json!({"name": "X", "zone": "UTC", "a/b~c": 1}), "/a~1b~0c", "unknown_member"),
        ("POST /v1/units", unit("home_site_id", json!("{nobody}")), "/home_site_id", "unknown_site"),
        ("POST /v1/units", unit("home_site_id", json!("{foreign_site}")), "/home_site_id", "unknown_site"),
        ("POST /v1/units", unit("fuel", json!("coal")), "/fuel", "unknown_word"),
        ("POST /v1/units", unit("label", json!("x".repeat(201))), "/label", "text_too_long"),
        ("POST /v1/units", unit("meter_tick_hours", json!(0.5)), "/meter_tick_hours", "out_of_range"),
        ("POST /v1/units", unit("emergency_use", json!("yes")), "/emergency_use", "wrong_type"),
        ("POST /v1/units", unit("rated_kw", json!(-1)), "/rated_kw", "out_of_range"),
        ("POST /v1/units", unit("organization_id", json!("{nobody}")), "/organization_id", "read_only"),
        ("POST /v1/units", unit("version", json!(9)), "/version", "read_only"),
        ("POST /v1/units", unit("role", json!("admin")), "/role", "unknown_member"),
        ("POST /v1/units", unit("deleted_at", json!(null)), "/deleted_at", "unknown_member"),
        (
            "POST /v1/schedules",
            json!({"title": "X", "publisher": "Y", "basis": "hearsay"}),
            "/basis",
            "unknown_word",
        ),
        (editions, task(json!({"limits": {}})), "/tasks/0/limits", "no_limit"),
        (editions, task(json!({"limits": {"hours": 0}})), "/tasks/0/limits/hours", "out_of_range"),
        (
            editions,
            task(json!({"limits": {"months": 1, "days": 30}})),
            "/tasks/0/limits/days",
            "two_calendars",
        ),
        (editions, task(json!({"limits": {"months": 1.5}})), "/tasks/0/limits/months", "wrong_type"),
        (
            editions,
            task(json!({"limits": {"hours": 100, "miles": 60}})),
            "/tasks/0/limits/miles",
            "unknown_member",
        ),
        (editions, task(json!({"anchor": "sliding"})), "/tasks/0/anchor", "unknown_word"),
        (editions, task(json!({"satisfies": ["Plug"]})), "/tasks/0/satisfies/0", "invalid_code"),
        (
            editions,
            task(json!({"settings": [{"setting": "gap", "value": 0.7}]})),
            "/tasks/0/settings/0/unit",
            "required",
        ),
        (
            editions,
            task(json!({"cautions": [{"caution": "heat", "text": "Hot."}]})),
            "/tasks/0/cautions/0/source",
            "required",
        ),
        (
            editions,
            json!({"edition": "B", "effective_from": "2026-01-01", "source": "manual", "tasks": []}),
            "/tasks",
            "required",
        ),
        ("PATCH /v1/units/{unit}", json!({}), "", "empty_patch"),
        ("PATCH /v1/units/{unit}", json!([1]), "", "wrong_type"),
        ("PATCH /v1/units/{unit}", json!({"label": null}), "/label", "required"),
        (
            "PATCH /v1/units/{unit}",
            json!({"home_site_id": "{foreign_site}"}),
            "/home_site_id",
            "unknown_site",
        ),
        ("PATCH /v1/units/{unit}", json!({"id": "{nobody}"}), "/id", "unknown_member"),
        ("PATCH /v1/units/{unit}", json!({"author": "{nobody}"}), "/author", "read_only"),
        ("PATCH /v1/units/{unit}", json!({"colour": null}), "/colour", "unknown_member"),
    ];
    let mut failures = Vec::new();
    for (request, body, pointer, code) in cases {
        let headers = if request.starts_with("PATCH") { PATCH } else { JSON };
        let case = format!("{request} {body:.100}");
        let body = ground.fill(&body.to_string());
        refused(&ground, &mut failures, &case, (400, "invalid_request", &[(pointer, code)]), || {
            ground.send(request, headers, Some(body.as_bytes()))
        });
    }
    none_failed(&failures);
}

fn a_circle_in_satisfies_is_named(backend: Backend) {
    let ground = Ground::new(backend);
    let task = |job: &str, satisfies: &str| json!({"task": job, "job": job, "title": job, "limits": {"hours": 10}, "satisfies": [satisfies]});
    let edition = json!({"edition": "B", "effective_from": "2026-01-01", "source": "manual",
        "tasks": [task("wash", "dry"), task("dry", "fold"), task("fold", "wash")]});
    let town = ground.fill("/v1/schedules/{schedule}/editions");
    let before = ground.traces();
    let reply = ground.client.post(&town, &edition);
    let problem = reply.problem(400, "invalid_request");
    assert_eq!(problem["errors"][0]["code"], "satisfies_cycle", "{problem}");
    let detail = problem["errors"][0]["detail"].as_str().unwrap();
    for job in ["wash", "dry", "fold"] {
        assert!(detail.contains(job), "{job} is in the circle: {detail}");
    }
    assert_eq!(ground.traces(), before);
    // A task that satisfies its own job is the smallest circle.
    let edition = json!({"edition": "B", "effective_from": "2026-01-01", "source": "manual", "tasks": [task("wash", "wash")]});
    assert_eq!(
        ground.client.post(&town, &edition).problem(400, "invalid_request")["errors"][0]["code"],
        "satisfies_cycle"
    );
}
