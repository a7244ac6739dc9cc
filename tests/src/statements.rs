//! Counts and times the statements that this process sends to a database; for profiles, not for tests that decide.

use std::{
    collections::BTreeMap,
    sync::{Mutex, OnceLock, PoisonError},
    time::{Duration, Instant},
};

use diesel::connection::{Instrumentation, InstrumentationEvent, set_default_instrumentation};

static SEEN: Mutex<Seen> = Mutex::new(BTreeMap::new());

/// Statements by their text without values, and by whether they came after the marked one of their transaction.
pub type Seen = BTreeMap<(String, bool), Statement>;

/// What the marked statement begins with.
static MARK: OnceLock<&str> = OnceLock::new();

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

/// Watches every connection that is opened from now on; statements after one that begins with `mark`, up to the end of
/// its transaction, are told apart.
pub fn watch(mark: &'static str) {
    MARK.get_or_init(|| mark);
    set_default_instrumentation(|| Some(Box::new(Watch { running: None, marked: false }))).unwrap();
}

/// The statements seen since the last time.
pub fn take() -> Seen {
    std::mem::take(&mut *SEEN.lock().unwrap_or_else(PoisonError::into_inner))
}

struct Watch {
    running: Option<(String, Instant)>,
    marked: bool,
}

impl Instrumentation for Watch {
    fn on_connection_event(&mut self, event: InstrumentationEvent<'_>) {
        match event {
            InstrumentationEvent::StartQuery { query, .. } => {
                let text = query.to_string();
                let text = text.split(" -- binds").next().unwrap_or_default().replace(['"', '`'], "");
                // The clock starts after the text is made, which the statement itself does not need.
                self.running = Some((text, Instant::now()));
            }
            InstrumentationEvent::FinishQuery { .. } => {
                let Some((text, began)) = self.running.take() else { return };
                let took = began.elapsed();
                let mut seen = SEEN.lock().unwrap_or_else(PoisonError::into_inner);
                let marks = MARK.get().is_some_and(|mark| text.starts_with(mark));
                self.marked = (self.marked || marks) && !["COMMIT", "ROLLBACK"].contains(&text.as_str());
                let after = self.marked && !marks;
                seen.entry((text, after)).or_default().add(&Statement { times: 1, took });
            }
            _ => {}
        }
    }
}
