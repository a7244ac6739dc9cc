//! A bucket for photos, by the S3 protocol: a program of its own, which holds every request against its signature.

use std::{
    io::{BufRead, BufReader, Lines, Write},
    path::PathBuf,
    process::{Child, ChildStdin, ChildStdout, Command, Output, Stdio},
};

use serde_json::{Value, from_str};
use tempfile::TempDir;

use crate::{service::root, smtp::python};

const KEY_ID: &str = "photos";
/// The secret of its key, which nobody but the two may tell.
pub const SECRET: &str = "kept-by-both+of/them";
const REGION: &str = "tarn-valley-1";
const NAME: &str = "photos";

/// A running one; it is gone with this.
pub struct Bucket {
    child: Child,
    commands: ChildStdin,
    said: Lines<BufReader<ChildStdout>>,
    port: u64,
    folder: TempDir,
}

impl Bucket {
    /// Starts one that is empty.
    pub fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("secret"), format!("{SECRET}\n")).unwrap();
        let mut child = Command::new(python())
            .arg(root().join("tests/s3/server.py"))
            .args([KEY_ID, SECRET, REGION, NAME])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("run ./tests/run, which installs what the bucket needs");
        let commands = child.stdin.take().unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
        let place: Value = from_str(&said.next().unwrap().unwrap()).unwrap();
        Self { child, commands, said, port: place["port"].as_u64().unwrap(), folder }
    }

    /// Holds its signing against what was published.
    pub fn vectors() -> Output {
        Command::new(python()).arg(root().join("tests/s3/server.py")).arg("vectors").output().unwrap()
    }

    /// How a service is told of it.
    pub fn arguments(&self) -> Vec<String> {
        let endpoint = format!("http://127.0.0.1:{}", self.port);
        let secret = self.secret_file().display().to_string();
        let all = [
            ("--s3-endpoint", endpoint.as_str()),
            ("--s3-bucket", NAME),
            ("--s3-region", REGION),
            ("--s3-key-id", KEY_ID),
            ("--s3-secret-file", &secret),
        ];
        all.iter().flat_map(|(name, value)| [(*name).to_owned(), (*value).to_owned()]).collect()
    }

    /// The file with the secret.
    pub fn secret_file(&self) -> PathBuf {
        self.folder.path().join("secret")
    }

    /// Answers the next so many requests with 503.
    pub fn fail(&mut self, requests: u32) {
        assert_eq!(self.tell(&format!("fail {requests}"))["fails"], requests);
    }

    /// Loses all objects.
    pub fn empty(&mut self) {
        assert_eq!(self.tell("empty")["objects"], 0);
    }

    /// How many objects there are.
    pub fn objects(&mut self) -> u64 {
        self.tell("objects")["objects"].as_u64().unwrap()
    }

    /// Ends it at once.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    fn tell(&mut self, command: &str) -> Value {
        writeln!(self.commands, "{command}").unwrap();
        from_str(&self.said.next().unwrap().unwrap()).unwrap()
    }
}

impl Drop for Bucket {
    fn drop(&mut self) {
        self.kill();
    }
}
