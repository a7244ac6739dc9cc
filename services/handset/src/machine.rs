//! The machine that the program runs on: its clock, its chance, and how it is known from its last start.

use std::{
    thread,
    time::{Duration, SystemTime, UNIX_EPOCH},
};

use handset::outside::{CodeFor, People, Surroundings};
use model::{Instant, PersonId, Zone, read::Flaw};
use uuid::Uuid;

/// Where Linux tells its starts from each other.
const BOOT_ID: &str = "/proc/sys/kernel/random/boot_id";

/// Where systems say their time zone.
const LOCAL_TIME: &str = "/etc/localtime";

/// The machine's clock, moved by as much as somebody asked for.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Machine {
    moved_micros: i64,
}

impl Machine {
    /// One whose clock shows `INSTANT` now; or, by `INSTANT@MACHINE`, showed that when the machine's clock showed the other.
    pub(crate) fn showing(text: &str) -> Result<Self, Flaw> {
        let (instant, since) = match text.split_once('@') {
            Some((instant, since)) => (instant, Instant::parse(since)?),
            None => (text, machine()),
        };
        Ok(Self { moved_micros: Instant::parse(instant)?.micros() - since.micros() })
    }
}

impl Surroundings for Machine {
    fn now(&mut self) -> Instant {
        Instant::from_micros(machine().micros().saturating_add(self.moved_micros))
    }

    fn fresh_id(&mut self) -> Uuid {
        Uuid::now_v7()
    }

    fn chance(&mut self) -> f64 {
        fastrand::f64()
    }

    fn wait(&mut self, wait: Duration) -> bool {
        thread::sleep(wait);
        true
    }
}

fn machine() -> Instant {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Instant::from_micros(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}

/// What this start of the machine is known by. Where nothing tells, each run counts as one: times are then trusted less, never
/// more.
pub(crate) fn boot_mark() -> String {
    let told = std::fs::read_to_string(BOOT_ID).map(|id| id.trim().to_owned());
    told.unwrap_or_else(|_| Uuid::new_v4().to_string())
}

/// Whoever started the program gave a token and perhaps a code along.
#[derive(Clone, Debug, Default)]
pub(crate) struct Given {
    pub(crate) token: Option<String>,
    pub(crate) code: Option<String>,
}

impl People for Given {
    fn token(&mut self, _: PersonId) -> Option<String> {
        self.token.clone()
    }

    fn new_token(&mut self, _: PersonId) -> Option<String> {
        None
    }

    fn code(&mut self, _: CodeFor) -> Option<String> {
        // It is good once.
        self.code.take()
    }
}

/// The zone of the machine, as far as it says which.
pub(crate) fn zone() -> Option<Zone> {
    let named = std::env::var("TZ").ok();
    let named = named.as_deref().and_then(|name| Zone::parse(name.trim_start_matches(':')).ok());
    named.or_else(|| {
        let link = std::fs::read_link(LOCAL_TIME).ok()?;
        let (_, name) = link.to_str()?.split_once("zoneinfo/")?;
        Zone::parse(name).ok()
    })
}
