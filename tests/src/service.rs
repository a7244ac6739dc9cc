//! The built service, started for a test and stopped with it.

use std::{
    io::{BufRead, BufReader, Read},
    path::{Path, PathBuf},
    process::{Child, Command, Output, Stdio},
    sync::mpsc,
    thread,
    time::Duration,
};

use crate::{Client, Database};

/// When the services of the tests begin their clocks, unless a test says otherwise.
pub const NOW: &str = "2026-06-15T12:00:00Z";

/// How long a service may take to start.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running service.
pub struct Service {
    child: Child,
    url: String,
}

impl Service {
    /// Starts `serve` on a database, migrated before, with the key set in the database's folder.
    pub fn start(database: &Database) -> Self {
        Self::start_at(database, NOW)
    }

    /// The same with the clock beginning at `clock`.
    pub fn start_at(database: &Database, clock: &str) -> Self {
        store::migrate(&database.address()).unwrap();
        Self::serving(&mut command(&[
            "serve",
            "--clock",
            clock,
            "--jwks",
            &in_folder(database, "jwks.json"),
            "--database-url",
            database.url(),
        ]))
    }

    /// Starts a command that serves, and waits until it listens.
    pub fn serving(command: &mut Command) -> Self {
        let log =
            if std::env::var_os("KEEPSTART_TEST_LOG").is_some() { Stdio::inherit() } else { Stdio::null() };
        command.args(["--listen", "127.0.0.1:0"]).stdout(Stdio::piped()).stderr(log);
        let mut child = command.spawn().unwrap();
        let (told, url) = mpsc::channel();
        let mut lines = BufReader::new(child.stdout.take().unwrap());
        thread::spawn(move || {
            let mut line = String::new();
            while lines.read_line(&mut line).is_ok_and(|n| n > 0) {
                if let Some(url) = line.trim().strip_prefix("Keepstart listens on ") {
                    let _ = told.send(url.to_owned());
                }
                line.clear();
            }
            // Whatever else it prints must not fill the pipe.
            let _ = lines.read_to_end(&mut Vec::new());
        });
        match url.recv_timeout(PATIENCE) {
            Ok(url) => Self { child, url },
            Err(_) => {
                let _ = child.kill();
                panic!("the service did not start; set KEEPSTART_TEST_LOG=1 to see why")
            }
        }
    }

    /// Where it listens, such as `http://127.0.0.1:1234`.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// A client without a token.
    pub fn anonymous(&self) -> Client {
        Client::new(&self.url, None)
    }

    /// A client with this token.
    pub fn client(&self, token: &str) -> Client {
        Client::new(&self.url, Some(token))
    }

    /// Ends the process at once, as a power cut would.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The built binary with these arguments, and nothing of the test's environment that configures it.
pub fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(binary());
    command.args(arguments).current_dir(root());
    for (name, _) in std::env::vars_os()
        .filter(|(name, _)| name == "DATABASE_URL" || name.to_string_lossy().starts_with("KEEPSTART_"))
    {
        command.env_remove(name);
    }
    command
}

/// Runs a command of the binary to its end.
pub fn run(arguments: &[&str]) -> Output {
    command(arguments).output().unwrap()
}

/// A file in a database's folder.
pub fn in_folder(database: &Database, file: &str) -> String {
    database.folder().join(file).display().to_string()
}

/// The root of the repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

fn binary() -> PathBuf {
    // The test binary lies in target/PROFILE/deps.
    let here = std::env::current_exe().unwrap();
    let binary = here.parent().and_then(Path::parent).unwrap().join("keepstart-api");
    assert!(binary.exists(), "{} is missing: run `cargo build --package api` first", binary.display());
    binary
}
