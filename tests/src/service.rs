//! The built service, started for a test and stopped with it.

use std::{
    fs::File,
    io::{BufRead, BufReader, Read},
    path::{Path, PathBuf},
    process::{Child, Command, ExitStatus, Output, Stdio},
    sync::mpsc,
    thread,
    time::{Duration, SystemTime, UNIX_EPOCH},
};

use model::Instant;

use crate::{
    Backend, Client, Database, Relay,
    instances::{OneProcess, wanted},
};

/// When the services of the tests begin their clocks, unless a test says otherwise.
pub const NOW: &str = "2026-06-15T12:00:00Z";

/// How long a service may take to start.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running service: one process, or several on one database behind a relay.
pub struct Service {
    processes: Vec<Child>,
    relay: Option<Relay>,
    url: String,
    said: Vec<String>,
}

impl Service {
    /// Starts `serve` on a database, which is migrated first, with the key set in the database's folder; as many
    /// processes as `KEEPSTART_TEST_INSTANCES` says, if the database can be shared.
    pub fn start(database: &Database) -> Self {
        Self::start_at(database, NOW)
    }

    /// The same with the clock beginning at `clock`.
    pub fn start_at(database: &Database, clock: &str) -> Self {
        Self::start_with(database, clock, &folder_of_blobs(database))
    }

    /// The same with its photos where these arguments say.
    pub fn start_with(database: &Database, clock: &str, blobs: &[String]) -> Self {
        // An SQLite file belongs to one process.
        let instances = if database.backend() == Backend::Postgres { wanted() } else { 1 };
        store::migrate(&database.address()).unwrap();
        // Machines that share a database keep the same time, and so do these processes.
        let clock = format!("{clock}@{}", machine_now());
        let one = |_| Self::serving(serve_bare(database, &clock).args(blobs));
        Self::together((0..instances).map(one).collect())
    }

    /// The same as one process, whatever is asked for.
    pub fn alone(database: &Database, clock: &str, _why: OneProcess) -> Self {
        store::migrate(&database.address()).unwrap();
        Self::serving(&mut serve(database, clock))
    }

    /// Starts a command that serves, and waits until it listens.
    pub fn serving(command: &mut Command) -> Self {
        Self::serving_with(command, inherited())
    }

    /// Services that answer as one, each request by the next of them.
    fn together(mut all: Vec<Self>) -> Self {
        if all.len() == 1 {
            return all.remove(0);
        }
        let relay = Relay::round_robin(&all.iter().map(Self::url).collect::<Vec<_>>());
        let (url, said) = (relay.url().to_owned(), all[0].said.clone());
        let processes = all.iter_mut().flat_map(|one| std::mem::take(&mut one.processes)).collect();
        Self { processes, relay: Some(relay), url, said }
    }

    /// The same, with its log written to `file`.
    pub fn logging(command: &mut Command, file: &Path) -> Self {
        Self::serving_with(command, File::create(file).unwrap().into())
    }

    fn serving_with(command: &mut Command, log: Stdio) -> Self {
        command.args(["--listen", "127.0.0.1:0"]).stdout(Stdio::piped()).stderr(log);
        let mut child = command.spawn().unwrap();
        let (told, url) = mpsc::channel();
        let mut lines = BufReader::new(child.stdout.take().unwrap());
        thread::spawn(move || {
            let (mut line, mut said) = (String::new(), Vec::new());
            while lines.read_line(&mut line).is_ok_and(|n| n > 0) {
                if let Some(url) = line.trim().strip_prefix("Keepstart listens on ") {
                    let _ = told.send((url.to_owned(), std::mem::take(&mut said)));
                }
                said.push(line.trim().to_owned());
                line.clear();
            }
            // Whatever else it prints must not fill the pipe.
            let _ = lines.read_to_end(&mut Vec::new());
        });
        match url.recv_timeout(PATIENCE) {
            Ok((url, said)) => Self { processes: vec![child], relay: None, url, said },
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

    /// The lines that it printed before it listened.
    pub fn said(&self) -> &[String] {
        &self.said
    }

    /// How many requests each of several processes was handed; nothing of one that is by itself.
    pub fn taken(&self) -> Vec<usize> {
        self.relay.as_ref().map(Relay::taken).unwrap_or_default()
    }

    /// A client without a token.
    pub fn anonymous(&self) -> Client {
        self.client_with(None)
    }

    /// A client with this token.
    pub fn client(&self, token: &str) -> Client {
        self.client_with(Some(token))
    }

    fn client_with(&self, token: Option<&str>) -> Client {
        // Turns are taken by connection.
        if self.relay.is_some() { Client::unkept(&self.url, token) } else { Client::new(&self.url, token) }
    }

    /// Ends every process at once, as a power cut would.
    pub fn kill(&mut self) {
        for process in &mut self.processes {
            process.kill().unwrap();
            process.wait().unwrap();
        }
    }

    /// The number of the process.
    pub fn pid(&self) -> u32 {
        self.only().id()
    }

    /// How the process ended by itself; nothing if it did not within `patience`, and was killed.
    pub fn wait(&mut self, patience: Duration) -> Option<ExitStatus> {
        let pid = self.pid().to_string();
        let child = &mut self.processes[0];
        thread::scope(|scope| {
            let (tell, told) = mpsc::channel();
            scope.spawn(move || tell.send(child.wait().unwrap()));
            let ended = told.recv_timeout(patience).ok();
            if ended.is_none() {
                Command::new("kill").args(["-KILL", &pid]).status().unwrap();
            }
            ended
        })
    }

    fn only(&self) -> &Child {
        assert_eq!(self.processes.len(), 1, "a test about one process starts with World::alone");
        &self.processes[0]
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        for process in &mut self.processes {
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

fn machine_now() -> Instant {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Instant::from_micros(since.as_micros().try_into().unwrap())
}

/// Where a service's log goes: nowhere, unless somebody wants to see it.
fn inherited() -> Stdio {
    if std::env::var_os("KEEPSTART_TEST_LOG").is_some() { Stdio::inherit() } else { Stdio::null() }
}

/// The command that serves a database, its clock beginning at `clock`.
pub fn serve(database: &Database, clock: &str) -> Command {
    let mut command = serve_bare(database, clock);
    command.args(folder_of_blobs(database));
    command
}

/// The same without where photos are kept.
pub fn serve_bare(database: &Database, clock: &str) -> Command {
    let keys = in_folder(database, "jwks.json");
    command(&["serve", "--clock", clock, "--jwks", &keys, "--database-url", database.url()])
}

/// That photos are kept in the folder of a database.
pub fn folder_of_blobs(database: &Database) -> [String; 2] {
    ["--blobs".to_owned(), in_folder(database, "blobs")]
}

/// The built service with these arguments, and nothing of the test's environment that configures it.
pub fn command(arguments: &[&str]) -> Command {
    program("keepstart-api", arguments)
}

/// The same of any of our binaries.
pub fn program(name: &str, arguments: &[&str]) -> Command {
    let mut command = Command::new(binary(name));
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

/// Recomputes every fold of a database from its log, which must find no difference.
#[track_caller]
pub fn is_clean(database: &Database) {
    let output = run(&["rebuild", "--check", "--database-url", database.url()]);
    let said =
        [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains(" 0 differences"), "{said}");
}

/// A file in a database's folder.
pub fn in_folder(database: &Database, file: &str) -> String {
    database.folder().join(file).display().to_string()
}

/// The root of the repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().to_owned()
}

fn binary(name: &str) -> PathBuf {
    // A test's binary lies in target/PROFILE/deps, a program's beside the service's.
    let here = std::env::current_exe().unwrap();
    let mut found = here.ancestors().skip(1).take(2).map(|folder| folder.join(name));
    found.find(|binary| binary.exists()).unwrap_or_else(|| panic!("no {name}: run `cargo build` first"))
}
