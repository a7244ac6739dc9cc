//! Who reads a photo, and how it is given.

use blackbox::{Backend, on_both};
use serde_json::{Value, json};

use super::{Lab, finding, named, paper, path, put, put_part, told};

on_both!(
    given_whole_and_in_parts,
    read_by_whoever_sees_the_unit,
    a_name_alone_opens_nothing,
    bytes_that_are_gone_come_again,
    others_see_no_trace
);

fn given_whole_and_in_parts(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let bytes = paper(&"0123456789".repeat(80_000));
    put(client, &path(&bytes), &bytes, &[]).expect(201);
    let whole = client.get(&path(&bytes)).expect(200);
    assert!(whole.text.as_bytes() == bytes);
    let expected = [
        ("content-type", "application/pdf".to_owned()),
        ("content-length", bytes.len().to_string()),
        ("etag", format!("\"{}\"", proof::sha256(&bytes))),
        ("accept-ranges", "bytes".to_owned()),
        ("cache-control", "private, no-cache".to_owned()),
        ("x-content-type-options", "nosniff".to_owned()),
        ("content-disposition", format!("attachment; filename=\"{}.pdf\"", proof::sha256(&bytes))),
        ("content-security-policy", "default-src 'none'; frame-ancestors 'none'; sandbox".to_owned()),
    ];
    let head = client.send("HEAD", &path(&bytes), &[], None).expect(200);
    for (name, value) in expected {
        assert_eq!((whole.header(name), head.header(name)), (value.as_str(), value.as_str()), "{name}");
    }
    let etag = whole.etag();
    client.send("GET", &path(&bytes), &[("if-none-match", &etag)], None).expect(304);
    let part = |range: &str| client.send("GET", &path(&bytes), &[("range", range)], None);
    let all = bytes.len();
    for (range, first, end) in [
        ("bytes=0-9".to_owned(), 0, 10),
        ("bytes=100-700099".to_owned(), 100, 700_100),
        (format!("bytes={}-", all - 7), all - 7, all),
        ("bytes=-7".to_owned(), all - 7, all),
    ] {
        let reply = part(&range).expect(206);
        assert!(reply.text.as_bytes() == &bytes[first..end], "{range}");
        assert_eq!(reply.header("content-range"), format!("bytes {first}-{}/{all}", end - 1));
    }
    for passed_over in ["bytes=0-1,4-5", "bytes=99999999-", "lines=1-2", "x"] {
        assert_eq!(part(passed_over).expect(200).text.len(), all, "{passed_over}");
    }
    let if_range = |tag: &str| {
        client.send("GET", &path(&bytes), &[("range", "bytes=0-9"), ("if-range", tag)], None).status
    };
    assert_eq!((if_range(&etag), if_range("\"another\"")), (206, 200));
}

fn read_by_whoever_sees_the_unit(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let unit = town.unit_in_service("FS-1", 0);
    let bytes = paper("seen");
    let at =
        |site: usize| world.client(town.id, world.person(town.id, &[("viewer", json!([town.sites[site]]))]));
    let (here, elsewhere) = (at(0), at(1));
    put(town.coordinator(), &path(&bytes), &bytes, &[]).expect(201);
    // Before an event names it, it is read by whoever sent it alone.
    assert_eq!((told(town.coordinator(), &bytes).0, told(&here, &bytes).0), (200, 404));
    town.record(finding(&unit, &bytes));
    assert_eq!((told(&here, &bytes).0, told(&elsewhere, &bytes).0), (200, 404));
    // The unit goes elsewhere, and its photos with it.
    town.happened(&unit, "2026-06-02T12:00:00Z", json!({"kind": "placement", "site_id": town.sites[1]}));
    assert_eq!(told(&elsewhere, &bytes).0, 200);
    let nobody = world.client(town.id, world.person(town.id, &[]));
    assert_eq!(told(&nobody, &bytes).0, 404);
    world.service.anonymous().get(&path(&bytes)).problem(401, "unauthenticated");
}

/// Whoever learns the name of a photo that they may not see cannot read it by naming it in a unit of their own.
fn a_name_alone_opens_nothing(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (here, there) = (town.unit_in_service("FS-1", 0), town.unit_in_service("SH-1", 1));
    let bytes = paper("theirs");
    let at = |site: usize| {
        let person = world.person(town.id, &[("technician", json!([town.sites[site]]))]);
        world.client(town.id, person)
    };
    let (owner, thief) = (at(0), at(1));
    put(&owner, &path(&bytes), &bytes, &[]).expect(201);
    owner.post("/v1/service-events", &finding(&here, &bytes)).expect(201);
    thief.post("/v1/service-events", &finding(&there, &bytes)).expect(201);
    assert_eq!((told(&owner, &bytes).0, told(&thief, &bytes).0), (200, 404));
    // Who has the bytes has them.
    put(&thief, &path(&bytes), &bytes, &[]).expect(201);
    assert_eq!(told(&thief, &bytes).0, 200);
    // A tablet that is shared: one records, and the photo goes out under the name of another who sees the unit.
    let (writer, carrier, later) = (at(0), at(0), at(0));
    let bytes = paper("shared tablet");
    writer.post("/v1/service-events", &finding(&here, &bytes)).expect(201);
    put(&carrier, &path(&bytes), &bytes, &[]).expect(201);
    assert_eq!((told(&writer, &bytes).0, told(&later, &bytes).0), (200, 200));
}

fn others_see_no_trace(backend: Backend) {
    let world = Lab::new(backend);
    let (ours, theirs) = (world.town(), world.town());
    let unit = theirs.unit_in_service("FS-1", 0);
    let bytes = paper("of others");
    let foreign = named(&theirs, &unit, &bytes);
    let client = ours.coordinator();
    let plain = |path: &str| {
        let reply = client.get(path);
        let mut problem: Value = reply.problem(404, "not_found");
        problem.as_object_mut().unwrap().remove("instance");
        problem
    };
    assert_eq!(plain(&foreign), plain(&path(b"nothing")));
    // The same bytes are kept for each organization by itself.
    put(client, &foreign, &bytes, &[]).expect(201);
    assert_eq!(world.files(), 2);
}

/// The folder or bucket lost them: whoever reads is told that it is not there, and whoever has it brings it back.
fn bytes_that_are_gone_come_again(backend: Backend) {
    let world = Lab::new(backend);
    let town = world.town();
    let (client, unit) = (town.coordinator(), town.unit_in_service("FS-1", 0));
    let bytes = paper("gone and back");
    let path = named(&town, &unit, &bytes);
    world.empty();
    assert_eq!(told(client, &bytes), (404, String::new()));
    client.get(&path).problem(404, "not_found");
    put_part(client, &bytes, 0, 10).expect(202);
    put_part(client, &bytes, 10, bytes.len()).expect(201);
    for reader in [client, &town.clients["viewer"]] {
        assert_eq!(reader.get(&path).expect(200).text.as_bytes(), bytes);
    }
    put(client, &path, &bytes, &[]).expect(200);
    assert_eq!(world.files(), 1);
}
