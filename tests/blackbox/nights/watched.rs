//! A night shift that runs until it is told to stop: it says whether something fails, to whoever watches it.

use std::{
    io::{BufRead, BufReader},
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};

use blackbox::{Backend, on_both, smtp::Behaviour};

use super::night::{Night, each};

on_both!(what_fails_is_told_to_whoever_watches, two_shifts_share_a_night);

const PATIENCE: Duration = Duration::from_secs(30);
/// A moment before the lists are due.
const BEFORE: &str = "2025-06-03T11:59:58Z";

/// One that listens.
struct Shift {
    child: Child,
    url: String,
}

impl Shift {
    fn start(night: &Night, clock: &str) -> Self {
        let arguments = ["--clock", clock, "--listen", "127.0.0.1:0", "--every", "1"];
        let mut command = night.shift().command("run", &arguments);
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let url = line.split_whitespace().last().unwrap_or_default().to_owned();
        assert!(url.starts_with("http://127.0.0.1:"), "{line}");
        Self { child, url }
    }

    /// Status and body.
    fn get(&self, path: &str) -> (u16, String) {
        let config = ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(PATIENCE));
        let agent: ureq::Agent = config.build().into();
        let mut reply = agent.get(format!("{}{path}", self.url)).call().unwrap();
        (reply.status().as_u16(), reply.body_mut().read_to_string().unwrap())
    }

    /// Asks whether it is ready until the answer has this status, and gives the body.
    #[track_caller]
    fn ready(&self, status: u16) -> String {
        let began = Instant::now();
        loop {
            let (found, body) = self.get("/readyz");
            if found == status {
                return body;
            }
            assert!(began.elapsed() < PATIENCE, "{found}, and not {status}: {body}");
        }
    }

    /// Tells it to stop, and waits until it has.
    fn stop(mut self) -> bool {
        Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap();
        self.child.wait().unwrap().success()
    }
}

impl Drop for Shift {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn what_fails_is_told_to_whoever_watches(backend: Backend) {
    let mut night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&["duty", "gone"]);
    night.server(&Behaviour::Refuse(vec!["gone@tarnvalley.example".to_owned()]));
    let shift = Shift::start(&night, BEFORE);
    assert!(shift.ready(200).contains("\"ok\""));
    night.smtp.wait_for("recipient_refused", 1, PATIENCE);
    night.smtp.wait_for("mail", 1, PATIENCE);
    let said = shift.ready(503);
    assert!(said.contains("\"failing\":1"), "{said}");
    assert_eq!(shift.get("/livez").0, 200, "what fails is no reason to start it again");
    let (_, metrics) = shift.get("/metrics");
    for told in [
        "keepstart_nightly_failing 1",
        "keepstart_nightly_chores_total{kind=\"mail\",outcome=\"failed\"} 1",
        "keepstart_nightly_chores_total{kind=\"mail\",outcome=\"done\"} 1",
        "keepstart_nightly_chores_total{kind=\"digest\",outcome=\"done\"} 1",
    ] {
        assert!(metrics.contains(told), "no {told} in\n{metrics}");
    }
    assert!(!metrics.contains('@'), "an address is nobody's business:\n{metrics}");
    assert!(shift.stop());
    assert_eq!(night.dates(), each(&["duty"], &["2025-06-03"]));
    night.is_accounted_for();
}

fn two_shifts_share_a_night(backend: Backend) {
    let names: Vec<String> = (10..30).map(|n| format!("duty{n}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let night = Night::at(backend, "2025-06-03T00:00:00Z");
    night.unit("U7", 0, "2025-02-01");
    night.listed(&names);
    let shifts = [Shift::start(&night, BEFORE), Shift::start(&night, BEFORE)];
    night.smtp.wait_for("mail", names.len(), PATIENCE);
    for shift in shifts {
        shift.ready(200);
        assert!(shift.stop());
    }
    // What was sent was marked, so nobody sends it again.
    assert!(night.work("2025-06-03T12:30:00Z"));
    assert_eq!(night.dates(), each(&names, &["2025-06-03"]));
    assert_eq!(night.mails().len(), names.len(), "each message once");
    night.is_accounted_for();
}
