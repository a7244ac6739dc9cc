//! Access tokens: only what our key signed, for us, and for now.

use access::{Audience, Issuer, token};
use aws_lc_rs::{hmac, signature::Ed25519KeyPair};
use blackbox::{
    Backend, Client, Service, World, none_failed, on_both,
    service::serve,
    world::{AUDIENCE, ISSUER, claims, new_id},
};
use data_encoding::{BASE64URL_NOPAD, HEXLOWER};
use model::Instant;
use serde_json::{Value, json};

on_both!(tokens_that_are_not_taken, other_ways_to_send_a_token, tokens_are_not_logged);

/// The secret of the key that worlds sign with.
const SEED: [u8; 32] = [7; 32];

/// 2026-06-15T12:00:00Z, when the services' clocks begin.
const NOW: i64 = 1_781_524_800;

fn encoded(value: &Value) -> String {
    BASE64URL_NOPAD.encode(value.to_string().as_bytes())
}

/// Any header and payload, signed as ours are.
fn signed(header: &str, payload: &str) -> String {
    let key = Ed25519KeyPair::from_seed_unchecked(&SEED).unwrap();
    let message = format!(
        "{}.{}",
        BASE64URL_NOPAD.encode(header.as_bytes()),
        BASE64URL_NOPAD.encode(payload.as_bytes())
    );
    format!("{message}.{}", BASE64URL_NOPAD.encode(key.sign(message.as_bytes()).as_ref()))
}

/// D10 to D17 of the attacks. The crate `access` tests the same rules one by one; here they are seen to be in force.
fn tokens_that_are_not_taken(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let person = town.people["coordinator"];
    let kid = world.key.public().kid().to_owned();
    let header = json!({"alg": "EdDSA", "typ": "at+jwt", "kid": kid});
    let payload = json!({"iss": ISSUER, "aud": AUDIENCE, "sub": person, "organization": town.id, "client_id": "tests",
        "jti": new_id(), "iat": NOW, "exp": NOW + 3600});
    let with = |value: &Value, member: &str, set: Value| {
        let mut value = value.clone();
        if set.is_null() {
            value.as_object_mut().unwrap().remove(member);
        } else {
            value[member] = set;
        }
        value.to_string()
    };
    let good = signed(&header.to_string(), &payload.to_string());
    world.service.client(&good).get("/v1/sites").expect(200);
    let (message, signature) = good.rsplit_once('.').unwrap();

    let mut cases: Vec<(String, String)> = vec![
        ("garbage".into(), "garbage".into()),
        ("nothing".into(), String::new()),
        ("two dots".into(), "..".into()),
        ("three parts of garbage".into(), "a.b.c".into()),
        ("five parts".into(), format!("{good}.a.b")),
        ("no signature".into(), format!("{message}.")),
        ("half a signature".into(), format!("{message}.{}", &signature[..40])),
        ("padding".into(), format!("{good}==")),
        ("a blank inside".into(), good.replacen('.', ". ", 1)),
        ("longer than 8 kB".into(), format!("{good}{}", "A".repeat(9000))),
    ];
    let mut changed = BASE64URL_NOPAD.decode(signature.as_bytes()).unwrap();
    changed[0] ^= 1;
    cases.push(("another signature".into(), format!("{message}.{}", BASE64URL_NOPAD.encode(&changed))));
    let other = with(&payload, "sub", json!(town.people["admin"]));
    cases.push((
        "another payload under the same signature".into(),
        format!("{}.{}.{signature}", encoded(&header), BASE64URL_NOPAD.encode(other.as_bytes())),
    ));
    for alg in ["none", "None", "nOnE", "NONE", ""] {
        let unsigned =
            format!("{}.{}.", encoded(&json!({"alg": alg, "typ": "at+jwt", "kid": kid})), encoded(&payload));
        cases.push((format!("algorithm {alg:?}, unsigned"), unsigned.clone()));
        cases.push((format!("algorithm {alg:?}, with the signature"), format!("{unsigned}{signature}")));
    }
    // The public key as the secret of a symmetric algorithm, in the forms in which it is published.
    let x = world.key.public().to_jwk()["x"].as_str().unwrap().to_owned();
    let raw = BASE64URL_NOPAD.decode(x.as_bytes()).unwrap();
    for secret in
        [x.clone().into_bytes(), raw.clone(), HEXLOWER.encode(&raw).into_bytes(), kid.clone().into_bytes()]
    {
        let message = format!(
            "{}.{}",
            encoded(&json!({"alg": "HS256", "typ": "at+jwt", "kid": kid})),
            encoded(&payload)
        );
        let tag = hmac::sign(&hmac::Key::new(hmac::HMAC_SHA256, &secret), message.as_bytes());
        cases.push((
            "HS256 with the public key".into(),
            format!("{message}.{}", BASE64URL_NOPAD.encode(tag.as_ref())),
        ));
    }
    for (member, values) in [
        ("alg", vec![json!("ES256"), json!("RS256"), json!("Ed448"), json!(7), json!(null)]),
        ("typ", vec![json!("JWT"), json!("id+jwt"), json!("rt+jwt"), json!(null)]),
        (
            "kid",
            vec![
                json!("../../dev/null"),
                json!("' OR 1=1--"),
                json!("http://127.0.0.1/"),
                json!("x".repeat(5000)),
                json!("a\0b"),
                json!(null),
            ],
        ),
        ("crit", vec![json!(["exp"]), json!([])]),
        ("jku", vec![json!("http://127.0.0.1:1/jwks")]),
        ("jwk", vec![world.key.public().to_jwk()]),
        ("x5u", vec![json!("http://127.0.0.1:1/cert")]),
        ("zip", vec![json!("DEF")]),
    ] {
        for value in values {
            let case = format!("header {member} {value:.40}");
            cases.push((case, signed(&with(&header, member, value), &payload.to_string())));
        }
    }
    for (member, values) in [
        (
            "iss",
            vec![
                json!("https://keepstart.example/"),
                json!("https://keepstart.example.evil"),
                json!("HTTPS://KEEPSTART.EXAMPLE"),
                json!(null),
            ],
        ),
        (
            "aud",
            vec![
                json!("other"),
                json!([AUDIENCE]),
                json!([AUDIENCE, "other"]),
                json!("Keepstart"),
                json!(null),
            ],
        ),
        ("sub", vec![json!("admin"), json!(7), json!(null)]),
        ("organization", vec![json!("all"), json!(null)]),
        (
            "exp",
            vec![
                json!(NOW - 61),
                json!(NOW),
                json!((NOW + 3600).to_string()),
                json!(f64::MAX),
                json!(NOW + 90_000),
                json!(-1),
                json!(null),
            ],
        ),
        ("iat", vec![json!(NOW + 600), json!((NOW).to_string()), json!(null)]),
        ("nbf", vec![json!(NOW + 600), json!("soon")]),
        ("cnf", vec![json!({"jkt": "x"})]),
    ] {
        for value in values {
            let case = format!("claim {member} {value:.40}");
            cases.push((case, signed(&header.to_string(), &with(&payload, member, value))));
        }
    }
    let text = payload.to_string();
    cases.push((
        "a claim twice".into(),
        signed(&header.to_string(), &text.replacen('{', &format!("{{\"sub\":\"{person}\","), 1)),
    ));
    cases.push((
        "1e400 seconds".into(),
        signed(&header.to_string(), &text.replace(&(NOW + 3600).to_string(), "1e400")),
    ));
    let odd = access::SigningKey::from_seed(&[8; 32]).unwrap();
    cases.push(("another key".into(), token::sign(&odd, &claims(town.id, person)).unwrap()));
    let now = Instant::parse("2026-06-15T12:00:00Z").unwrap();
    let mut expired = claims(town.id, person);
    (expired.issued_at, expired.expires_at) = (now.plus_seconds(-7200), now.plus_seconds(-61));
    cases.push(("expired beyond the leeway".into(), token::sign(&world.key, &expired).unwrap()));
    let mut elsewhere = claims(town.id, person);
    elsewhere.audience = Audience::parse("elsewhere").unwrap();
    cases.push(("for another service".into(), token::sign(&world.key, &elsewhere).unwrap()));
    let mut by_another = claims(town.id, person);
    by_another.issuer = Issuer::parse("https://elsewhere.example").unwrap();
    cases.push(("of another issuer".into(), token::sign(&world.key, &by_another).unwrap()));

    let mut failures = Vec::new();
    for (case, token) in cases {
        let reply = world.service.client(&token).get("/v1/sites");
        if reply.status != 401 {
            failures.push(format!("{case}: {} {}", reply.status, reply.text));
            continue;
        }
        // Whoever asks learns nothing of the reason.
        if reply.problem(401, "unauthenticated").get("detail").is_some() {
            failures.push(format!("{case}: {}", reply.text));
        }
    }
    none_failed(&failures);
    // Clocks may differ by a minute.
    for (issued, expires) in [(-3600, -10), (30, 3600)] {
        let mut close = claims(town.id, person);
        (close.issued_at, close.expires_at) = (now.plus_seconds(issued), now.plus_seconds(expires));
        let token = token::sign(&world.key, &close).unwrap();
        world.service.client(&token).get("/v1/sites").expect(200);
    }
}

fn other_ways_to_send_a_token(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let token = world.token(town.id, town.people["coordinator"]);
    let nobody = world.service.anonymous();
    let bearer = format!("Bearer {token}");
    type Sent<'a> = Vec<(&'a str, &'a str)>;
    let cases: Vec<(&str, String, Sent<'_>, u16)> = vec![
        (
            "two headers",
            "/v1/sites".into(),
            vec![("authorization", &bearer), ("authorization", &bearer)],
            400,
        ),
        (
            "two headers, one of them wrong",
            "/v1/sites".into(),
            vec![("authorization", "Bearer x"), ("authorization", &bearer)],
            400,
        ),
        (
            "in the query, beside a good one",
            format!("/v1/sites?access_token={token}"),
            vec![("authorization", &bearer)],
            400,
        ),
        ("another scheme", "/v1/sites".into(), vec![("authorization", &token)], 401),
        ("a basic password", "/v1/sites".into(), vec![("authorization", "Basic YWRtaW46YWRtaW4=")], 401),
        ("a cookie", "/v1/sites".into(), vec![("cookie", &token)], 401),
        ("two blanks", "/v1/sites".into(), vec![("authorization", "Bearer  x")], 401),
        ("the scheme in small letters", "/v1/sites".into(), vec![], 200),
    ];
    let mut failures = Vec::new();
    for (case, path, headers, status) in cases {
        let small = format!("bearer {token}");
        let headers = if status == 200 { vec![("authorization", small.as_str())] } else { headers };
        let reply = nobody.send("GET", &path, &headers, None);
        if reply.status != status || reply.text.contains(&token) {
            failures.push(format!("{case}: expected {status}, got {} {}", reply.status, reply.text));
        }
    }
    // D21: alone in the query it is refused as well; 400 or 401, but never taken and never repeated.
    let reply = nobody.get(&format!("/v1/sites?access_token={token}"));
    if ![400, 401].contains(&reply.status) || reply.text.contains(&token) {
        failures.push(format!("in the query alone: {} {}", reply.status, reply.text));
    }
    none_failed(&failures);
}

/// D63 and D83 of the attacks: what must stay secret, and what would forge lines, never reaches the log.
fn tokens_are_not_logged(backend: Backend) {
    let mut world = World::new(backend);
    let town = world.town();
    let token = world.token(town.id, town.people["coordinator"]);
    let log = world.database.folder().join("log.txt");
    world.service.kill();
    world.service = Service::logging(&mut serve(&world.database, blackbox::service::NOW), &log);
    let client: Client = world.service.client(&token);
    client.get("/v1/sites").expect(200);
    client.get(&format!("/v1/sites?access_token={token}"));
    client.get(&format!("/v1/sites/{token}"));
    let stranger = token.replace('.', "x");
    world.service.client(&stranger).get("/v1/sites").expect(401);
    let agent = "x".repeat(20_000);
    let forged = [("user-agent", agent.as_str()), ("x-request-id", "a\tb\u{1b}[31m")];
    client.send("GET", "/v1/sites?%0a%7b%22level%22:%22FORGED%22%7d", &forged[..1], None);
    let secret = json!({"name": "Yard", "zone": "UTC", "note": "the key lies under the canary stone"});
    client.post("/v1/sites", &secret).expect(201);
    world.service.kill();
    let text = std::fs::read_to_string(&log).unwrap();
    assert!(text.lines().count() >= 6, "requests are logged: {text}");
    for line in text.lines() {
        let entry: Value = serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
        assert_ne!(entry["level"], "FORGED");
        assert!(line.len() < 2000, "one request is a bounded line: {} bytes", line.len());
    }
    for canary in [token.as_str(), &stranger, "canary", "FORGED", &agent[..100]] {
        assert!(!text.contains(canary), "{canary:.60} is in the log");
    }
}
