//! What no event in order can change any more.

use model::{Code, Instant, LocalDate};

use crate::{
    chain::Mark,
    completion::Outcome,
    hours::{Meter, Point},
    limit::Anchor,
    words::Grade,
};

/// What the events up to the last settled reading come to; nothing to begin with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Settled {
    /// The last settled reading. Everything up to its instant is part of this.
    pub(crate) mark: Option<Mark>,
    /// Engine hours known at instants, the last that of the reading. Those of before
    /// [`exact_from`](Self::exact_from) are here only as far as a limit was reached then.
    pub(crate) points: Vec<Point>,
    /// Since when hours between points are told as by all of them.
    pub(crate) exact_from: Instant,
    pub(crate) first_reading: Option<Instant>,
    /// The last is the one that the reading was taken from.
    pub(crate) meters: Vec<Meter>,
    /// The best that hours are known since the newest swap.
    pub(crate) grade: Grade,
    pub(crate) commissioning: Option<Anchor>,
    /// For each job the services that did it last, as far back as one that comes later is held against them; in
    /// canonical order.
    pub(crate) done: Vec<Done>,
    /// For each job when it was done first, as long as there is no commissioning to count a grid from.
    pub(crate) begun: Vec<Begun>,
}

/// A service that did these jobs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Done {
    pub(crate) anchor: Anchor,
    pub(crate) jobs: Vec<(Code, Outcome)>,
}

/// When a job was done first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Begun {
    pub(crate) job: Code,
    pub(crate) instant: Instant,
    pub(crate) date: LocalDate,
}

impl Default for Settled {
    fn default() -> Self {
        Self {
            mark: None,
            points: Vec::new(),
            exact_from: Instant::FIRST,
            first_reading: None,
            meters: Vec::new(),
            grade: Grade::A,
            commissioning: None,
            done: Vec::new(),
            begun: Vec::new(),
        }
    }
}
