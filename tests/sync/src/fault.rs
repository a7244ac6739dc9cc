//! Faults that can be planted in the service, to see that they are found.

/// One way to be wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Every edit is taken to have seen everything.
    SkipBase,
    /// Of values with the same clock the one that came last counts.
    DropTieBreak,
    /// Rows get their numbers before their transaction is committed, so that a reader can pass them.
    SequenceBeforeCommit,
    /// An edit that comes again is judged again.
    SkipRepeat,
    /// The line is lost by which a site loses a unit.
    LoseLeave,
    /// Stamps from the future count as they are.
    CutNoStamp,
    /// The edits of two copies of a handset are taken for those of one.
    TakeCopiesForOne,
    /// A cursor does not know of the rows that its own push has made.
    CursorWithoutMark,
    /// A unit that is in use again is told like any change.
    RevivedIsAChange,
}
