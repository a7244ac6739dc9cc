//! The statements that this process sends to one database, each as it is before values are bound.

use std::{
    collections::BTreeMap,
    sync::{Mutex, Once, PoisonError},
};

use diesel::connection::{Instrumentation, InstrumentationEvent, set_default_instrumentation};

use crate::Database;

/// Statements by what is in the address of their database. Other tests run in this process and are not listened to.
static SENT: Mutex<BTreeMap<String, Sent>> = Mutex::new(BTreeMap::new());
static LISTENING: Once = Once::new();

/// Texts of statements, and the values that were last bound to each, as `Debug` shows them.
pub type Sent = BTreeMap<String, String>;

/// A database to which one listens.
pub struct Captured {
    place: String,
}

impl Captured {
    /// Listens on every connection to it that this process opens from now on.
    pub fn listen(database: &Database) -> Self {
        LISTENING.call_once(|| set_default_instrumentation(|| Some(Box::new(Ear(None)))).unwrap());
        let place = database.url().trim_start_matches("sqlite:").to_owned();
        sent(|sent| sent.insert(place.clone(), Sent::new()));
        Self { place }
    }

    /// What was sent since the last time.
    pub fn take(&self) -> Sent {
        sent(|sent| sent.get_mut(&self.place).map(std::mem::take).unwrap_or_default())
    }
}

fn sent<T>(with: impl FnOnce(&mut BTreeMap<String, Sent>) -> T) -> T {
    with(&mut SENT.lock().unwrap_or_else(PoisonError::into_inner))
}

/// Listens to one connection, if it is to a database that somebody asked about.
struct Ear(Option<String>);

impl Instrumentation for Ear {
    fn on_connection_event(&mut self, event: InstrumentationEvent<'_>) {
        match event {
            InstrumentationEvent::StartEstablishConnection { url, .. } => {
                self.0 = sent(|sent| sent.keys().find(|place| url.contains(place.as_str())).cloned());
            }
            InstrumentationEvent::StartQuery { query, .. } => {
                let Some(place) = &self.0 else { return };
                let text = query.to_string();
                let (text, values) = text.split_once(" -- binds: ").unwrap_or((&text, "[]"));
                sent(|sent| {
                    sent.entry(place.clone()).or_default().insert(text.to_owned(), values.to_owned())
                });
            }
            _ => {}
        }
    }
}
