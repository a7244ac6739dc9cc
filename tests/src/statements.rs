//! Counts and times the statements that this process sends to a database; for profiles, not for tests that decide.

use std::{
    collections::BTreeMap,
    sync::{Mutex, PoisonError},
    time::{Duration, Instant},
};

use diesel::connection::{Instrumentation, InstrumentationEvent, set_default_instrumentation};

static SEEN: Mutex<BTreeMap<String, Statement>> = Mutex::new(BTreeMap::new());

/// How often a statement was sent, and how long it took in all, the way there and back included.
#[derive(Clone, Debug, Default)]
pub struct Statement {
    /// How often.
    pub times: usize,
    /// How long.
    pub took: Duration,
}

impl Statement {
    /// Adds what another one took.
    pub fn add(&mut self, other: &Self) {
        self.times += other.times;
        self.took += other.took;
    }
}

/// Watches every connection that is opened from now on.
pub fn watch() {
    set_default_instrumentation(|| Some(Box::new(Watch { running: None }))).unwrap();
}

/// The statements seen since the last time, by their text without values.
pub fn take() -> BTreeMap<String, Statement> {
    std::mem::take(&mut *SEEN.lock().unwrap_or_else(PoisonError::into_inner))
}

struct Watch {
    running: Option<(String, Instant)>,
}

impl Instrumentation for Watch {
    fn on_connection_event(&mut self, event: InstrumentationEvent<'_>) {
        match event {
            InstrumentationEvent::StartQuery { query, .. } => {
                let text = query.to_string();
                let text = text.split(" -- binds").next().unwrap_or_default().to_owned();
                // The clock starts after the text is made, which the statement itself does not need.
                self.running = Some((text, Instant::now()));
            }
            InstrumentationEvent::FinishQuery { .. } => {
                let Some((text, began)) = self.running.take() else { return };
                let took = began.elapsed();
                let mut seen = SEEN.lock().unwrap_or_else(PoisonError::into_inner);
                seen.entry(text).or_default().add(&Statement { times: 1, took });
            }
            _ => {}
        }
    }
}
