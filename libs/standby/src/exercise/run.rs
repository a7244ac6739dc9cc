//! A run as it is written down: stretches with their loads.

use interval::Fraction;
use model::{Hours, Instant, quantity::Kilowatts, unit::Ignition};

/// What the rules need to know of a set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Set {
    /// Its standby rating by the nameplate.
    pub nameplate: Option<Kilowatts>,
    /// How its engine is lit.
    pub ignition: Option<Ignition>,
    /// For how many hours it must run by its class, if it has one.
    pub class: Option<Hours>,
}

/// How much a set carried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Load {
    /// Nothing: warm-up, cool-down, a run without load.
    Off,
    /// So many kilowatts.
    Kilowatts(Kilowatts),
    /// That share of the nameplate.
    Share(Fraction),
    /// Nobody wrote it down.
    NotKnown,
}

/// A part of a run under one load; of samples, from one to the next, the lesser of the two if there is doubt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// How long.
    pub lasted: Hours,
    /// The load.
    pub load: Load,
}

/// A run of a set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Run {
    started_at: Instant,
    stretches: Vec<Stretch>,
    /// Whether the exhaust reached the least temperature that the maker asks for.
    pub exhaust_temperature_reached: Option<bool>,
    /// Whether water temperature and oil pressure had settled where they belong.
    pub operating_temperature_reached: Option<bool>,
    /// Whether the engine was run before the transfer, so that it was warm when it took the load.
    pub ran_before_transfer: Option<bool>,
    /// Whether it was started by the load being transferred to it.
    pub transferred_load: Option<bool>,
    /// Where it was written down as several runs, one after the other: how they were joined.
    pub joined: Option<Joined>,
}

/// Runs that count as the stages of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Joined {
    /// How many.
    pub runs: usize,
    /// How long it was between them, in all; it does not count.
    pub pauses: Hours,
}

/// Why a run cannot be what was entered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RunError {
    /// It has no length.
    #[error("A run lasts more than 0 hours.")]
    NoLength,
    /// More of it was without load than it lasted.
    #[error("The minutes without load are more than the whole run.")]
    UnloadedTooLong,
    /// Samples of load must rise in time and begin with the run.
    #[error("Load samples begin with the run, rise in time and end before it.")]
    SamplesOutOfOrder,
    /// A share below nothing or above one and a half.
    #[error("A load lies between 0 and 1.5 of the nameplate.")]
    LoadOutOfRange,
}

impl RunError {
    /// The code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::NoLength | Self::LoadOutOfRange => "out_of_range",
            Self::UnloadedTooLong => "unloaded_too_long",
            Self::SamplesOutOfOrder => "samples_out_of_order",
        }
    }

    /// The member that is wrong.
    #[must_use]
    pub const fn pointer(self) -> &'static str {
        match self {
            Self::NoLength => "/hours",
            Self::UnloadedTooLong => "/unloaded_minutes",
            Self::SamplesOutOfOrder => "/samples",
            Self::LoadOutOfRange => "/load",
        }
    }
}

impl Run {
    /// A run of stretches; what else is known of it is set on it.
    ///
    /// # Errors
    ///
    /// Where a stretch has no length, or its load cannot be.
    pub fn of(started_at: Instant, stretches: Vec<Stretch>) -> Result<Self, RunError> {
        if stretches.is_empty() || stretches.iter().any(|stretch| stretch.lasted <= Hours::ZERO) {
            return Err(RunError::NoLength);
        }
        let possible = |load: Load| match load {
            Load::Share(share) => (0..=15_000).contains(&share.ten_thousandths()),
            Load::Kilowatts(kilowatts) => kilowatts.hundredths() >= 0,
            Load::Off | Load::NotKnown => true,
        };
        if !stretches.iter().all(|stretch| possible(stretch.load)) {
            return Err(RunError::LoadOutOfRange);
        }
        Ok(Self {
            started_at,
            stretches,
            exhaust_temperature_reached: None,
            operating_temperature_reached: None,
            ran_before_transfer: None,
            transferred_load: None,
            joined: None,
        })
    }

    /// A run under one load, some of it without: half of that counts as warm-up and the rest as cool-down, which changes
    /// nothing of how long the load was carried.
    ///
    /// # Errors
    ///
    /// Where it has no length, its load cannot be, or more of it was without load than it lasted.
    pub fn constant(
        started_at: Instant,
        lasted: Hours,
        load: Load,
        unloaded: Hours,
    ) -> Result<Self, RunError> {
        if lasted <= Hours::ZERO {
            return Err(RunError::NoLength);
        }
        if unloaded > lasted || unloaded < Hours::ZERO {
            return Err(RunError::UnloadedTooLong);
        }
        let warm = Hours::from_seconds(unloaded.seconds() / 2);
        let parts = [(warm, Load::Off), (lasted - unloaded, load), (unloaded - warm, Load::Off)];
        let stretch = |(lasted, load)| Stretch { lasted, load };
        Self::of(
            started_at,
            parts.into_iter().filter(|(lasted, _)| *lasted > Hours::ZERO).map(stretch).collect(),
        )
    }

    /// A run whose load was sampled at times after its start. Between two samples it counts as the lesser, so that a rule
    /// about a least load is never met by a guess; after the last one it counts as that.
    ///
    /// # Errors
    ///
    /// Where samples do not begin with the run, rise in time, and end before it.
    pub fn sampled(
        started_at: Instant,
        lasted: Hours,
        samples: &[(Hours, Kilowatts)],
    ) -> Result<Self, RunError> {
        let ends = samples.iter().skip(1).map(|sample| Some(*sample)).chain([None]);
        let mut stretches = Vec::new();
        for ((from, kilowatts), next) in samples.iter().zip(ends) {
            let (until, then) = next.unwrap_or((lasted, *kilowatts));
            if until <= *from {
                return Err(RunError::SamplesOutOfOrder);
            }
            let least = (*kilowatts).min(then);
            let load = if least.hundredths() == 0 { Load::Off } else { Load::Kilowatts(least) };
            stretches.push(Stretch { lasted: until - *from, load });
        }
        if samples.first().is_none_or(|(from, _)| *from != Hours::ZERO) {
            return Err(RunError::SamplesOutOfOrder);
        }
        Self::of(started_at, stretches)
    }

    /// When it began.
    #[must_use]
    pub const fn started_at(&self) -> Instant {
        self.started_at
    }

    /// Its stretches, in order.
    #[must_use]
    pub fn stretches(&self) -> &[Stretch] {
        &self.stretches
    }

    /// How long it lasted: all of it counts as running.
    #[must_use]
    pub fn lasted(&self) -> Hours {
        self.stretches.iter().fold(Hours::ZERO, |sum, stretch| sum + stretch.lasted)
    }
}
