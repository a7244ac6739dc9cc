//! What is wrong below JSON: bodies too large, and requests that are no HTTP.

use blackbox::{Backend, none_failed, on_both, wire};

use super::ground::*;

on_both!(bodies_over_the_limit, no_token_no_reading_of_the_body, no_http,);

const MEBIBYTE: usize = 1 << 20;

fn post(ground: &Ground, lines: &[&str]) -> Vec<u8> {
    let token = format!("authorization: Bearer {}", ground.token);
    let lines = [&[token.as_str(), "content-type: application/json"], lines].concat();
    wire::head("POST", "/v1/service-events", &lines)
}

fn bodies_over_the_limit(backend: Backend) {
    let ground = Ground::new(backend);
    let url = ground.world.service.url();
    let too_large = (413, "content_too_large", &[("", "content_too_large")][..]);
    let mut failures = Vec::new();
    let stated = post(&ground, &[&format!("content-length: {}", MEBIBYTE + 1)]);
    refused(
        &ground,
        &mut failures,
        "stated too large: answered though no byte of it came",
        too_large,
        || wire::exchange(url, &stated).unwrap(),
    );
    let absurd = post(&ground, &["content-length: 1000000000000"]);
    refused(&ground, &mut failures, "stated absurdly large", too_large, || {
        wire::exchange(url, &absurd).unwrap()
    });
    let mut chunked = post(&ground, &["transfer-encoding: chunked"]);
    for _ in 0..=16 {
        chunked.extend(format!("{:x}\r\n{}\r\n", MEBIBYTE / 16, " ".repeat(MEBIBYTE / 16)).bytes());
    }
    refused(&ground, &mut failures, "in chunks too large: answered though it has no end", too_large, || {
        wire::exchange(url, &chunked).unwrap()
    });
    let exactly = vec![b' '; MEBIBYTE];
    refused(
        &ground,
        &mut failures,
        "exactly 1 MiB is read",
        (400, "invalid_json", &[("", "invalid_json")]),
        || ground.send("POST /v1/service-events", JSON, Some(&exactly)),
    );
    let ten = vec![b' '; 10 * MEBIBYTE];
    let mut whole = post(&ground, &[&format!("content-length: {}", ten.len())]);
    whole.extend(ten);
    refused(&ground, &mut failures, "10 MiB sent all the same", too_large, || {
        wire::exchange(url, &whole).unwrap()
    });
    none_failed(&failures);
}

/// Who asks is looked at first: a stranger's body is not read.
fn no_token_no_reading_of_the_body(backend: Backend) {
    let ground = Ground::new(backend);
    let lines = ["content-type: application/json", "content-length: 5000000"];
    let request = wire::head("POST", "/v1/service-events", &lines);
    let reply = wire::exchange(ground.world.service.url(), &request).unwrap();
    reply.problem(401, "unauthenticated");
}

/// Requests that are no HTTP, or that two readers would read differently (D72).
fn malformed() -> Vec<(&'static str, Vec<u8>)> {
    let long = "x".repeat(200_000);
    let chunked = wire::head("POST", "/v1/sites", &["transfer-encoding: chunked"]);
    let bad_chunk = [chunked.as_slice(), b"zz\r\nx\r\n0\r\n\r\n"].concat();
    let huge_chunk = [chunked.as_slice(), b"fffffffffffffffff\r\nx\r\n0\r\n\r\n"].concat();
    vec![
        ("no HTTP", b"hello there\r\n\r\n".to_vec()),
        ("binary", vec![0x16, 3, 1, 2, 0, 1, 0, 1, 0xfc, 3, 3, b'\r', b'\n', b'\r', b'\n']),
        ("no version", b"GET /livez\r\nhost: x\r\n\r\n".to_vec()),
        ("another version", b"GET /livez HTTP/9.9\r\nhost: x\r\n\r\n".to_vec()),
        ("a blank in the target", b"GET /liv ez HTTP/1.1\r\nhost: x\r\n\r\n".to_vec()),
        ("a header without a colon", wire::head("GET", "/livez", &["nonsense"])),
        ("a blank before the colon", wire::head("GET", "/livez", &["x-a : b"])),
        ("NUL in a header", wire::head("GET", "/livez", &["x-a: b\0c"])),
        ("a header folded over two lines", wire::head("GET", "/livez", &["x-a: b", " c"])),
        ("two lengths", wire::head("POST", "/v1/sites", &["content-length: 2", "content-length: 3"])),
        ("a negative length", wire::head("POST", "/v1/sites", &["content-length: -1"])),
        ("a length that is no number", wire::head("POST", "/v1/sites", &["content-length: 1e3"])),
        ("a chunk that has no size", bad_chunk),
        ("a chunk of more than all bytes", huge_chunk),
        ("a header of 200,000 bytes", wire::head("GET", "/livez", &[&format!("x-a: {long}")])),
    ]
}

fn no_http(backend: Backend) {
    let ground = Ground::new(backend);
    let url = ground.world.service.url();
    let before = ground.traces();
    let mut failures = Vec::new();
    for (case, bytes) in malformed() {
        // A connection closed without a word is an answer too.
        let Some(reply) = wire::exchange(url, &bytes) else { continue };
        let refused = matches!(reply.status, 400..=499 | 505);
        if !refused || reply.text.contains("panicked") || reply.text.contains(".rs:") {
            failures.push(format!("{case}: {reply:?}"));
        }
    }
    // Two lengths that contradict each other hide a second request: it must never be served.
    let smuggled = b"POST /v1/sites HTTP/1.1\r\nhost: x\r\ncontent-length: 49\r\ntransfer-encoding: chunked\r\n\r\n0\r\n\r\nGET /livez HTTP/1.1\r\nhost: x\r\nx-request-id: s\r\n\r\n";
    let answers = wire::all(url, smuggled);
    if answers.contains("\"ok\"") {
        failures.push(format!("a smuggled request was served: {answers}"));
    }
    none_failed(&failures);
    assert_eq!(ground.traces(), before);
    ground.client.get("/readyz").expect(200);
}
