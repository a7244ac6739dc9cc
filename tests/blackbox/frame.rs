//! What stands around every request: its id, the headers of answers, methods, and the routes about the service itself.

use std::collections::BTreeMap;

use blackbox::{
    Backend, Reply, World, none_failed, on_both, service,
    wire::{self, head},
    world::description,
};
use serde_json::{Value, json};

on_both!(
    a_request_has_one_id,
    every_answer_has_its_headers,
    what_must_not_be_kept_says_so,
    other_methods_are_refused_with_those_allowed,
    addresses_that_are_not_there,
    no_other_origin_is_let_in,
    about_the_service,
    problems_are_described,
    ready_only_with_its_database,
);

/// The header that every answer must have, and what it says (D71).
const HEADERS: &[(&str, &str)] = &[
    ("strict-transport-security", "max-age=31536000; includeSubDomains"),
    ("x-content-type-options", "nosniff"),
    ("content-security-policy", "default-src 'none'; frame-ancestors 'none'"),
    ("referrer-policy", "no-referrer"),
];

/// Paths of the description with the methods of each.
fn routes() -> BTreeMap<String, Vec<String>> {
    let description = description();
    let paths = description["paths"].as_object().unwrap();
    let methods = |value: &Value| value.as_object().unwrap().keys().map(|m| m.to_uppercase()).collect();
    paths.iter().map(|(path, value)| (path.clone(), methods(value))).collect()
}

/// A path with every place for an id filled by one that is nobody's.
fn filled(template: &str) -> String {
    let step = |step: &str| match step {
        "{code}" => "not_found".to_owned(),
        "{file}" => "start.js".to_owned(),
        _ if step.starts_with('{') => "019ecb27-0000-7000-8000-000000000000".to_owned(),
        _ => step.to_owned(),
    };
    template.split('/').map(step).collect::<Vec<_>>().join("/")
}

fn a_request_has_one_id(backend: Backend) {
    let world = World::new(backend);
    let client = world.town().coordinator().clone();
    let mut failures = Vec::new();
    let longest = "x".repeat(64);
    for id in ["a", "A-b_9", longest.as_str(), "019ecb27-2254-7661-a50d-13ffea345c78"] {
        for (path, status) in [("/v1/sites", 200), ("/v1/units/none", 404)] {
            let reply = client.send("GET", path, &[("x-request-id", id)], None);
            if (reply.status, reply.header("x-request-id")) != (status, id) {
                failures.push(format!("{id} to {path}: {} {}", reply.status, reply.header("x-request-id")));
            }
            if status == 404 {
                reply.problem(404, "not_found");
            }
        }
    }
    let too_long = "x".repeat(65);
    for id in [too_long.as_str(), "", "a b", "a\tb", "a<script>", "a\"b", "a,b", "../x"] {
        let reply = client.send("GET", "/v1/units/none", &[("x-request-id", id)], None);
        let own = reply.header("x-request-id");
        if own.len() != 36 || own == id {
            failures.push(format!("{id:?} is replaced: {own:?}"));
        }
        reply.problem(404, "not_found");
    }
    // A line end in the id cannot begin a header of its own.
    let forged = head("GET", "/livez", &["x-request-id: a\r\n\tx-forged: b"]);
    if let Some(reply) = wire::exchange(world.service.url(), &forged)
        && (!reply.header("x-forged").is_empty() || reply.header("x-request-id").contains("forged"))
    {
        failures.push(format!("{reply:?}"));
    }
    let (first, second) = (client.get("/livez"), client.get("/livez"));
    assert_ne!(first.header("x-request-id"), second.header("x-request-id"));
    none_failed(&failures);
}

/// Answers of every kind: good, not modified, and each way to fail.
fn answers(world: &World) -> Vec<(String, Reply)> {
    let town = world.town();
    let client = town.coordinator();
    let unit = town.unit_in_service("FS-1", 0);
    let path = format!("/v1/units/{unit}");
    let etag = client.get(&path).etag();
    let json = ("content-type", "application/json");
    let too_large = vec![b' '; (1 << 20) + 1];
    let mut answers: Vec<(String, Reply)> = Vec::new();
    for (template, methods) in routes() {
        for method in methods {
            // A stream does not end; its headers are those of its head.
            let asked = if template == "/v1/changes/stream" { "HEAD" } else { method.as_str() };
            let reply = client.send(asked, &filled(&template), &[], None);
            answers.push((format!("{method} {template}"), reply));
        }
    }
    let other = |name: &str, reply: Reply| (name.to_owned(), reply);
    answers.extend([
        other("a unit", client.get(&path)),
        other("due", client.get(&format!("{path}/due"))),
        other("304", client.send("GET", &path, &[("if-none-match", &etag)], None)),
        other("201", client.post("/v1/sites", &json!({"name": "Y", "zone": "UTC"}))),
        other("400", client.post("/v1/sites", &json!({}))),
        other("401", world.service.anonymous().get("/v1/sites")),
        other("403", town.clients["viewer"].post("/v1/sites", &json!({"name": "Y", "zone": "UTC"}))),
        other("404", client.get("/nowhere")),
        other("405", client.send("DELETE", &path, &[], None)),
        other("412", client.patch(&path, "\"x\"", &json!({"label": "B"}))),
        other("413", client.send("POST", "/v1/sites", &[json], Some(&too_large))),
        other("415", client.send("POST", "/v1/sites", &[], Some(b"{}"))),
        other(
            "428",
            client.send("PATCH", &path, &[("content-type", "application/merge-patch+json")], Some(b"{}")),
        ),
        other("HEAD", client.send("HEAD", &path, &[], None)),
    ]);
    answers
}

fn every_answer_has_its_headers(backend: Backend) {
    let world = World::new(backend);
    let mut failures = Vec::new();
    for (case, reply) in answers(&world) {
        for (name, value) in HEADERS {
            // The page of the description says itself what it may load; `description/docs.rs` looks at that.
            let own = *name == "content-security-policy" && case.contains("/docs") && reply.status < 400;
            if reply.header(name) != *value && !own {
                failures.push(format!("{case}: {name} is {:?}", reply.header(name)));
            }
        }
        for name in ["vary", "x-request-id", "cache-control"] {
            if reply.header(name).is_empty() {
                failures.push(format!("{case}: no {name}"));
            }
        }
        if !reply.header("vary").to_lowercase().contains("authorization") {
            failures.push(format!("{case}: answers differ by who asks: {}", reply.header("vary")));
        }
        for name in ["server", "x-powered-by", "access-control-allow-origin", "set-cookie"] {
            if !reply.header(name).is_empty() {
                failures.push(format!("{case}: {name} is {:?}", reply.header(name)));
            }
        }
        if reply.status >= 400 && case != "HEAD" {
            let code = reply.json()["type"].as_str().unwrap_or_default().replace("/problems/", "");
            reply.problem(reply.status, &code);
        }
    }
    none_failed(&failures);
}

/// C44: data is `private, no-store`, or `private, no-cache` where a tag lets a client ask again.
fn what_must_not_be_kept_says_so(backend: Backend) {
    let world = World::new(backend);
    let mut failures = Vec::new();
    for (case, reply) in answers(&world) {
        let told = reply.header("cache-control");
        let asks_again = [200, 304].contains(&reply.status) && !reply.header("etag").is_empty();
        let expected = if asks_again { "no-cache" } else { "no-store" };
        if !told.contains(expected) || !told.contains("private") {
            failures.push(format!("{case} ({}): {told}, not {expected}", reply.status));
        }
    }
    none_failed(&failures);
}

fn other_methods_are_refused_with_those_allowed(backend: Backend) {
    let world = World::new(backend);
    let client = world.town().coordinator().clone();
    let methods = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE"];
    let mut failures = Vec::new();
    let rows = world.database.log_rows();
    for (template, mut allowed) in routes() {
        if allowed.contains(&"GET".to_owned()) {
            allowed.push("HEAD".to_owned());
        }
        allowed.sort();
        for method in methods.iter().filter(|method| !allowed.contains(&(**method).to_owned())) {
            let reply = client.send(method, &filled(&template), &[], None);
            let mut told: Vec<&str> = reply.header("allow").split(',').map(str::trim).collect();
            told.sort_unstable();
            if reply.status != 405 || told != allowed {
                failures.push(format!("{method} {template}: {} Allow: {told:?}", reply.status));
            } else if *method != "HEAD" {
                reply.problem(405, "method_not_allowed");
            }
        }
        // A method cannot be put on in a header (D08).
        let sent = client.send("POST", &filled(&template), &[("x-http-method-override", "GET")], None);
        if sent.status == 200 {
            failures.push(format!("{template}: an overridden method was taken"));
        }
    }
    none_failed(&failures);
    assert_eq!(world.database.log_rows(), rows);
    // Methods that no client of ours would send; CONNECT names no path.
    for (method, target) in [("PROPFIND", "/v1/sites"), ("get", "/v1/sites"), ("CONNECT", "localhost:443")] {
        if let Some(reply) = wire::exchange(world.service.url(), &head(method, target, &[])) {
            assert!([400, 404, 405].contains(&reply.status), "{method}: {reply:?}");
        }
    }
    // HEAD tells what GET tells, without the body.
    let (got, headed) = (client.get("/v1/sites"), client.send("HEAD", "/v1/sites", &[], None));
    assert_eq!((headed.status, headed.text.as_str()), (200, ""));
    assert_eq!(headed.header("content-type"), got.header("content-type"));
}

/// D08 and D74 of the attacks: one spelling of each address, and nothing beside what is described.
fn addresses_that_are_not_there(backend: Backend) {
    let world = World::new(backend);
    let client = world.town().coordinator().clone();
    let paths = [
        "/",
        "/v1",
        "/v1/",
        "/v1/sites/",
        "//v1/sites",
        "/v1//sites",
        "/V1/sites",
        "/v1/Sites",
        "/v1/sites.json",
        "/v1/units.css",
        "/v1/./sites",
        "/v1/x/../sites",
        "/v1/%2e%2e/v1/sites",
        "/v1/site%73/",
        "/v2/sites",
        "/metrics",
        "/docs/",
        "/debug/pprof",
        "/.git/config",
        "/.env",
        "/backup",
        "/livez/",
        "/problems",
        "/problems/",
        "/problems/nonsense",
        "/problems/..%2fopenapi.json",
        "/openapi.yaml",
        "/favicon.ico",
        "/robots.txt",
    ];
    let mut failures = Vec::new();
    for path in paths {
        // Written by hand, so that no client tidies the address up.
        let token = "authorization: Bearer x";
        for lines in [&[][..], &[token][..]] {
            let Some(reply) = wire::exchange(world.service.url(), &head("GET", path, lines)) else {
                failures.push(format!("{path}: no answer"));
                continue;
            };
            if reply.status != 404 {
                failures.push(format!("{path}: {} {}", reply.status, reply.text));
            } else {
                reply.problem(404, "not_found");
            }
        }
    }
    none_failed(&failures);
    client.send("TRACE", "/nowhere", &[], None).problem(404, "not_found");
    client.get("/v1/sites").expect(200);
}

/// D70 of the attacks.
fn no_other_origin_is_let_in(backend: Backend) {
    let world = World::new(backend);
    let client = world.town().coordinator().clone();
    for origin in
        ["null", "https://keepstart.example", "https://keepstart.example.evil.com", "http://localhost"]
    {
        for (method, status) in [("GET", 200), ("OPTIONS", 405)] {
            let asked = [("origin", origin), ("access-control-request-method", "POST")];
            let reply = client.send(method, "/v1/sites", &asked, None).expect(status);
            let told: Vec<_> =
                reply.headers.keys().filter(|n| n.as_str().starts_with("access-control")).collect();
            assert!(told.is_empty(), "{method} from {origin}: {told:?}");
        }
    }
    // D72: no address in an answer is built from what the client calls the host.
    let token = world.token(world.town().id, blackbox::world::fresh());
    let lines = [format!("authorization: Bearer {token}"), "x-forwarded-host: evil.example".to_owned()];
    let request =
        format!("GET /v1/units/x HTTP/1.1\r\nhost: evil.example\r\n{}\r\n{}\r\n\r\n", lines[0], lines[1]);
    let reply = wire::exchange(world.service.url(), request.as_bytes()).unwrap();
    assert!(!format!("{reply:?}").contains("evil"), "{reply:?}");
}

fn about_the_service(backend: Backend) {
    let world = World::new(backend);
    let nobody = world.service.anonymous();
    assert_eq!(nobody.get("/livez").expect(200).json(), json!({"status": "ok"}));
    // Where no night shift ever was, it says so: no mail goes out.
    let nightly = json!({"status": "absent", "failing": 0});
    assert_eq!(nobody.get("/readyz").expect(200).json(), json!({"status": "ok", "nightly": nightly}));
    let reply = nobody.get("/openapi.json").expect(200);
    assert_eq!(reply.header("content-type"), "application/json");
    assert_eq!(reply.json(), *description(), "what is served is what is checked in");
    assert!(reply.json()["openapi"].as_str().unwrap().starts_with("3.1"), "OpenAPI 3.1");
    let printed = service::run(&["openapi"]);
    assert!(printed.status.success());
    assert_eq!(serde_json::from_slice::<Value>(&printed.stdout).unwrap(), *description());
    // Every operation is described: a name of its own, a summary, what may come back.
    let description = description();
    let mut names = std::collections::BTreeSet::new();
    for (path, methods) in description["paths"].as_object().unwrap() {
        for (method, operation) in methods.as_object().unwrap() {
            assert!(operation["summary"].as_str().is_some_and(|text| !text.is_empty()), "{method} {path}");
            assert!(names.insert(operation["operationId"].to_string()), "{method} {path}: its name is taken");
            for class in ["4XX", "5XX"] {
                let content = &operation["responses"][class]["content"];
                assert!(content.get("application/problem+json").is_some(), "{method} {path}: {class}");
            }
        }
    }
}

fn problems_are_described(backend: Backend) {
    let world = World::new(backend);
    let nobody = world.service.anonymous();
    let codes = [
        ("invalid_json", 400),
        ("invalid_request", 400),
        ("invalid_parameter", 400),
        ("invalid_header", 400),
        ("cursor_invalid", 400),
        ("unauthenticated", 401),
        ("forbidden", 403),
        ("not_found", 404),
        ("method_not_allowed", 405),
        ("request_too_slow", 408),
        ("id_reused", 409),
        ("already_exists", 409),
        ("already_decided", 409),
        ("not_possible", 409),
        ("precondition_failed", 412),
        ("content_too_large", 413),
        ("unsupported_media_type", 415),
        ("precondition_required", 428),
        ("code_not_valid", 422),
        ("too_many_requests", 429),
        ("internal", 500),
        ("busy", 503),
    ];
    for (code, status) in codes {
        let described = nobody.get(&format!("/problems/{code}")).expect(200).json();
        assert_eq!((&described["code"], &described["status"]), (&json!(code), &json!(status)), "{described}");
        for member in ["title", "what_to_do"] {
            assert!(described[member].as_str().is_some_and(|text| text.len() > 10), "{described}");
        }
        assert!(described["retryable"].is_boolean(), "{described}");
    }
}

/// C33 and D75: without its database the process lives, is not ready, and tells nothing of why.
fn ready_only_with_its_database(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    world.service.anonymous().get("/readyz").expect(200);
    match backend {
        // The whole database goes away.
        Backend::Postgres => world.database.vanish(),
        // The file stays open; what it holds goes away.
        Backend::Sqlite => {
            world.database.sql("DROP TABLE due_item");
            world.database.sql("ALTER TABLE organization_list RENAME TO gone");
        }
    }
    world.service.anonymous().get("/livez").expect(200);
    let reply = world.service.anonymous().get("/readyz");
    assert!([500, 503].contains(&reply.status), "{reply:?}");
    let code = if reply.status == 503 { "busy" } else { "internal" };
    reply.problem(reply.status, code);
    let due = town.coordinator().get("/v1/due");
    assert!([500, 503].contains(&due.status), "{due:?}");
    due.problem(due.status, if due.status == 503 { "busy" } else { "internal" });
    assert!(!due.text.contains("due_item") && !due.text.contains("table"), "{}", due.text);
}
