//! Files that are brought in over HTTP: what becomes of their rows, and what is said of those that are not taken.

mod command;
mod exports;
mod files;
mod jobs;
mod rows;

use std::time::{Duration, Instant};

use blackbox::{Client, Reply, world::new_id};
use serde_json::{Value, json};

/// A mapping of canonical columns.
pub(crate) fn plain(records: &str) -> Value {
    json!({"records": records})
}

/// Makes an import, and sends its file; gives its path.
pub(crate) fn send(client: &Client, wanted: Value, file: &str) -> String {
    let path = made(client, wanted);
    let taken = put(client, &path, file.as_bytes(), &[]).expect(202);
    assert_eq!(taken.header("location"), path);
    path
}

/// Makes an import; gives its path.
pub(crate) fn made(client: &Client, wanted: Value) -> String {
    client.post("/v1/imports", &wanted).expect(201).header("location").to_owned()
}

/// Sends bytes as the file of an import.
pub(crate) fn put(client: &Client, path: &str, file: &[u8], headers: &[(&str, &str)]) -> Reply {
    let mut all = headers.to_vec();
    if !headers.iter().any(|(name, _)| *name == "content-type") {
        all.push(("content-type", "text/csv"));
    }
    client.send("PUT", &format!("{path}/file"), &all, Some(file))
}

/// Waits until an import has ended; gives it.
#[track_caller]
pub(crate) fn ended(client: &Client, path: &str) -> Value {
    let begun = Instant::now();
    loop {
        let import = client.get(path).expect(200).json();
        if !["waiting_for_file", "queued", "running"].contains(&import["state"].as_str().unwrap()) {
            return import;
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "it does not end: {import}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Brings a file in to its end; gives the import, and what is said of its rows.
#[track_caller]
pub(crate) fn import(client: &Client, wanted: Value, file: &str) -> (Value, Vec<Value>) {
    let path = send(client, wanted, file);
    let import = ended(client, &path);
    (import, client.all(&format!("{path}/rows"), 100))
}

/// How many rows came to what: created, changed, unchanged, repeated, refused.
pub(crate) fn counts(import: &Value) -> [i64; 5] {
    ["created", "changed", "unchanged", "repeated", "refused"]
        .map(|name| import["counts"][name].as_i64().unwrap())
}

/// Line, column and code of what is said of rows.
pub(crate) fn told(rows: &[Value]) -> Vec<(i64, String, String)> {
    let text = |row: &Value, name: &str| row[name].as_str().unwrap_or_default().to_owned();
    rows.iter().map(|row| (row["line"].as_i64().unwrap(), text(row, "column"), text(row, "code"))).collect()
}

/// An import with an id of its own.
pub(crate) fn wanted(mapping: Value) -> Value {
    json!({"id": new_id(), "mapping": mapping})
}
