//! What was known of units whose events corrections moved, and of units that were said to be one machine: whatever was
//! answered after a write is answered again by what was known then, whatever was recorded since.

use blackbox::{Backend, Town, World, none_failed, on_both, world::id_of};
use serde_json::{Value, json};

on_both!(what_was_answered_stays_answerable);

const HISTORIES: u64 = 2;
const WRITES: usize = 20;
const UNITS: usize = 3;
/// Of writes.
const KINDS: usize = 8;

/// A past instant, of which what came later is left out.
const PAST: &str = "2026-05-20T12:00:00Z";
const AHEAD: &str = "2026-12-01T00:00:00Z";

fn what_was_answered_stays_answerable(backend: Backend) {
    let world = World::new(backend);
    let town = world.town();
    let (mut failures, mut drawn) = (Vec::new(), [0; KINDS]);
    for seed in 1..=HISTORIES {
        let mut history = History::new(&town, seed);
        let mut answered = Vec::new();
        for _ in 0..WRITES {
            let sent = history.write();
            let recorded = town.record(sent.clone());
            history.note(&sent, &recorded);
            let known_at = recorded["recorded_at"].as_str().unwrap().to_owned();
            answered.push((sent, known_at, history.answers("")));
        }
        for (at, (sent, known_at, live)) in answered.iter().enumerate() {
            let then = history.answers(&format!("&known_at={known_at}"));
            for ((path, live), (_, then)) in live.iter().zip(&then) {
                if live != then {
                    failures.push(format!(
                        "seed {seed}, write {at} ({sent}), {path}:\n  live {live}\n  then {then}"
                    ));
                }
            }
        }
        drawn.iter_mut().zip(history.drawn).for_each(|(all, of_this)| *all += of_this);
    }
    assert!(drawn.iter().all(|times| *times > 0), "every kind of write is drawn: {drawn:?}");
    none_failed(&failures);
}

/// Units whose events are mixed up and sorted out again.
struct History<'t> {
    town: &'t Town,
    units: Vec<String>,
    /// Events with the unit that each was recorded for, and whether it is a service.
    events: Vec<(String, String, bool)>,
    drawn: [usize; KINDS],
    random: u64,
}

impl<'t> History<'t> {
    fn new(town: &'t Town, seed: u64) -> Self {
        let units: Vec<String> =
            (0..UNITS).map(|n| town.unit_in_service(&format!("H{seed}-{n}"), n % 2)).collect();
        let mut new = Self { town, units, events: Vec::new(), drawn: [0; KINDS], random: seed };
        // There has to be something to correct.
        for sent in [new.service(), new.reading()] {
            let recorded = town.record(sent.clone());
            new.note(&sent, &recorded);
        }
        new
    }

    /// The next of a row of numbers that look drawn by lot (Knuth's linear congruential generator, MMIX).
    fn below(&mut self, bound: usize) -> usize {
        self.random =
            self.random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let bound = u64::try_from(bound).unwrap();
        usize::try_from((self.random >> 33) % bound).unwrap()
    }

    fn unit(&mut self) -> String {
        let at = self.below(UNITS);
        self.units[at].clone()
    }

    fn other_than(&mut self, unit: &str) -> String {
        loop {
            let other = self.unit();
            if other != unit {
                return other;
            }
        }
    }

    fn event(&mut self) -> (String, String, bool) {
        let at = self.below(self.events.len());
        self.events[at].clone()
    }

    fn service(&mut self) -> Value {
        let (unit, hours) = (self.unit(), self.below(60));
        let job = ["oil_change", "plug_inspect", "plug_replace"][self.below(3)];
        self.at(&unit, json!({"kind": "service", "jobs": [{"job": job}], "meter_hours": hours}))
    }

    fn reading(&mut self) -> Value {
        let (unit, hours) = (self.unit(), self.below(60));
        self.at(&unit, json!({"kind": "reading", "meter_hours": hours}))
    }

    /// An event of a unit, at some time before that of the service.
    fn at(&mut self, unit: &str, mut event: Value) -> Value {
        let (month, day, hour) = (3 + self.below(3), 1 + self.below(28), self.below(24));
        event["unit_id"] = json!(unit);
        event["occurred_at"] = json!(format!("2026-{month:02}-{day:02}T{hour:02}:00:00Z"));
        event
    }

    fn correction(&mut self, unit: &str, mut body: Value) -> Value {
        body["kind"] = json!("correction");
        body["reason"] = json!("mixed up");
        self.at(unit, body)
    }

    /// What is written next.
    fn write(&mut self) -> Value {
        let kind = self.below(self.drawn.len());
        self.drawn[kind] += 1;
        let (target, unit, _) = self.event();
        match kind {
            0 => self.service(),
            1 => self.reading(),
            2 => {
                let to = self.unit();
                self.correction(&unit, json!({"action": "reassign", "target_id": target, "to_unit_id": to}))
            }
            3 | 4 => {
                let action = ["link", "unlink"][kind - 3];
                let unit = self.unit();
                let other = self.other_than(&unit);
                self.correction(&unit, json!({"action": action, "other_unit_id": other}))
            }
            5 | 6 => {
                let action = ["void", "reinstate"][kind - 5];
                self.correction(&unit, json!({"action": action, "target_id": target}))
            }
            _ => {
                let (this, that) = self.two_services();
                let action = ["link", "unlink"][self.below(2)];
                let body = json!({"action": action, "target_id": this.0, "other_id": that});
                if this.0 == that { self.service() } else { self.correction(&this.1, body) }
            }
        }
    }

    fn two_services(&mut self) -> ((String, String), String) {
        let services: Vec<(String, String)> = self
            .events
            .iter()
            .filter(|event| event.2)
            .map(|event| (event.0.clone(), event.1.clone()))
            .collect();
        let (this, that) = (self.below(services.len()), self.below(services.len()));
        (services[this].clone(), services[that].0.clone())
    }

    fn note(&mut self, sent: &Value, recorded: &Value) {
        if sent["kind"] != "correction" {
            let unit = sent["unit_id"].as_str().unwrap().to_owned();
            self.events.push((id_of(recorded), unit, sent["kind"] == "service"));
        }
    }

    /// What is answered about every unit, without the words about what was asked.
    fn answers(&self, known: &str) -> Vec<(String, Value)> {
        let client = self.town.coordinator();
        let mut answers = Vec::new();
        for unit in &self.units {
            for of in [
                format!("/v1/units/{unit}/due?include=trace&valid_at={PAST}"),
                format!("/v1/units/{unit}/due?include=trace&valid_at={AHEAD}"),
                format!("/v1/units/{unit}/hours?valid_at={PAST}"),
            ] {
                let mut answer = client.get(&format!("{of}{known}")).expect(200).json();
                for asked in ["known_at", "known_seq"] {
                    answer.as_object_mut().unwrap().remove(asked);
                }
                answers.push((of, answer));
            }
            let list = format!("/v1/due?unit={unit}&valid_at={AHEAD}");
            let lines = json!(client.all(&format!("{list}{known}"), 100));
            answers.push((list, lines));
        }
        answers
    }
}
