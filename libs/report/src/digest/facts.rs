//! What a digest tells: all that its recipients may see, and nothing else.
//!
//! Whoever fills this in decides who sees what; what is not in here is not in the mail.

use model::{Code, Hours, Instant, Label, LocalDate, OrganizationId, SiteId, UnitId, Zone, person::Role};
use uuid::Uuid;

use super::{
    address::WebAddress,
    words::{Grade, Next, Reason, State, Why},
};

/// Weeks that are looked back upon.
pub const WEEKS: usize = 12;

/// All that one digest tells.
#[derive(Clone, Debug)]
pub struct Facts {
    /// Whose units.
    pub organization_id: OrganizationId,
    /// Its name.
    pub organization_name: Label,
    /// The list that the digest goes to.
    pub list: ListFacts,
    /// The day that the digest is for, where the list is.
    pub local_date: LocalDate,
    /// The list's zone; times of day are shown by it.
    pub zone: Zone,
    /// The instant that everything is told of.
    pub as_of: Instant,
    /// The last day of "this week": what comes due after it is told apart.
    pub due_by: LocalDate,
    /// What links begin with; without it there are none.
    pub link_base: Option<WebAddress>,
    /// The day of the mail before this one, if there was one.
    pub previous: Option<LocalDate>,
    /// Whether nothing changed, and the mail only says that it was looked.
    pub heartbeat: bool,
    /// Days since the mail before on which none went out though it should have.
    pub missed_dates: Vec<LocalDate>,
    /// Whether some units are not worked out anew yet since a change that concerns many.
    pub pending: bool,
    /// Sites with something to tell. Lines in a state that asks for nothing are left out of the mail.
    pub sites: Vec<SiteFacts>,
    /// Sites where nothing is wrong.
    pub clear_sites: Vec<SiteRef>,
    /// Units with a tag in force.
    pub out_of_service: Vec<OutOfService>,
    /// What is different from the mail before, and why.
    pub changed: Changes,
    /// What is to be put right in the records.
    pub quality: Vec<QualityLine>,
    /// What waits for a decision; absent where the recipient may not see that.
    pub waiting: Option<Waiting>,
    /// Handsets that have not been heard of for too long; absent where the recipient may not see that.
    pub silent_handsets: Option<u32>,
    /// What was brought before somebody else because it has been overdue for long; among `sites` too.
    pub escalated: Vec<Escalated>,
    /// What somebody has seen and asked not to be told of for a while; told here alone, so not among `sites`.
    pub acknowledged: Vec<Acknowledged>,
    /// Overdue items in each of the last weeks, the oldest first.
    pub weeks: [Week; WEEKS],
}

/// The list that a digest goes to.
#[derive(Clone, Debug)]
pub struct ListFacts {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: Label,
    /// What its recipients may see, they may see in this role.
    pub role: Role,
}

/// A site by id and name.
#[derive(Clone, Debug)]
pub struct SiteRef {
    /// Its id.
    pub id: SiteId,
    /// Its name.
    pub name: Label,
}

/// A unit by id and label.
#[derive(Clone, Debug)]
pub struct UnitRef {
    /// Its id.
    pub id: UnitId,
    /// What is written on it.
    pub label: Label,
}

/// A task by code and title.
#[derive(Clone, Debug)]
pub struct TaskRef {
    /// Its code.
    pub code: Code,
    /// What the technician reads.
    pub title: Label,
    /// The schedule that asks for it.
    pub schedule: Option<Label>,
}

/// One task of one unit at one site.
#[derive(Clone, Debug)]
pub struct ItemRef {
    /// Where the unit stands.
    pub site: SiteRef,
    /// The unit.
    pub unit: UnitRef,
    /// The task.
    pub task: TaskRef,
}

/// A site and the due items of its units.
#[derive(Clone, Debug)]
pub struct SiteFacts {
    /// The site.
    pub site: SiteRef,
    /// Its items, in any order.
    pub lines: Vec<Line>,
}

/// A due item.
#[derive(Clone, Debug)]
pub struct Line {
    /// The unit.
    pub unit: UnitRef,
    /// The task.
    pub task: TaskRef,
    /// Its state.
    pub state: State,
    /// Why the state is unknown or deferred.
    pub reason: Option<Reason>,
    /// How it stands by running hours, if it has such a limit and hours are known.
    pub hours: Option<HoursAxis>,
    /// How it stands by date, if it has such a limit.
    pub days: Option<DaysAxis>,
    /// The day on which it comes due by either, if nothing new is recorded.
    pub due_on: Option<LocalDate>,
    /// Since when it is in its state.
    pub since: Option<LocalDate>,
    /// Until when it may wait, if it is deferred.
    pub deferred: Option<Deferred>,
    /// How well the hours are known that it rests on.
    pub grade: Grade,
    /// What is to be done next.
    pub next: Next,
}

/// How an item stands by running hours.
#[derive(Clone, Copy, Debug)]
pub struct HoursAxis {
    /// How far past the limit at least; negative while there are hours left.
    pub late_low: Hours,
    /// How far past the limit at most; the same as `late_low` where both hours and limit are known exactly.
    pub late_high: Hours,
    /// The share of the interval that is used up, in ten-thousandths.
    pub used: i64,
}

/// How an item stands by date.
#[derive(Clone, Copy, Debug)]
pub struct DaysAxis {
    /// The day on which it is due.
    pub due: LocalDate,
    /// Days past that day; negative before it.
    pub late: i32,
    /// The share of the interval that is used up, in ten-thousandths.
    pub used: i64,
}

/// Until when a deferred item may wait; whichever comes first.
#[derive(Clone, Copy, Debug)]
pub struct Deferred {
    /// The last day.
    pub until_date: Option<LocalDate>,
    /// Engine hours.
    pub until_hours: Option<Hours>,
}

/// A unit with a tag in force.
#[derive(Clone, Debug)]
pub struct OutOfService {
    /// Where it stands.
    pub site: SiteRef,
    /// The unit.
    pub unit: UnitRef,
    /// Since when.
    pub since: LocalDate,
    /// Why, or which tag: a code such as `locked_out`.
    pub reason: Code,
}

/// What is different from the mail before.
#[derive(Clone, Debug, Default)]
pub struct Changes {
    /// Items whose state is another one.
    pub lines: Vec<ChangedLine>,
    /// Service events recorded since, late ones included.
    pub entries: u32,
    /// Those that came late: what they tell had happened before the mail before this one.
    pub late_entries: u32,
    /// Items that were overdue and are no more.
    pub cleared_overdue: u32,
    /// Items that are overdue and were not.
    pub new_overdue: u32,
}

/// An item whose state is another one.
#[derive(Clone, Debug)]
pub struct ChangedLine {
    /// Which.
    pub item: ItemRef,
    /// The state in the mail before; absent if there was no such item.
    pub before: Option<State>,
    /// The state now; absent if there is no such item any more.
    pub after: Option<State>,
    /// Why.
    pub why: Why,
}

/// Something to put right in the record of a unit.
#[derive(Clone, Debug)]
pub struct QualityLine {
    /// Where it stands.
    pub site: SiteRef,
    /// The unit.
    pub unit: UnitRef,
    /// What: a code such as `stale_reading`. Units that are `quiet` are told with those of unknown state.
    pub code: Code,
    /// Since when.
    pub since: LocalDate,
}

/// What waits for a decision.
#[derive(Clone, Copy, Debug)]
pub struct Waiting {
    /// Edits held at the gate.
    pub held: u32,
    /// Fields that two people set without knowing of each other.
    pub contested: u32,
}

/// An item brought before somebody else.
#[derive(Clone, Debug)]
pub struct Escalated {
    /// Which.
    pub item: ItemRef,
    /// How long it has been overdue.
    pub overdue_days: i32,
    /// Before whom.
    pub to: Role,
}

/// An item that is not to be told of for a while.
#[derive(Clone, Debug)]
pub struct Acknowledged {
    /// Which.
    pub item: ItemRef,
    /// The last day.
    pub until: LocalDate,
    /// By whom; absent where the recipient may not see that.
    pub by: Option<Label>,
}

/// One week looked back upon.
#[derive(Clone, Copy, Debug)]
pub struct Week {
    /// Its Monday.
    pub monday: LocalDate,
    /// Items overdue at its end; absent where nobody counted.
    pub overdue: Option<u32>,
}
