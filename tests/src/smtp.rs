//! A real mail server on a loopback port, started for a test and stopped with it: see `tests/mail/server.py`.

use std::{
    fmt,
    io::{BufRead, BufReader, Write},
    path::{Path, PathBuf},
    process::{Child, ChildStdin, Command, Stdio},
    sync::{Arc, Condvar, Mutex, PoisonError, mpsc},
    thread,
    time::Duration,
};

use serde_json::{Value, from_slice};
use tempfile::TempDir;

use crate::service::root;

/// The name with which a client has to log in.
pub const USER: &str = "digest";
/// Its password.
pub const PASSWORD: &str = "not a real one";

/// How long the server may take to start, or to do what it is told.
const PATIENCE: Duration = Duration::from_secs(20);

/// A running server.
pub struct Smtp {
    child: Child,
    commands: Option<ChildStdin>,
    confirmed: mpsc::Receiver<Value>,
    told: Arc<Told>,
    port: u16,
    authority: PathBuf,
    mails: PathBuf,
    _folder: TempDir,
}

/// What the server does until it is told otherwise.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Behaviour {
    /// Takes every message.
    Ok,
    /// Has closed its port and every connection.
    Down,
    /// Accepts connections and never says a word.
    Hang,
    /// Keeps a message and never confirms it.
    HangAfterData,
    /// Keeps a message and closes the connection instead of confirming it.
    DropAfterData,
    /// 451 for every recipient: try again later.
    Busy,
    /// 550 for these recipients.
    Refuse(Vec<String>),
    /// 550 for every recipient, since it does not know the sender.
    NoRelay,
    /// Offers a login in the clear instead of STARTTLS, as somebody in between would.
    NoStarttls,
    /// Shows a certificate for another name.
    WrongCertificate,
    /// Shows a certificate of an authority that nobody trusts.
    UntrustedCertificate,
    /// 535 for every login.
    RefuseAuth,
}

/// A message that the server has kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mail {
    /// MAIL FROM.
    pub envelope_from: String,
    /// RCPT TO, in order.
    pub envelope_to: Vec<String>,
    /// Whether it came over TLS.
    pub tls: bool,
    /// What came after DATA, without its dots.
    pub bytes: Vec<u8>,
}

/// Events in order, as they are told.
#[derive(Default)]
struct Told {
    events: Mutex<Vec<String>>,
    more: Condvar,
}

impl Smtp {
    /// Starts one that takes every message.
    pub fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut child = Command::new(python())
            .arg(root().join("tests/mail/server.py"))
            .args([folder.path().as_os_str(), USER.as_ref(), PASSWORD.as_ref()])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let told = Arc::<Told>::default();
        let (confirm, confirmed) = mpsc::channel();
        let lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let listener = Arc::clone(&told);
        thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let line: Value = from_slice(line.as_bytes()).unwrap();
                match line["event"].as_str() {
                    Some(event) => listener.add(event),
                    None => drop(confirm.send(line)),
                }
            }
        });
        let commands = child.stdin.take();
        let Ok(place) = confirmed.recv_timeout(PATIENCE) else {
            let _ = child.kill();
            panic!("the mail server did not start: run ./tests/run, which installs it");
        };
        let path = |name: &str| PathBuf::from(place[name].as_str().unwrap());
        let port = place["port"].as_u64().unwrap().try_into().unwrap();
        let (authority, mails) = (path("authority"), path("mails"));
        Self { child, commands, confirmed, told, port, authority, mails, _folder: folder }
    }

    /// The name for which its certificate is made.
    pub fn host(&self) -> &'static str {
        "localhost"
    }

    /// The port, which stays the same while it is down.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The file with the authority that a client has to trust.
    pub fn authority(&self) -> &Path {
        &self.authority
    }

    /// Has it behave so from now on; a message under way is finished as it began.
    pub fn say(&mut self, behaviour: &Behaviour) {
        let commands = self.commands.as_mut().unwrap();
        writeln!(commands, "{behaviour}").unwrap();
        commands.flush().unwrap();
        let confirmed = self.confirmed.recv_timeout(PATIENCE).unwrap();
        assert_eq!(confirmed["now"], behaviour.to_string(), "{confirmed}");
    }

    /// The messages that it has kept, in order.
    pub fn mails(&self) -> Vec<Mail> {
        let kept = |n: usize| std::fs::read(self.mails.join(format!("{n}.json"))).ok().map(|told| (n, told));
        // A message's envelope is written after its bytes.
        (1..)
            .map_while(kept)
            .map(|(n, envelope)| {
                let envelope: Value = from_slice(&envelope).unwrap();
                Mail {
                    envelope_from: text(&envelope["from"]),
                    envelope_to: envelope["to"].as_array().unwrap().iter().map(text).collect(),
                    tls: envelope["tls"].as_bool().unwrap(),
                    bytes: std::fs::read(self.mails.join(format!("{n}.eml"))).unwrap(),
                }
            })
            .collect()
    }

    /// The folder of the messages, as the judge reads it.
    pub fn folder(&self) -> &Path {
        &self.mails
    }

    /// How often something has happened: `connected`, `login`, `login_refused`, `password_in_the_clear`,
    /// `recipient_refused`, `mail`.
    pub fn count(&self, event: &str) -> usize {
        self.told.events().iter().filter(|told| *told == event).count()
    }

    /// Waits until something has happened so often.
    #[track_caller]
    pub fn wait_for(&self, event: &str, times: usize, patience: Duration) {
        let (events, late) = self
            .told
            .more
            .wait_timeout_while(self.told.events(), patience, |events| {
                events.iter().filter(|told| *told == event).count() < times
            })
            .unwrap_or_else(PoisonError::into_inner);
        assert!(!late.timed_out(), "{event} did not happen {times} times: {events:?}");
    }
}

impl Mail {
    /// The one value of a header, unfolded, as it stands there.
    #[track_caller]
    pub fn header(&self, name: &str) -> String {
        let found = self.headers(name);
        assert_eq!(found.len(), 1, "{name}: {found:?}");
        found[0].clone()
    }

    /// Every value of a header.
    pub fn headers(&self, name: &str) -> Vec<String> {
        let text = String::from_utf8_lossy(&self.bytes);
        let head = text.split("\r\n\r\n").next().unwrap().replace("\r\n ", " ").replace("\r\n\t", " ");
        let of = |line: &str| {
            line.split_once(':')
                .filter(|(key, _)| key.eq_ignore_ascii_case(name))
                .map(|(_, value)| value.trim().to_owned())
        };
        head.split("\r\n").filter_map(of).collect()
    }
}

impl Told {
    fn add(&self, event: &str) {
        self.events().push(event.to_owned());
        self.more.notify_all();
    }

    fn events(&self) -> std::sync::MutexGuard<'_, Vec<String>> {
        self.events.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl fmt::Display for Behaviour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Ok => "ok",
            Self::Down => "down",
            Self::Hang => "hang",
            Self::HangAfterData => "hang_after_data",
            Self::DropAfterData => "drop_after_data",
            Self::Busy => "busy",
            Self::Refuse(addresses) => return write!(f, "refuse {}", addresses.join(" ")),
            Self::NoRelay => "no_relay",
            Self::NoStarttls => "no_starttls",
            Self::WrongCertificate => "wrong_certificate",
            Self::UntrustedCertificate => "untrusted_certificate",
            Self::RefuseAuth => "refuse_auth",
        })
    }
}

impl Drop for Smtp {
    fn drop(&mut self) {
        // Without its standard input it would end by itself, too.
        self.commands = None;
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Judges every message in a folder by the rules of the digest.
#[track_caller]
pub fn judge(folder: &Path) {
    let output = Command::new(python()).arg(root().join("tests/mail/judge.py")).arg(folder).output().unwrap();
    let said =
        [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    assert!(output.status.success(), "{said}");
}

/// The interpreter with the packages that `tests/run` installs.
pub(crate) fn python() -> PathBuf {
    root().join("tests/.venv/bin/python")
}

fn text(value: &Value) -> String {
    value.as_str().unwrap_or_default().to_owned()
}
