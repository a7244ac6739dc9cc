//! Photos and papers beside the records: how they come, what is refused, who reads them, and what becomes of those that
//! nobody names.

mod bucket;
mod coming;
mod orphans;
mod read;
mod refused;
mod strays;

use std::{
    cell::RefCell,
    ops::Deref,
    path::Path,
    time::{Duration, SystemTime, UNIX_EPOCH},
};

use blackbox::{
    Backend, Bucket, Client, Reply, Town, World,
    service::{NOW, folder_of_blobs, program},
};
use model::Instant;
use serde_json::{Value, json};

/// A world with where its photos lie: with SQLite a folder, with PostgreSQL a bucket. One has nothing to do with the other.
struct Lab {
    world: World,
    bucket: Option<RefCell<Bucket>>,
}

impl Lab {
    fn new(backend: Backend) -> Self {
        match backend {
            Backend::Sqlite => Self { world: World::new(backend), bucket: None },
            Backend::Postgres => {
                let bucket = Bucket::start();
                Self { world: World::with_bucket(backend, &bucket), bucket: Some(RefCell::new(bucket)) }
            }
        }
    }

    /// How another process is told where they lie.
    fn arguments(&self) -> Vec<String> {
        match &self.bucket {
            None => folder_of_blobs(&self.world.database).into(),
            Some(bucket) => bucket.borrow().arguments(),
        }
    }

    /// Loses all of them.
    fn empty(&self) {
        match &self.bucket {
            None => std::fs::remove_dir_all(self.world.database.folder().join("blobs")).unwrap(),
            Some(bucket) => bucket.borrow_mut().empty(),
        }
    }

    /// Makes all of them as old as if they had come by the service's clock; those of a bucket always are.
    fn age(&self) {
        if self.bucket.is_none() {
            let came = Duration::from_micros(Instant::parse(NOW).unwrap().micros().unsigned_abs());
            age_below(&self.world.database.folder().join("blobs"), UNIX_EPOCH + came);
        }
    }

    /// How many files or objects there are.
    fn files(&self) -> u64 {
        match &self.bucket {
            None => files_below(&self.world.database.folder().join("blobs")),
            Some(bucket) => bucket.borrow_mut().objects(),
        }
    }
}

impl Deref for Lab {
    type Target = World;

    fn deref(&self) -> &World {
        &self.world
    }
}

/// How many files are in a folder and those below it.
fn files_below(folder: &Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    let below = |path: &Path| if path.is_dir() { files_below(path) } else { 1 };
    entries.map(|entry| below(&entry.unwrap().path())).sum()
}

fn age_below(folder: &Path, at: SystemTime) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            age_below(&path, at);
        } else {
            std::fs::File::options().write(true).open(&path).unwrap().set_modified(at).unwrap();
        }
    }
}

/// A paper with this text in it.
pub(crate) fn paper(text: &str) -> Vec<u8> {
    format!("%PDF-1.4\n% {text}\n%%EOF\n").into_bytes()
}

/// Where bytes are.
pub(crate) fn path(bytes: &[u8]) -> String {
    format!("/v1/blobs/{}", proof::sha256(bytes))
}

/// Sends bytes.
pub(crate) fn put(client: &Client, path: &str, bytes: &[u8], headers: &[(&str, &str)]) -> Reply {
    let mut all = headers.to_vec();
    if !headers.iter().any(|(name, _)| *name == "content-type") {
        all.push(("content-type", "application/octet-stream"));
    }
    client.send("PUT", path, &all, Some(bytes))
}

/// Sends a part of bytes.
fn put_part(client: &Client, bytes: &[u8], first: usize, end: usize) -> Reply {
    let range = format!("bytes {first}-{}/{}", end - 1, bytes.len());
    put(client, &path(bytes), &bytes[first..end], &[("content-range", &range)])
}

/// What HEAD says of bytes: whether they are there, and how many have come.
fn told(client: &Client, bytes: &[u8]) -> (u16, String) {
    let reply = client.send("HEAD", &path(bytes), &[], None);
    (reply.status, reply.header("upload-offset").to_owned())
}

/// A finding that names bytes.
pub(crate) fn finding(unit: &str, bytes: &[u8]) -> Value {
    json!({"kind": "finding", "action": "opened", "severity": "minor", "unit_id": unit,
        "occurred_at": "2026-06-01T12:00:00Z",
        "attachments": [{"sha256": proof::sha256(bytes).to_string(), "media_type": "application/pdf", "name": "Fuel line"}]})
}

/// A paper that the coordinator has sent and that a finding about a unit names; gives its path.
pub(crate) fn named(town: &Town, unit: &str, bytes: &[u8]) -> String {
    town.record(finding(unit, bytes));
    put(town.coordinator(), &path(bytes), bytes, &[]).expect(201);
    path(bytes)
}

/// The night shift of a date, which ends well; gives what it said.
fn night(world: &Lab, date: &str) -> String {
    let (ended_well, said) = night_shift(world, date);
    assert!(ended_well, "{said}");
    said
}

/// The same, and whether it ended well.
fn night_shift(world: &Lab, date: &str) -> (bool, String) {
    let at = format!("{date}T03:00:00Z");
    let arguments = ["once", "--at", &at, "--clock", &at, "--database-url", world.database.url()];
    let output = program("keepstart-nightly", &arguments).args(world.arguments()).output().unwrap();
    let said = [output.stdout, output.stderr].map(|said| String::from_utf8(said).unwrap()).concat();
    (output.status.success(), said)
}
