//! Files that cannot be taken, or not all of them: each is told, and nothing is held in memory.

use std::{io::Write, net::TcpStream, time::Duration};

use blackbox::{Backend, World, none_failed, on_both, wire, world::new_id};
use flate2::{Compression, write::GzEncoder};
use serde_json::{Value, json};

use super::{counts, ended, import, made, plain, put, told, wanted};

on_both!(
    what_is_wrong_with_a_file_is_told,
    what_is_wrong_with_a_mapping_is_told,
    a_file_may_come_compressed,
    a_line_without_end_is_cut_off,
    formulas_come_and_go_as_text,
);

/// Mapping, file, how it ends, and line, column and code of what is said.
type Case = (&'static str, Value, Vec<u8>, &'static str, Vec<(i64, &'static str, &'static str)>);

fn cases() -> Vec<Case> {
    let sites = || plain("sites");
    let bytes = |text: &str| text.as_bytes().to_vec();
    let mut wide = (0..1_000_000).map(|n| format!("c{n}")).collect::<Vec<_>>().join(",").into_bytes();
    wide.truncate(1 << 20);
    vec![
        ("empty", sites(), vec![], "refused", vec![(1, "", "no_headings")]),
        (
            "headings twice",
            sites(),
            bytes("name,zone,name\r\nA,UTC,B\r\n"),
            "refused",
            vec![(1, "name", "duplicate_heading"), (1, "name", "two_sources")],
        ),
        (
            "a heading that nobody knows",
            sites(),
            bytes("name,zonne\r\nA,UTC\r\n"),
            "refused",
            vec![(1, "zonne", "unknown_column")],
        ),
        (
            "too few cells",
            sites(),
            bytes("name,zone\r\nA\r\nB,UTC\r\n"),
            "done",
            vec![(2, "", "wrong_cell_count")],
        ),
        (
            "a quote that is never closed",
            sites(),
            bytes("name,zone\r\n\"A,UTC\r\n"),
            "done",
            vec![(2, "name", "unclosed_quote")],
        ),
        ("a NUL", sites(), bytes("name,zone\r\nA\0,UTC\r\nB,UTC\r\n"), "done", vec![(2, "", "nul")]),
        (
            "another encoding",
            sites(),
            [b"name,zone\r\nCaf\xe9,UTC\r\n".as_slice(), b"B,UTC\r\n"].concat(),
            "done",
            vec![(2, "name", "wrong_encoding")],
        ),
        ("a million columns", sites(), wide, "refused", vec![(1, "", "too_many_columns")]),
        (
            "no JSON",
            json!({"records": "sites", "format": "ndjson"}),
            bytes("{\"name\": \"A\", \"zone\": \"UTC\"}\n{\"name\": \n"),
            "done",
            vec![(2, "", "invalid_json")],
        ),
    ]
}

fn what_is_wrong_with_a_file_is_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let mut failures = Vec::new();
    for (name, mapping, file, state, expected) in cases() {
        let media = if mapping["format"] == "ndjson" { "application/x-ndjson" } else { "text/csv" };
        let path = made(client, wanted(mapping));
        put(client, &path, &file, &[("content-type", media)]).expect(202);
        let found = ended(client, &path);
        let rows = told(&client.all(&format!("{path}/rows"), 100));
        let rows: Vec<(i64, &str, &str)> =
            rows.iter().map(|(line, column, code)| (*line, column.as_str(), code.as_str())).collect();
        if found["state"] != state || rows != expected {
            failures.push(format!("{name}: {} {rows:?}", found["state"]));
        }
    }
    none_failed(&failures);
}

fn what_is_wrong_with_a_mapping_is_told(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let cases = [
        (json!({}), "/mapping/records", "required"),
        (json!({"records": "cars"}), "/mapping/records", "unknown_word"),
        (json!({"records": "sites", "colour": 1}), "/mapping/colour", "unknown_member"),
        (json!({"records": "sites", "encoding": "klingon"}), "/mapping/encoding", "unknown_encoding"),
    ];
    for (mapping, pointer, code) in cases {
        let reply = client.post("/v1/imports", &json!({"mapping": mapping}));
        reply.problem(400, "invalid_request");
        assert_eq!(reply.errors(), [(pointer.to_owned(), code.to_owned())], "{mapping}");
    }
    let path = made(client, wanted(plain("sites")));
    put(client, &path, b"name,zone\r\n", &[("content-type", "application/json")])
        .problem(415, "unsupported_media_type");
    put(client, &path, b"name,zone\r\n", &[("content-encoding", "br")])
        .problem(415, "unsupported_media_type");
    put(client, &path, b"name,zone\r\nA,UTC\r\n", &[]).expect(202);
    put(client, &path, b"name,zone\r\nB,UTC\r\n", &[]).problem(409, "wrong_state");
}

fn a_file_may_come_compressed(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let pack = |bytes: &[u8]| {
        let mut packed = GzEncoder::new(Vec::new(), Compression::default());
        packed.write_all(bytes).unwrap();
        packed.finish().unwrap()
    };
    let gzip = [("content-encoding", "gzip")];
    let file = (0..2000).fold("name,zone\r\n".to_owned(), |file, n| file + &format!("Site {n},UTC\r\n"));
    let mut dry = wanted(plain("sites"));
    dry["dry_run"] = json!(true);
    let path = made(client, dry.clone());
    put(client, &path, &pack(file.as_bytes()), &gzip).expect(202);
    assert_eq!(counts(&ended(client, &path)), [2000, 0, 0, 0, 0]);
    // What breaks off is no file, and what comes to a line without end is none either.
    dry["id"] = json!(new_id());
    let path = made(client, dry);
    let packed = pack(file.as_bytes());
    put(client, &path, &packed[..packed.len() / 2], &gzip).problem(400, "invalid_request");
    put(client, &path, &pack(&vec![b' '; 64 << 20]), &gzip).problem(413, "content_too_large");
    put(client, &path, &packed, &gzip).expect(202);
}

/// The client says that 2 GB will come, and sends a MiB and a little: it is answered before it has sent more.
fn a_line_without_end_is_cut_off(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let path = made(town.coordinator(), wanted(plain("sites")));
    let token = world.token(town.id, town.people["coordinator"]);
    let head = wire::head(
        "PUT",
        &format!("{path}/file"),
        &[&format!("authorization: Bearer {token}"), "content-type: text/csv", "content-length: 2000000000"],
    );
    let mut stream = TcpStream::connect(world.service.url().trim_start_matches("http://")).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    stream.write_all(&head).unwrap();
    stream.write_all(b"name,zone\r\n").unwrap();
    // It may be answered and closed in the middle of this.
    let _ = stream.write_all(&vec![b'x'; (1 << 20) + 1]);
    let mut said = [0; 64];
    let count = std::io::Read::read(&mut stream, &mut said).unwrap();
    let said = String::from_utf8_lossy(&said[..count]).into_owned();
    assert!(said.starts_with("HTTP/1.1 413"), "{said}");
    // The import still waits for its file.
    assert_eq!(town.coordinator().get(&path).expect(200).json()["state"], "waiting_for_file");
}

fn formulas_come_and_go_as_text(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let client = town.coordinator();
    let file = "external_id:gis,name,zone,note\r\nA,'=1+1,UTC,'@SUM(A1)\r\nB,-5,UTC,'''quoted\r\nC,plain,UTC,'+49 30\r\n";
    let (found, rows) = import(client, wanted(plain("sites")), file);
    assert_eq!(counts(&found), [3, 0, 0, 0, 0], "{rows:?}");
    let named = |id: &str| {
        let site = client.all(&format!("/v1/sites?external_system=gis&external_id={id}"), 10).remove(0);
        (site["name"].as_str().unwrap().to_owned(), site["note"].as_str().unwrap().to_owned())
    };
    assert_eq!(named("A"), ("=1+1".to_owned(), "@SUM(A1)".to_owned()));
    assert_eq!(named("C"), ("plain".to_owned(), "+49 30".to_owned()));
    let exported = client.get("/v1/exports/sites.csv").expect(200).text;
    for cell in [",'=1+1,", ",'@SUM(A1),", ",'+49 30,", ",'-5,"] {
        assert!(exported.contains(cell), "{cell}: {exported}");
    }
}
