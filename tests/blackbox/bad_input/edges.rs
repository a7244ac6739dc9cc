//! Edges: ids, times, texts and headers at the border of what is taken, and what holds on every route alike.

use blackbox::{
    Backend, none_failed, on_both, wire,
    world::{description, edition, new_id},
};
use serde_json::{Value, json};

use super::ground::*;

on_both!(
    nobody_sets_what_the_service_sets,
    parameters_on_every_route,
    sql_in_every_filter,
    ids,
    an_id_in_capitals_is_the_same_id,
    an_id_belongs_to_one_record,
    times,
    texts,
    what_is_just_within_the_limits_is_taken,
    a_header_twice,
);

/// What the service alone sets, whoever sends it (D06).
const SET_BY_THE_SERVICE: &[&str] = &[
    "org_id",
    "organization_id",
    "recorded_at",
    "author",
    "role",
    "state",
    "due_at",
    "verdict",
    "confidence",
    "hash",
    "deleted_at",
    "version",
    "seq",
];

const EVENT: &str = "POST /v1/service-events";
const UNIT: &str = "POST /v1/units";

/// A good body for each way to write.
fn writes() -> Vec<(&'static str, Value)> {
    vec![
        ("POST /v1/sites", json!({"name": "Yard", "zone": "UTC"})),
        (UNIT, unit("FS-7")),
        ("POST /v1/schedules", json!({"title": "T", "publisher": "P", "basis": "maker"})),
        ("POST /v1/schedules/{schedule}/editions", edition()),
        (EVENT, reading("occurred_at", "2026-03-01T09:00:00Z")),
        ("PATCH /v1/sites/{site}", json!({"name": "Yard"})),
        ("PATCH /v1/units/{unit}", json!({"label": "FS-8"})),
        ("PATCH /v1/schedules/{schedule}", json!({"title": "T"})),
    ]
}

fn unit(label: &str) -> Value {
    json!({"label": label, "home_site_id": "{site}", "fuel": "petrol"})
}

fn reading(when: &str, at: &str) -> Value {
    json!({"kind": "reading", "unit_id": "{unit}", when: at, "meter_hours": 5})
}

fn headers(request: &str) -> &'static [(&'static str, &'static str)] {
    if request.starts_with("PATCH") { PATCH } else { JSON }
}

fn nobody_sets_what_the_service_sets(backend: Backend) {
    let ground = Ground::new(backend);
    let mut failures = Vec::new();
    for (request, good) in writes() {
        let mut body = good.clone();
        for member in SET_BY_THE_SERVICE {
            body[*member] = json!("x");
        }
        let before = ground.traces();
        let reply = ground.send(request, headers(request), Some(ground.fill(&body.to_string()).as_bytes()));
        reply.problem(400, "invalid_request");
        let mut found = reply.errors();
        found.retain(|(_, code)| code == "read_only" || code == "unknown_member");
        let mut pointers: Vec<&str> = found.iter().map(|(pointer, _)| &pointer[1..]).collect();
        pointers.sort_unstable();
        let mut expected = SET_BY_THE_SERVICE.to_vec();
        expected.sort_unstable();
        if pointers != expected {
            failures.push(format!("{request}: expected {expected:?}, got {:?}", reply.errors()));
        }
        if ground.traces() != before {
            failures.push(format!("{request}: something was written"));
        }
    }
    none_failed(&failures);
}

fn parameters_on_every_route(backend: Backend) {
    let ground = Ground::new(backend);
    let mut failures = Vec::new();
    let wrong = (400, "invalid_parameter", &[("colour", "unknown_parameter")][..]);
    let handsets = [
        ("POST /v1/handsets", json!({"code": "x", "name": "Van 3"})),
        ("POST /v1/handsets/codes", json!({})),
        ("POST /v1/handsets/{handset}/revoke", json!({})),
    ];
    for (request, body) in writes().into_iter().chain(handsets) {
        let body = ground.fill(&body.to_string());
        refused(&ground, &mut failures, request, wrong, || {
            ground.send(&format!("{request}?colour=red"), headers(request), Some(body.as_bytes()))
        });
    }
    let description = description();
    let paths = description["paths"].as_object().unwrap().iter();
    // Whoever probes or browses the routes outside /v1 may add what they like.
    for (path, _) in paths.filter(|(path, methods)| path.starts_with("/v1") && methods.get("get").is_some()) {
        let path = path.replace("_id}", "}").replace("{event}", "{reading}");
        let joint = if path == "/v1/service-events" { "?unit={unit}&" } else { "?" };
        refused(&ground, &mut failures, &path, wrong, || {
            ground.send(&format!("GET {path}{joint}colour=red"), &[], None)
        });
    }
    none_failed(&failures);
}

/// D50 of the attacks: every parameter that the description names takes none of these.
fn sql_in_every_filter(backend: Backend) {
    let ground = Ground::new(backend);
    let description = description();
    let long = "x".repeat(5000);
    let texts =
        ["%27%20OR%201=1--", "1;DROP%20TABLE%20record", "%25", "%00", "%ff", "a%0d%0aset-cookie:b", &long];
    let mut failures = Vec::new();
    let before = ground.traces();
    for (path, operations) in description["paths"].as_object().unwrap() {
        let parameters = operations["get"]["parameters"].as_array().cloned().unwrap_or_default();
        let path = ground.fill(&path.replace("_id}", "}").replace("{event}", "{reading}"));
        for name in parameters.iter().filter(|p| p["in"] == "query").map(|p| p["name"].as_str().unwrap()) {
            for text in texts {
                let with_unit =
                    if path == "/v1/service-events" && name != "unit" { "unit={unit}&" } else { "" };
                let reply = ground.send(&format!("GET {path}?{with_unit}{name}={text}"), &[], None);
                if reply.status != 400 || reply.header("content-type") != "application/problem+json" {
                    failures.push(format!("{path}?{name}={text:.30}: {} {:.200}", reply.status, reply.text));
                }
            }
        }
    }
    for step in ["%27%20OR%201=1--", "%00", "%25", "_", "%ff", "1;DROP", &long] {
        for path in ["/v1/sites/", "/v1/units/", "/v1/schedules/", "/v1/service-events/"] {
            ground.send(&format!("GET {path}{step}"), &[], None).problem(404, "not_found");
        }
    }
    none_failed(&failures);
    assert_eq!(ground.traces(), before);
}

fn ids(backend: Backend) {
    let ground = Ground::new(backend);
    let id = new_id();
    let wrong = [
        "00000000-0000-0000-0000-000000000000".to_owned(),
        "ffffffff-ffff-ffff-ffff-ffffffffffff".to_owned(),
        format!("{{{id}}}"),
        format!("urn:uuid:{id}"),
        id.replace('-', ""),
        id[..35].to_owned(),
        format!("{id}0"),
        id.replacen('0', "g", 1),
        "' OR 1=1--".to_owned(),
        String::new(),
    ];
    let mut failures = Vec::new();
    // Every wrong id on one record, and one wrong id on every way to write.
    let every: Vec<_> = writes().into_iter().map(|(request, body)| (request, body, "again")).collect();
    let one = wrong.iter().map(|id| (UNIT, unit("FS-7"), id.as_str()));
    for (request, body, id) in one.chain(every) {
        let key = [headers(request), &[("idempotency-key", id)]].concat();
        let text = ground.fill(&body.to_string());
        let case = format!("{request} with key {id:?}");
        refused(
            &ground,
            &mut failures,
            &case,
            (400, "invalid_header", &[("Idempotency-Key", "invalid_id")]),
            || ground.send(request, &key, Some(text.as_bytes())),
        );
        if request.starts_with("POST") {
            let mut body = body;
            body["id"] = json!(id);
            let text = ground.fill(&body.to_string());
            let told = (400, "invalid_request", &[("/id", "invalid_id")][..]);
            refused(&ground, &mut failures, &format!("{request} with id {id:?}"), told, || {
                ground.send(request, JSON, Some(text.as_bytes()))
            });
        }
    }
    none_failed(&failures);
}

fn an_id_in_capitals_is_the_same_id(backend: Backend) {
    let ground = Ground::new(backend);
    let mut site = json!({"name": "Yard", "zone": "UTC", "id": new_id()});
    let first = ground.client.post("/v1/sites", &site).expect(201);
    let rows = ground.traces();
    let capitals = site["id"].as_str().unwrap().to_uppercase();
    site["id"] = json!(capitals);
    assert_eq!(ground.client.post("/v1/sites", &site).expect(200).json(), first.json());
    assert_eq!(ground.client.get(&format!("/v1/sites/{capitals}")).expect(200).json(), first.json());
    assert_eq!(ground.traces(), rows);
}

/// Whatever was recorded under an id, nothing else is; nor may a change's key stand in for a record.
fn an_id_belongs_to_one_record(backend: Backend) {
    let ground = Ground::new(backend);
    let mut failures = Vec::new();
    for (made, first) in writes() {
        let id = new_id();
        let send = |request: &str, body: &Value| {
            let path = ground.fill(request.split_once(' ').unwrap().1);
            // Every change begins from the record as it is.
            let etag =
                ground.client.get(&path).headers.get("etag").map(|tag| tag.to_str().unwrap().to_owned());
            let etag = etag.unwrap_or_default();
            let mut all: Vec<(&str, &str)> =
                vec![("idempotency-key", &id), ("content-type", headers(request)[0].1)];
            if request.starts_with("PATCH") {
                all.push(("if-match", &etag));
            }
            ground.send(request, &all, Some(ground.fill(&body.to_string()).as_bytes()))
        };
        let reply = send(made, &first);
        assert!([200, 201].contains(&reply.status), "{made}: {}", reply.text);
        for (request, body) in writes().iter().filter(|(request, _)| *request != made) {
            let case = format!("{request} with the id of {made}");
            refused(&ground, &mut failures, &case, (409, "id_reused", &[]), || send(request, body));
        }
    }
    none_failed(&failures);
}

/// RFC 3339 section 5.6 and no more: what another reader could not read back is not taken.
fn times(backend: Backend) {
    let ground = Ground::new(backend);
    let cases = [
        ("occurred_at", "2026-02-30T09:00:00Z", "invalid_instant"),
        ("occurred_at", "2026-00-10T09:00:00Z", "invalid_instant"),
        ("occurred_at", "2026-03-01T24:00:00Z", "invalid_instant"),
        ("occurred_at", "2026-03-01T09:60:00Z", "invalid_instant"),
        ("occurred_at", "2026-03-01T09:00Z", "invalid_instant"),
        ("occurred_at", "2026-03-01 09:00:00Z", "invalid_instant"),
        ("occurred_at", "20260301T090000Z", "invalid_instant"),
        ("occurred_at", "2026-060T09:00:00Z", "invalid_instant"),
        ("occurred_at", "-2026-03-01T09:00:00Z", "invalid_instant"),
        ("occurred_at", "", "invalid_instant"),
        ("occurred_at", "2026-03-01T09:00:00,5Z", "invalid_instant"),
        ("occurred_at", "2026-03-01T09:00:00+24:00", "invalid_instant"),
        ("occurred_at", "2026-03-01T09:00:00+23:60", "invalid_instant"),
        // A leap second is only ever the last of a UTC day.
        ("occurred_at", "2026-03-01T09:00:60Z", "invalid_instant"),
        ("occurred_at", "1969-12-31T23:59:59Z", "out_of_range"),
        ("occurred_on", "2026-02-30", "invalid_date"),
        ("occurred_on", "2026-13-01", "invalid_date"),
        ("occurred_on", "2026-3-1", "invalid_date"),
        ("occurred_on", "2026-03-01T00:00:00Z", "invalid_date"),
        ("occurred_on", "0001-01-01", "out_of_range"),
        ("occurred_on", "9999-12-31", "out_of_range"),
        ("occurred_on", "2026-06-17", "occurred_in_future"),
    ];
    let mut failures = Vec::new();
    for (member, text, code) in cases {
        let body = ground.fill(&reading(member, text).to_string());
        let (case, pointer) = (format!("{member} {text:?}"), format!("/{member}"));
        refused(&ground, &mut failures, &case, (400, "invalid_request", &[(&pointer, code)]), || {
            ground.send(EVENT, JSON, Some(body.as_bytes()))
        });
    }
    none_failed(&failures);
}

fn texts(backend: Backend) {
    let ground = Ground::new(backend);
    let (long, emoji) = ("x".repeat(201), "🚒".repeat(201));
    let cases = [
        ("empty", "", "empty_text"),
        ("blanks", "  ", "empty_text"),
        ("a no-break space", "\u{a0}", "empty_text"),
        ("a bidi override", "a\u{202e}b", "control_character"),
        ("a bidi isolate", "a\u{2066}b", "control_character"),
        ("a C1 control", "a\u{85}b", "control_character"),
        ("DEL", "a\u{7f}b", "control_character"),
        ("201 letters", long.as_str(), "text_too_long"),
        ("201 characters of four bytes", emoji.as_str(), "text_too_long"),
    ];
    let mut failures = Vec::new();
    for (case, label, code) in cases {
        let body = ground.fill(&unit(label).to_string());
        refused(&ground, &mut failures, case, (400, "invalid_request", &[("/label", code)]), || {
            ground.send(UNIT, JSON, Some(body.as_bytes()))
        });
    }
    for name in ["\\ud800", "\\udc00", "\\u0000"] {
        for body in [format!("{{\"{name}\":1}}"), format!("{{\"label\":\"{name}\"}}")] {
            refused(&ground, &mut failures, &body, (400, "invalid_json", &[("", "invalid_json")]), || {
                ground.send(UNIT, JSON, Some(body.as_bytes()))
            });
        }
    }
    none_failed(&failures);
}

/// The other side of each limit.
fn what_is_just_within_the_limits_is_taken(backend: Backend) {
    let ground = Ground::new(backend);
    let unit_body = |label: &str| ground.fill(&unit(label).to_string());
    let site = json!({"name": "Yard", "zone": "UTC", "note": "y".repeat(4000)}).to_string();
    let padded = format!("{site}{}", " ".repeat((1 << 20) - site.len()));
    assert_eq!(padded.len(), 1 << 20);
    let at = |at: &str| ground.fill(&reading("occurred_at", at).to_string());
    for (request, body) in [
        ("POST /v1/sites", padded),
        (UNIT, unit_body(&"x".repeat(200))),
        (UNIT, unit_body(&"🚒".repeat(200))),
        (UNIT, unit_body("מחולל 5 e\u{301}")),
        (EVENT, at("1970-01-01T00:00:00Z")),
        (EVENT, at("2024-02-29T09:00:00.123456-07:00")),
        (EVENT, at("2026-06-15T12:09:00Z")),
        (EVENT, ground.fill(&reading("occurred_on", "2026-06-15").to_string())),
        (EVENT, at("2026-06-14T09:00:00Z").replace(":5,", ":1000000,")),
        (EVENT, at("2026-06-14T09:00:00Z").replace(":5,", ":1e2,")),
    ] {
        let reply = ground.send(request, JSON, Some(body.as_bytes()));
        assert_eq!(reply.status, 201, "{request} {body:.120}: {}", reply.text);
    }
}

/// A case, a method, a path, the lines of the head, the body, and the statuses that refuse it.
type Sent<'a> = (&'a str, &'a str, &'a str, Vec<&'a str>, &'a str, &'a [u16]);

/// D69 of the attacks: a header that may come once is not taken where it comes twice and differs.
fn a_header_twice(backend: Backend) {
    let ground = Ground::new(backend);
    let site = json!({"name": "Yard", "zone": "UTC"}).to_string();
    let patch = json!({"maker": "Sprig"}).to_string();
    let (token, length) =
        (format!("authorization: Bearer {}", ground.token), format!("content-length: {}", site.len()));
    let etag = ground.fill("if-match: {etag}");
    let path = ground.fill("/v1/units/{unit}");
    let patched = format!("content-length: {}", patch.len());
    let (json, merge) = ("content-type: application/json", "content-type: application/merge-patch+json");
    let keys = [format!("idempotency-key: {}", new_id()), format!("idempotency-key: {}", new_id())];
    let cases: [Sent<'_>; 5] = [
        (
            "media types",
            "POST",
            "/v1/sites",
            vec![&token, json, "content-type: text/plain", &length],
            &site,
            &[400, 415],
        ),
        ("keys", "POST", "/v1/sites", vec![&token, json, &keys[0], &keys[1], &length], &site, &[400]),
        (
            "tokens",
            "POST",
            "/v1/sites",
            vec![&token, "authorization: Bearer x", json, &length],
            &site,
            &[400, 401],
        ),
        ("tags", "PATCH", &path, vec![&token, merge, &etag, "if-match: \"x\"", &patched], &patch, &[400]),
        (
            "tags, the stale one first",
            "PATCH",
            &path,
            vec![&token, merge, "if-match: \"x\"", &etag, &patched],
            &patch,
            &[400],
        ),
    ];
    let mut failures = Vec::new();
    let before = ground.traces();
    for (case, method, target, lines, body, allowed) in cases {
        let request = [wire::head(method, target, &lines), body.as_bytes().to_vec()].concat();
        let reply = wire::exchange(ground.world.service.url(), &request).unwrap();
        if !allowed.contains(&reply.status) {
            failures.push(format!("two {case}: expected one of {allowed:?}, got {}", reply.status));
        }
    }
    if ground.traces() != before {
        failures.push("something was written".to_owned());
    }
    none_failed(&failures);
}
