//! What is refused, and that nothing of it is kept.

use blackbox::{Backend, Client, Reply, none_failed, on_both};

use super::{Lab, finding, paper, path, put, put_part, told};

on_both!(
    what_is_no_photo_or_paper,
    what_is_not_what_it_is_called,
    what_is_said_wrongly,
    what_is_no_photo_by_its_first_bytes,
    what_has_no_room
);

/// A photo, as far as its parts go; `more` stands between its beginning and its size.
fn photo(more: &[u8], width: u16, height: u16) -> Vec<u8> {
    let ([h0, h1], [w0, w1]) = (height.to_be_bytes(), width.to_be_bytes());
    let size = [0xFF, 0xC0, 0, 11, 8, h0, h1, w0, w1, 1, 1, 0x11, 0];
    [b"\xFF\xD8", more, &size, b"\xFF\xDA\0\x08\x01\x01\0\0\x3F\0pixels\xFF\xD9"].concat()
}

fn what_is_no_photo_or_paper(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let place = b"\xFF\xE1\0\x16Exif\0\0at the shelter";
    let cases: [(&str, Vec<u8>, &str); 8] = [
        ("a page", b"<html><script>alert(1)</script>".to_vec(), "other_type"),
        ("a drawing", b"<svg xmlns='http://www.w3.org/2000/svg' onload='x()'/>".to_vec(), "other_type"),
        ("a page after a paper's head", b"x%PDF-1.7\n%%EOF".to_vec(), "other_type"),
        ("an empty file", Vec::new(), "other_type"),
        ("a paper that breaks off", b"%PDF-1.7\nonly begun".to_vec(), "damaged"),
        ("a photo with its place", photo(place, 640, 480), "has_metadata"),
        (
            "a photo with a page behind it",
            [photo(b"", 640, 480), b"<html>".to_vec()].concat(),
            "has_metadata",
        ),
        ("a bomb", photo(b"", 50_000, 50_000), "too_many_pixels"),
    ];
    let mut failures = Vec::new();
    for (case, bytes, code) in cases {
        let reply = put(client, &path(&bytes), &bytes, &[]);
        let problem = reply.problem(422, "blob_refused");
        if problem["errors"][0]["code"] != code {
            failures.push(format!("{case}: {problem}"));
        }
        if told(client, &bytes) != (404, String::new()) {
            failures.push(format!("{case}: something of it is kept"));
        }
    }
    none_failed(&failures);
    assert_eq!(world.files(), 0, "no file is left");
    // What is left of a photo is named, so that it can be sent.
    let bytes = photo(place, 640, 480);
    let detail = put(client, &path(&bytes), &bytes, &[]).problem(422, "blob_refused")["detail"]
        .as_str()
        .unwrap()
        .to_owned();
    let bare = photo(b"", 640, 480);
    assert!(detail.contains(&proof::sha256(&bare).to_string()), "{detail}");
    put(client, &path(&bare), &bare, &[]).expect(201);
}

fn what_is_not_what_it_is_called(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let (named, sent) = (paper("as named"), paper("as sent!"));
    let problem = put(client, &path(&named), &sent, &[]).problem(422, "blob_refused");
    assert_eq!(problem["errors"][0]["code"], "wrong_hash");
    assert_eq!((told(client, &named), told(client, &sent)), ((404, String::new()), (404, String::new())));
    // In parts, of which one is of something else.
    put_part(client, &named, 0, 10).expect(202);
    let range = format!("bytes 10-{}/{}", named.len() - 1, named.len());
    put(client, &path(&named), &sent[10..], &[("content-range", &range)]).problem(422, "blob_refused");
    assert_eq!(told(client, &named), (404, String::new()));
    put(client, &path(&named), &named, &[]).expect(201);
}

fn what_is_said_wrongly(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, bytes) = (town.coordinator(), paper("said"));
    let range = |text: &str| put(client, &path(&bytes), &bytes, &[("content-range", text)]);
    for text in ["bytes 0-5/26", "bytes 0-99999999999999999999/3", "0-3", "bytes */26", "bytes 25-0/26"] {
        range(text).problem(400, "invalid_header");
    }
    put(client, &path(&bytes), &bytes, &[("content-type", "text/html")])
        .problem(415, "unsupported_media_type");
    put(client, &path(&bytes), &bytes, &[("content-encoding", "gzip")])
        .problem(415, "unsupported_media_type");
    put(client, &path(&bytes), b"x", &[("content-range", "bytes 0-0/16777217")])
        .problem(413, "content_too_large");
    put(client, &path(&bytes).to_uppercase().replace("/V1/BLOBS", "/v1/blobs"), &bytes, &[])
        .problem(404, "not_found");
    put(client, "/v1/blobs/..%2f..%2fetc%2fpasswd", &bytes, &[]).problem(404, "not_found");
    put(&town.clients["viewer"], &path(&bytes), &bytes, &[]).problem(403, "forbidden");
    assert_eq!(told(client, &bytes), (404, String::new()));
}

/// However small the parts are in which they come.
fn what_is_no_photo_by_its_first_bytes(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let (page, paper) = (b"<html>and much more</html>".to_vec(), paper("in small parts"));
    put_part(client, &page, 0, 3).expect(202);
    put_part(client, &page, 3, 9).problem(422, "blob_refused");
    assert_eq!((told(client, &page), world.files()), ((404, String::new()), 0));
    for (first, end) in [(0, 3), (3, 7), (7, 9), (9, paper.len())] {
        put_part(client, &paper, first, end);
    }
    assert_eq!(client.get(&path(&paper)).expect(200).text.as_bytes(), paper);
}

/// Nobody fills the disk with what they begin, or send and nothing names; whoever brings it to its end goes on.
fn what_has_no_room(backend: Backend) {
    const ALL: usize = 16 << 20;
    let world = Lab::new(backend);
    let town = world.town();
    let (client, other) = (town.coordinator(), &town.clients["technician"]);
    for n in 1..64 {
        begin(client, n, ALL).expect(202);
    }
    // A small one counts, too, and more than it has.
    let (loose, late) = (paper("by nobody"), paper("too late"));
    put(client, &path(&loose), &loose, &[]).expect(201);
    let problem = begin(client, 64, ALL).problem(507, "no_room");
    let said = "Too many of your photos and papers are under way";
    assert!(problem["detail"].as_str().unwrap().starts_with(said), "{problem}");
    assert!(begin(client, 64, ALL).header("upload-offset").is_empty());
    // What was begun goes on, though not as something larger.
    begin(client, 63, ALL).expect(202);
    begin(client, 65, ALL - (1 << 20)).expect(202);
    begin(client, 65, ALL).problem(507, "no_room");
    begin(other, 64, ALL).expect(202);
    // An event makes room.
    town.record(finding(&town.unit_in_service("FS-1", 0), &loose));
    begin(client, 65, ALL).expect(202);
    begin(client, 66, 9).problem(507, "no_room");
    // What is named before it comes takes none.
    town.record(finding(&town.unit_in_service("FS-2", 0), &late));
    put(other, &path(&late), &late, &[]).expect(201);
    let unnamed = || world.database.number("SELECT count(*) AS n FROM blob_unnamed");
    assert_eq!(unnamed(), 0);
    // All people together.
    world.database.sql("UPDATE blob_upload SET bytes = bytes * 16");
    let problem = begin(&town.clients["custodian"], 1, 9).problem(507, "no_room");
    let said = "Too many of your organization's photos and papers are under way";
    assert!(problem["detail"].as_str().unwrap().starts_with(said), "{problem}");
}

/// Begins to send something of so many bytes.
fn begin(client: &Client, n: usize, bytes: usize) -> Reply {
    let range = format!("bytes 0-8/{bytes}");
    put(client, &format!("/v1/blobs/{n:064x}"), b"%PDF-1.7 ", &[("content-range", &range)])
}
