//! Bodies that are no JSON, or JSON that parsers disagree on.

use blackbox::{Backend, none_failed, on_both};
use serde_json::json;

use super::{events::reading_with, ground::*};

on_both!(no_json, minus_nought_is_no_reading, a_body_of_many_members);

fn no_json(backend: Backend) {
    let ground = Ground::new(backend);
    let good = reading_with("meter_hours", &json!(5)).to_string();
    let with = |hours: &str| good.replace(":5,", &format!(":{hours},"));
    assert_ne!(with("6"), good);
    let cases: Vec<(&str, Vec<u8>)> = vec![
        ("nothing", Vec::new()),
        ("blanks", b" \n".to_vec()),
        ("half an object", good[..20].into()),
        ("100,000 open brackets", "[".repeat(100_000).into()),
        ("100,000 nested objects", "{\"a\":".repeat(100_000).into()),
        ("200 nested arrays, closed", format!("{}{}", "[".repeat(200), "]".repeat(200)).into()),
        ("NaN", with("NaN").into()),
        ("Infinity", with("-Infinity").into()),
        ("a number with a leading nought", with("05").into()),
        ("a hexadecimal number", with("0x5").into()),
        ("a comment", format!("{good} // done").into()),
        ("a trailing comma", good.replace('}', ",}").into()),
        ("garbage after the value", format!("{good}x").into()),
        ("two values", format!("{good}{good}").into()),
        ("a byte order mark", format!("\u{feff}{good}").into()),
        ("a member twice", good.replace('{', "{\"meter_hours\":5,").into()),
        ("a nested member twice", good.replace('{', r#"{"x":{"a":1,"a":2},"#).into()),
        ("NUL in a text", good.replace("reading", "reading\\u0000").into()),
        ("a raw control character in a text", good.replace("reading", "rea\u{1}ding").into()),
        ("half a surrogate pair", good.replace("reading", "\\ud800").into()),
        (
            "Latin-1",
            good.replace("reading", "x")
                .into_bytes()
                .iter()
                .map(|b| if *b == b'x' { 0xe9 } else { *b })
                .collect(),
        ),
        ("UTF-16", good.encode_utf16().flat_map(u16::to_le_bytes).collect()),
    ];
    let mut failures = Vec::new();
    for (case, body) in cases {
        refused(&ground, &mut failures, case, (400, "invalid_json", &[("", "invalid_json")]), || {
            ground.send("POST /v1/service-events", JSON, Some(&body))
        });
    }
    // JSON, but not what is taken.
    let digits = format!("5{}", "0".repeat(900_000));
    for (case, hours, code) in [
        ("a number of 900,000 digits", digits.as_str(), "too_precise"),
        ("1e400", "1e400", "too_precise"),
        ("an exponent of 20 digits", "1e-99999999999999999999", "too_precise"),
    ] {
        let body = ground.fill(&with(hours));
        refused(&ground, &mut failures, case, (400, "invalid_request", &[("/meter_hours", code)]), || {
            ground.send("POST /v1/service-events", JSON, Some(body.as_bytes()))
        });
    }
    none_failed(&failures);
}

/// The list of attacks (D25) counts -0 among the readings that nobody means.
fn minus_nought_is_no_reading(backend: Backend) {
    let ground = Ground::new(backend);
    let body = ground.fill(&reading_with("meter_hours", &json!(5)).to_string()).replace(":5,", ":-0,");
    let before = ground.traces();
    ground.send("POST /v1/service-events", JSON, Some(body.as_bytes())).problem(400, "invalid_request");
    assert_eq!(ground.traces(), before);
}

fn a_body_of_many_members(backend: Backend) {
    let ground = Ground::new(backend);
    let members: Vec<String> = (0..90_000).map(|n| format!("\"m{n}\":1")).collect();
    let body = format!("{{{}}}", members.join(","));
    assert!(body.len() < 1 << 20);
    let before = ground.traces();
    let reply = ground.send("POST /v1/sites", JSON, Some(body.as_bytes()));
    reply.problem(400, "invalid_request");
    assert_eq!(ground.traces(), before);
}
