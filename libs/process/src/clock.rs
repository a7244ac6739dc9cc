//! The service's clock: the machine's, or for demonstrations and tests one that begins at another instant.

use std::time::Instant as Ticks;

use model::{Instant, read::Flaw};

/// A clock that runs.
#[derive(Clone, Copy, Debug)]
pub struct Clock(Origin);

#[derive(Clone, Copy, Debug)]
enum Origin {
    Machine,
    From { instant: Instant, started: Ticks },
}

impl Clock {
    /// The machine's clock.
    pub const fn machine() -> Self {
        Self(Origin::Machine)
    }

    /// A clock that shows `instant` now and runs on from there.
    pub fn starting_at(instant: Instant) -> Self {
        Self(Origin::From { instant, started: Ticks::now() })
    }

    /// Reads `INSTANT`, which the clock shows now, or `INSTANT@MACHINE`: it showed that when the machine's clock showed
    /// the other, so that all who are told the same agree.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let Some((instant, since)) = text.split_once('@') else {
            return Ok(Self::starting_at(Instant::parse(text)?));
        };
        let passed = machine().micros().saturating_sub(Instant::parse(since)?.micros());
        let instant = Instant::parse(instant)?.micros().saturating_add(passed);
        Ok(Self::starting_at(Instant::from_micros(instant)))
    }

    /// The time.
    pub fn now(&self) -> Instant {
        match self.0 {
            Origin::Machine => machine(),
            Origin::From { instant, started } => {
                let passed = i64::try_from(started.elapsed().as_micros()).unwrap_or(i64::MAX);
                Instant::from_micros(instant.micros().saturating_add(passed))
            }
        }
    }
}

fn machine() -> Instant {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    Instant::from_micros(i64::try_from(since.as_micros()).unwrap_or(i64::MAX))
}
