//! Runs of the engine as far as limits ask for them.

use model::Instant;

/// When the engine ran.
#[derive(Clone, Debug, Default)]
pub(crate) struct Runs {
    emergencies: Vec<(Instant, Instant)>,
    starts: Vec<Instant>,
}

impl Runs {
    /// The runs in emergencies, in order, what overlaps as one; their ends are not part of them.
    pub(crate) fn emergencies(&self) -> &[(Instant, Instant)] {
        &self.emergencies
    }

    /// The first start after an instant.
    pub(crate) fn first_start_after(&self, at: Instant) -> Option<Instant> {
        self.starts.iter().copied().find(|start| *start > at)
    }
}
