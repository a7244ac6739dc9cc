//! Photos in a bucket: what is asked of it is signed as published, and what is told where it is away, busy, or not ours.

use std::path::{Path, PathBuf};

use blackbox::{
    Backend, Bucket, Service, World,
    bucket::SECRET,
    on_both,
    service::{NOW, folder_of_blobs, in_folder, serve_bare},
    world::new_id,
};
use serde_json::json;

use super::{paper, path, put, put_part, told};

on_both!(a_bucket_that_is_away, a_bucket_that_is_busy, a_bucket_that_does_not_know_us);

/// The server of the tests signs as the examples of the protocol do; and it takes nothing that is signed otherwise.
#[test]
fn signatures_are_as_published() {
    let output = Bucket::vectors();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// A world whose log is kept.
fn logged(backend: Backend, bucket: &Bucket) -> (World, PathBuf) {
    let mut world = World::with_bucket(backend, bucket);
    let log = PathBuf::from(in_folder(&world.database, "log"));
    world.service.kill();
    world.service = Service::logging(serve_bare(&world.database, NOW).args(bucket.arguments()), &log);
    (world, log)
}

/// What the log says, which is nothing that opens the bucket.
fn said(log: &Path) -> String {
    let said = std::fs::read_to_string(log).unwrap();
    for secret in [SECRET, "X-Amz-Signature", "x-amz-signature"] {
        assert!(!said.contains(secret), "{said}");
    }
    said
}

/// Whoever sends or reads a photo is told to come again; records flow.
fn a_bucket_that_is_away(backend: Backend) {
    let mut bucket = Bucket::start();
    let (world, log) = logged(backend, &bucket);
    let town = world.town();
    let (client, bytes, begun) = (town.coordinator(), paper("kept"), paper(&"begun".repeat(100)));
    put(client, &path(&bytes), &bytes, &[]).expect(201);
    put_part(client, &begun, 0, 100).expect(202);
    bucket.kill();
    client.get(&path(&bytes)).problem(503, "busy");
    put_part(client, &begun, 100, 200).problem(503, "busy");
    put(client, &path(b"new"), &paper("new"), &[]).problem(503, "busy");
    assert_eq!(told(client, &begun).0, 503);
    let unit = town.unit_in_service("FS-1", 0);
    town.happened(&unit, "2026-06-01T12:00:00Z", json!({"kind": "reading", "meter_hours": 5.0}));
    assert!(said(&log).contains("the bucket cannot be reached"), "{}", said(&log));
}

/// It is asked again before anybody is told.
fn a_bucket_that_is_busy(backend: Backend) {
    let mut bucket = Bucket::start();
    let (world, log) = logged(backend, &bucket);
    let town = world.town();
    let (client, bytes) = (town.coordinator(), paper(&new_id()));
    bucket.fail(2);
    put(client, &path(&bytes), &bytes, &[]).expect(201);
    bucket.fail(2);
    assert_eq!(client.get(&path(&bytes)).expect(200).text.as_bytes(), bytes);
    bucket.fail(3);
    client.get(&path(&bytes)).problem(503, "busy");
    assert!(said(&log).contains("the bucket answers 503"), "{}", said(&log));
    client.get(&path(&bytes)).expect(200);
}

/// Another key is none of ours to say; whoever runs the service reads it in the log.
fn a_bucket_that_does_not_know_us(backend: Backend) {
    let bucket = Bucket::start();
    std::fs::write(bucket.secret_file(), "another\n").unwrap();
    let (world, log) = logged(backend, &bucket);
    let town = world.town();
    let bytes = paper("for nobody");
    put(town.coordinator(), &path(&bytes), &bytes, &[]).problem(503, "busy");
    assert!(
        said(&log).contains("does not take the key (--s3-key-id, --s3-secret-file): SignatureDoesNotMatch")
    );
}

/// A service that was told of half a bucket does not start, and says what is missing, and nothing of the secret.
#[test]
fn half_a_bucket_is_none() {
    let bucket = Bucket::start();
    let all = bucket.arguments();
    let mut world = World::new(Backend::Sqlite);
    world.service.kill();
    let serve = |more: &[String]| {
        let mut command = serve_bare(&world.database, NOW);
        let output = command.args(["--listen", "127.0.0.1:0"]).args(more).output().unwrap();
        assert_eq!(output.status.code(), Some(1));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(!said.contains(SECRET), "{said}");
        said
    };
    let together = "a bucket takes --s3-endpoint, --s3-bucket, --s3-key-id and --s3-secret-file together";
    assert!(serve(&all[..2]).contains(together));
    assert!(serve(&all[2..]).contains(together));
    let both = [all.clone(), folder_of_blobs(&world.database).into()].concat();
    assert!(serve(&both).contains("not in both"));
    let mut wrong = all.clone();
    wrong[1] = "no address".to_owned();
    assert!(serve(&wrong).contains("--s3-endpoint is no address"));
    std::fs::write(bucket.secret_file(), "\n").unwrap();
    assert!(serve(&all).contains("has no secret in its first line"));
}
