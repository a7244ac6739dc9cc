//! Bodies and answers that are compressed: taken and sent, within their bounds.

use std::io::{Read, Write};

use blackbox::{
    Backend, Client, OneProcess, Town, World, none_failed, on_both,
    world::{id_of, new_id},
};
use flate2::{
    Compression,
    read::GzDecoder,
    write::{GzEncoder, ZlibEncoder},
};
use serde_json::{Value, json};
use ureq::http::HeaderMap;

on_both!(
    a_body_is_taken_in_every_coding,
    what_cannot_be_unpacked_is_refused,
    a_bomb_takes_no_memory,
    a_bomb_without_a_token_is_not_unpacked,
    answers_come_in_the_coding_that_is_liked_best,
    what_has_a_tag_is_sent_as_it_is,
);

const BATCH: &str = "/v1/service-events/batch";
const EVENTS: &str = "/v1/service-events";

pub(super) fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

pub(super) fn deflate(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

pub(super) fn zstd(bytes: &[u8]) -> Vec<u8> {
    zstd::encode_all(bytes, 3).unwrap()
}

type Pack = fn(&[u8]) -> Vec<u8>;

const CODINGS: [(&str, Pack); 3] = [("gzip", gzip), ("deflate", deflate), ("zstd", zstd)];

fn reading(unit: &str) -> Value {
    json!({"id": new_id(), "kind": "reading", "unit_id": unit, "occurred_at": "2026-06-01T12:00:00Z", "meter_hours": 5})
}

/// Sends a compressed body. The harness compares bodies with the description, which it cannot do with these.
fn packed(
    client: &Client,
    method: &str,
    path: &str,
    headers: &[(&str, &str)],
    body: &[u8],
) -> blackbox::Reply {
    client.send(method, path, headers, Some(body))
}

fn a_body_is_taken_in_every_coding(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    for (name, pack) in CODINGS.into_iter().chain([("x-gzip", gzip as Pack), ("GZip", gzip as Pack)]) {
        let headers = [("content-type", "application/json"), ("content-encoding", name)];
        let event = reading(&unit);
        let body = pack(json!({"events": [event]}).to_string().as_bytes());
        let answer = packed(town.coordinator(), "POST", BATCH, &headers, &body).expect(207).json();
        assert_eq!(answer["results"][0]["result"], "applied", "{name}: {answer}");
        town.coordinator().get(&format!("{EVENTS}/{}", id_of(&event))).expect(200);
        // More than may be sent, but for its being compressed, is too much all the same.
        let large = vec![b' '; 4 << 20];
        packed(town.coordinator(), "POST", BATCH, &headers, &pack(&large)).problem(400, "invalid_json");
        let larger = vec![b' '; (4 << 20) + 1];
        packed(town.coordinator(), "POST", BATCH, &headers, &pack(&larger)).problem(413, "content_too_large");
    }
    let as_it_is = [("content-type", "application/json"), ("content-encoding", "identity")];
    let body = json!({"events": [reading(&unit)]}).to_string();
    packed(town.coordinator(), "POST", BATCH, &as_it_is, body.as_bytes()).expect(207);
}

fn what_cannot_be_unpacked_is_refused(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let good = reading(&unit).to_string();
    let good = good.as_bytes();
    let short = |packed: Vec<u8>| packed[..packed.len() - 1].to_vec();
    let unsupported = (415, "unsupported_media_type", ("Content-Encoding", "unsupported_coding"));
    let broken = (400, "invalid_json", ("", "invalid_json"));
    type Told<'a> = (u16, &'a str, (&'a str, &'a str));
    let cases: Vec<(&str, &str, Vec<u8>, Told<'_>)> = vec![
        ("a coding that is not taken", "br", good.to_vec(), unsupported),
        ("an unknown coding", "rot13", good.to_vec(), unsupported),
        ("no coding's name", "", good.to_vec(), unsupported),
        ("compressed twice, and said so", "gzip, gzip", gzip(&gzip(good)), unsupported),
        ("two codings, one of which does nothing", "gzip, identity", gzip(good), unsupported),
        ("compressed twice, and said once", "gzip", gzip(&gzip(good)), broken),
        ("zstd in gzip", "gzip", gzip(&zstd(good)), broken),
        ("not compressed", "gzip", good.to_vec(), broken),
        ("another coding", "gzip", deflate(good), broken),
        ("deflate without its frame", "deflate", deflate(good)[2..].to_vec(), broken),
        ("gzip cut short", "gzip", short(gzip(good)), broken),
        ("deflate cut short", "deflate", short(deflate(good)), broken),
        ("zstd cut short", "zstd", short(zstd(good)), broken),
        ("something after gzip", "gzip", [gzip(good).as_slice(), b"x"].concat(), broken),
        ("something after deflate", "deflate", [deflate(good).as_slice(), b"x"].concat(), broken),
        ("something after zstd", "zstd", [zstd(good).as_slice(), b"x"].concat(), broken),
        ("nothing in gzip", "gzip", Vec::new(), broken),
        ("nothing in deflate", "deflate", Vec::new(), broken),
        ("nothing in zstd", "zstd", Vec::new(), broken),
        (
            "1 MiB and a byte",
            "gzip",
            gzip(&vec![b' '; (1 << 20) + 1]),
            (413, "content_too_large", ("", "content_too_large")),
        ),
    ];
    let rows = world.database.log_rows();
    let mut failures = Vec::new();
    for (case, coding, body, (status, code, place)) in cases {
        let headers = [("content-type", "application/json"), ("content-encoding", coding)];
        let reply = packed(town.coordinator(), "POST", EVENTS, &headers, &body);
        let told = reply.json()["type"].as_str().unwrap_or_default().to_owned();
        if (reply.status, told) != (status, format!("/problems/{code}")) {
            failures.push(format!("{case}: {} {}", reply.status, reply.text));
            continue;
        }
        reply.problem(status, code);
        if reply.errors() != [(place.0.to_owned(), place.1.to_owned())] {
            failures.push(format!("{case}: {:?}", reply.errors()));
        }
        // What would have been taken (RFC 9110 section 12.5.3).
        let taken = if place == unsupported.2 { "gzip, deflate, zstd" } else { "" };
        if reply.header("accept-encoding") != taken {
            failures.push(format!("{case}: taken is {:?}", reply.header("accept-encoding")));
        }
    }
    let twice =
        [("content-type", "application/json"), ("content-encoding", "gzip"), ("content-encoding", "gzip")];
    let reply = packed(town.coordinator(), "POST", EVENTS, &twice, &gzip(&gzip(good)));
    if reply.status != 415 {
        failures.push(format!("two headers: {} {}", reply.status, reply.text));
    }
    none_failed(&failures);
    assert_eq!(world.database.log_rows(), rows);
}

/// 1 GiB of blanks in about 1 MiB, and for deflate, which knows no second part, 64 MiB.
fn bombs() -> Vec<(&'static str, Vec<u8>)> {
    let part = vec![b' '; 16 << 20];
    vec![
        ("gzip", gzip(&part).repeat(64)),
        ("zstd", zstd(&part).repeat(64)),
        ("deflate", deflate(&part.repeat(4))),
    ]
}

fn a_bomb_takes_no_memory(backend: Backend) {
    let world = World::alone(backend, OneProcess::Measured);
    let town = world.town();
    let send = |coding: &str, body: &[u8]| {
        let headers = [("content-type", "application/json"), ("content-encoding", coding)];
        packed(town.coordinator(), "POST", BATCH, &headers, body).problem(413, "content_too_large");
    };
    let bombs = bombs();
    assert!(bombs.iter().all(|(_, bomb)| (10_000..2 << 20).contains(&bomb.len())), "as bombs are");
    let before = kilobytes(&world, "VmRSS");
    for _ in 0..3 {
        bombs.iter().for_each(|(coding, bomb)| send(coding, bomb));
    }
    let most = kilobytes(&world, "VmHWM");
    assert!(most < before + 20_000, "{before} kB before, {most} kB at most");
    world.service.anonymous().get("/readyz").expect(200);
}

/// A figure of the service's process, such as the memory that it has, or has had at most.
fn kilobytes(world: &World, name: &str) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", world.service.pid())).unwrap();
    let line = status.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':')).unwrap();
    line.split_whitespace().next().unwrap().parse().unwrap()
}

fn a_bomb_without_a_token_is_not_unpacked(backend: Backend) {
    let world = World::new(backend);
    for (coding, bomb) in bombs() {
        let headers = [("content-type", "application/json"), ("content-encoding", coding)];
        for path in [BATCH, EVENTS, "/v1/units"] {
            packed(&world.service.anonymous(), "POST", path, &headers, &bomb).problem(401, "unauthenticated");
        }
    }
}

/// An answer as it comes, which the harness's client takes for text.
fn answer(world: &World, town: &Town, path: &str, accepted: &str) -> (HeaderMap, Vec<u8>) {
    let url = format!("{}{path}", world.service.url());
    let token = format!("Bearer {}", world.token(town.id, town.people["coordinator"]));
    let mut request = ureq::get(url).header("authorization", token);
    if !accepted.is_empty() {
        request = request.header("accept-encoding", accepted);
    }
    let mut response = request.call().unwrap();
    assert_eq!(response.status(), 200, "{path}");
    let body = response.body_mut().read_to_vec().unwrap();
    (response.headers().clone(), body)
}

fn text<'h>(headers: &'h HeaderMap, name: &str) -> &'h str {
    headers.get(name).map_or("", |value| value.to_str().unwrap())
}

fn answers_come_in_the_coding_that_is_liked_best(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    for n in 0..20 {
        town.unit(&format!("FS-{n}"));
    }
    let (_, plain) = answer(&world, &town, "/v1/units", "");
    let mut failures = Vec::new();
    for (accepted, expected) in [
        ("", ""),
        ("gzip", "gzip"),
        ("zstd", "zstd"),
        ("gzip, deflate, br, zstd", "zstd"),
        ("gzip;q=1.0, zstd;q=0.5", "gzip"),
        ("GZIP", "gzip"),
        ("br", ""),
        ("deflate", ""),
        ("identity", ""),
        ("*", ""),
        ("gzip;q=0", ""),
        ("gzip;q=0.5, identity", ""),
        ("identity;q=0, br", ""),
        ("*;q=0", ""),
        ("gzip;q=nonsense;;,", ""),
    ] {
        let (headers, body) = answer(&world, &town, "/v1/units", accepted);
        let coding = text(&headers, "content-encoding");
        let body = match coding {
            "gzip" => {
                let mut unpacked = Vec::new();
                GzDecoder::new(body.as_slice()).read_to_end(&mut unpacked).unwrap();
                unpacked
            }
            "zstd" => zstd::decode_all(body.as_slice()).unwrap(),
            _ => body,
        };
        if (coding, &body) != (expected, &plain) {
            failures.push(format!("{accepted:?}: {coding:?}, {} bytes of {}", body.len(), plain.len()));
        }
        let varies = headers.get_all("vary").iter().map(|value| value.to_str().unwrap()).collect::<Vec<_>>();
        if varies != ["Authorization, Accept, Accept-Encoding"] {
            failures.push(format!("{accepted:?}: varies with {varies:?}"));
        }
    }
    none_failed(&failures);
    let (headers, _) = answer(&world, &town, "/livez", "gzip");
    assert_eq!(text(&headers, "content-encoding"), "", "not worth it");
}

/// A strong tag is that of the bytes that were sent, and is good in If-Match, whatever the client accepts.
fn what_has_a_tag_is_sent_as_it_is(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let path = format!("/v1/units/{}", town.unit("FS-1"));
    let tagged = [path.as_str(), "/openapi.json", "/docs/swagger-ui.css", "/v1/policy-packs"];
    for path in tagged {
        let (headers, body) = answer(&world, &town, path, "gzip, zstd");
        assert_eq!(text(&headers, "content-encoding"), "", "{path}");
        assert_eq!((text(&headers, "etag").starts_with('"'), body.is_empty()), (true, false), "{path}");
        let (plain, _) = answer(&world, &town, path, "");
        assert_eq!(text(&headers, "etag"), text(&plain, "etag"), "{path}");
    }
    let (headers, _) = answer(&world, &town, &path, "gzip");
    let accepts = [
        ("content-type", "application/merge-patch+json"),
        ("content-encoding", "zstd"),
        ("accept-encoding", "gzip, zstd"),
        ("if-match", text(&headers, "etag")),
    ];
    let change = zstd(json!({"label": "FS-9"}).to_string().as_bytes());
    // The description's check reads the body as JSON, so it goes by a client without one.
    let url = format!("{}{path}", world.service.url());
    let mut request = ureq::patch(url);
    for (name, value) in accepts {
        request = request.header(name, value);
    }
    let token = format!("Bearer {}", world.token(town.id, town.people["coordinator"]));
    let changed = request.header("authorization", token).send(&change).unwrap();
    assert_eq!(changed.status(), 200);
    assert_ne!(text(changed.headers(), "etag"), text(&headers, "etag"));
}
