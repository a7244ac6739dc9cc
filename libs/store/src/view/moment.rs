//! At which instant, and by whose knowledge, something is asked.

use model::Instant;

/// An instant asked about, and what of the log is to count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moment {
    /// The instant.
    pub at: Instant,
    /// Whether what happened or takes effect after it is left out, as it is for an instant that has passed.
    pub until: bool,
    /// Which rows of the log count.
    pub known: Known,
}

/// Which rows of the log count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// All that there are.
    All,
    /// Those recorded by an instant.
    At(Instant),
    /// Those up to one.
    Row(i64),
}

/// An answer, and the last row of the log that it rests on: asked again with that row, it is the same.
#[derive(Clone, Debug)]
pub struct Then<T> {
    /// The row.
    pub known_seq: i64,
    /// The answer.
    pub answer: T,
}

/// Something about many units, each of which has to be folded for it.
#[derive(Clone, Debug)]
pub enum Folding<T> {
    /// It was done.
    Done(Then<T>),
    /// It concerns more units than one answer folds.
    TooMany,
}

/// More units than this are not folded for one answer.
pub const FOLDED_MOST: usize = 200;
