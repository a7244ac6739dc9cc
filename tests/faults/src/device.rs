//! A device in the field: it records readings of one unit, and sends each until it has an answer.

use blackbox::world::new_id;
use fastrand::Rng;
use serde_json::{Value, json};

use crate::push::{NoAnswer, Push, Route};

/// What a device records at most before it tries to send.
const AT_ONCE: usize = 8;

/// A reading that a device made.
#[derive(Clone, Debug)]
pub struct Made {
    /// The event with its id; its note is like no other.
    pub event: Value,
    /// Its number among the edits of its device, from 1.
    pub number: u64,
    /// The id of the one before it.
    pub previous: Option<String>,
    /// How often it was sent.
    pub sent: u32,
    /// Whether the service has said that it is recorded.
    pub acknowledged: bool,
}

impl Made {
    /// The event's id.
    pub fn id(&self) -> &str {
        self.event["id"].as_str().unwrap()
    }
}

/// A device.
pub struct Device {
    /// Its name, which its notes begin with.
    pub name: String,
    /// The unit that it reads.
    pub unit: String,
    /// The way that its edits go.
    pub route: Route,
    /// All that it made, in order.
    pub made: Vec<Made>,
    /// What the service told it that cannot be.
    pub wrong: Vec<String>,
    /// Edits that were recorded when their answer was lost.
    pub recovered: u32,
    /// Pushes without an answer.
    pub unanswered: u32,
    rng: Rng,
}

impl Device {
    /// A device that has made nothing yet.
    pub fn new(name: String, unit: String, route: Route, rng: Rng) -> Self {
        Self { name, unit, route, made: Vec::new(), wrong: Vec::new(), recovered: 0, unanswered: 0, rng }
    }

    /// Records a few readings, and sends them with all that waits for an answer.
    pub fn step(&mut self, push: &dyn Push) -> Result<(), NoAnswer> {
        for _ in 0..self.rng.usize(1..=AT_ONCE) {
            self.record();
        }
        self.send(push)
    }

    /// Sends what waits for an answer.
    pub fn send(&mut self, push: &dyn Push) -> Result<(), NoAnswer> {
        let waiting: Vec<usize> = (0..self.made.len()).filter(|at| !self.made[*at].acknowledged).collect();
        for one in &waiting {
            self.made[*one].sent += 1;
        }
        let answers = self.answered(push, &waiting)?;
        for (at, result) in waiting.into_iter().zip(answers) {
            let made = &mut self.made[at];
            match result.as_str() {
                "applied" => {}
                "already_applied" if made.sent > 1 => self.recovered += 1,
                other => self.wrong.push(format!("{}: {other}, sent {} times", self.name, made.sent)),
            }
            made.acknowledged = true;
        }
        Ok(())
    }

    /// Sends all again that was acknowledged, as a device does that has lost its notes of it.
    pub fn send_all_again(&mut self, push: &dyn Push) -> Result<(), NoAnswer> {
        let all: Vec<usize> = (0..self.made.len()).filter(|at| self.made[*at].acknowledged).collect();
        for some in all.chunks(500) {
            for (at, result) in some.iter().zip(self.answered(push, some)?) {
                if result != "already_applied" {
                    let note = &self.made[*at].event["note"];
                    self.wrong.push(format!("{note} was acknowledged, and is {result} when sent again"));
                }
            }
        }
        Ok(())
    }

    /// The service's words for these edits.
    fn answered(&mut self, push: &dyn Push, which: &[usize]) -> Result<Vec<String>, NoAnswer> {
        let edits: Vec<&Made> = which.iter().map(|at| &self.made[*at]).collect();
        if edits.is_empty() {
            return Ok(Vec::new());
        }
        let answers = match push.push(&edits) {
            Ok(answers) => answers,
            Err(none) => {
                self.unanswered += 1;
                return Err(none);
            }
        };
        let (named, sent): (Vec<&str>, Vec<&str>) = (
            answers.iter().map(|answer| answer.id.as_str()).collect(),
            edits.iter().map(|made| made.id()).collect(),
        );
        if named != sent {
            self.wrong.push(format!("{}: answers for {named:?}, sent were {sent:?}", self.name));
        }
        Ok(answers.into_iter().map(|answer| answer.result).collect())
    }

    fn record(&mut self) {
        let n = self.made.len();
        let event = json!({
            "id": new_id(), "kind": "reading", "unit_id": self.unit, "meter_hours": n,
            "occurred_at": format!("2026-03-{:02}T{:02}:{:02}:00Z", n / 1440 % 28 + 1, n / 60 % 24, n % 60),
            "note": format!("{}-{n}", self.name),
        });
        let previous = self.made.last().map(|made| made.id().to_owned());
        self.made.push(Made { event, number: n as u64 + 1, previous, sent: 0, acknowledged: false });
    }
}
