//! What readers are given.

mod contested;
mod handset;
mod kept;
mod moment;
mod pull;
mod quality;
mod story;

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt,
};

use interval::{DueState, ItemKey, Reason, UnitState};
use model::{
    Code, EditionId, EventId, Instant, Label, OrganizationId, PersonId, ScheduleId, SiteId, UnitId,
    edit::RecordKind, event::EventKind, person::GrantFields, schedule::Edition, site::SiteFields,
    unit::UnitFields,
};
use serde_json::{Map, Value};
use uuid::Uuid;

pub use self::contested::{ContestedField, ContestedRecord, ContestedValue};
pub use self::handset::{HandsetState, HandsetView};
pub use self::kept::{KeptContent, KeptEdit, KeptPlace, KeptQuery, KeptState};
pub use self::{
    moment::{FOLDED_MOST, Folding, Known, Moment, Then},
    pull::{Change, Cursor, Mark, Mode, Most, Pull, Pulled, SiteFingerprint, Sites, Stage, Standing, Within},
    quality::{QUALITY_CODES, QualityLine, QualityPlace, QualityQuery},
    story::{SiteStory, UnitStory},
};
use crate::command::Etag;

/// A record with fields, private text joined in; `Debug` shows nothing of them.
#[derive(Clone)]
pub struct RecordView {
    /// The kind.
    pub kind: RecordKind,
    /// The id without its kind.
    pub id: Uuid,
    /// Its fields.
    pub fields: Map<String, Value>,
    /// How many edits have made it what it is.
    pub version: i64,
    /// What a writer must have seen.
    pub etag: Etag,
}

/// One record with all that an answer about it needs; `Debug` shows nothing of its fields.
#[derive(Clone, Debug)]
pub struct Look {
    /// The asker's grants, those not in force included.
    pub grants: Vec<GrantFields>,
    /// The sites in whose scope a unit is; of another record none.
    pub sites: BTreeSet<SiteId>,
    /// The record, if it is there.
    pub record: Option<RecordView>,
}

/// A service event as it was recorded, private text joined in; `Debug` shows nothing of it.
#[derive(Clone)]
pub struct EventView {
    /// Its id.
    pub id: EventId,
    /// The unit it happened to; none for an adoption for a model.
    pub unit: Option<UnitId>,
    /// Its place in time, for paging.
    pub occurred_at: Instant,
    /// The event.
    pub body: Map<String, Value>,
    /// When it happened, where the handset's clock that says so was put right.
    pub happened_at: Option<Instant>,
    /// When the service recorded it.
    pub recorded_at: Instant,
    /// Who entered it.
    pub author: PersonId,
    /// Its strong ETag: of its content with private text as commitments, and of whether that was erased.
    pub etag: Etag,
}

/// An edition of a schedule.
#[derive(Clone, Debug)]
pub struct EditionView {
    /// Its id.
    pub id: EditionId,
    /// The schedule.
    pub schedule: ScheduleId,
    /// The edition.
    pub edition: Edition,
}

impl EditionView {
    /// The edition as it is sent.
    pub fn sent(&self) -> serde_json::Result<Value> {
        let mut value = serde_json::to_value(&self.edition)?;
        if let Some(members) = value.as_object_mut() {
            members.insert("id".to_owned(), Value::from(self.id.to_string()));
            members.insert("schedule_id".to_owned(), Value::from(self.schedule.to_string()));
        }
        Ok(value)
    }
}

/// The fields of some units and sites, by id.
#[derive(Clone, Debug)]
pub struct Fields {
    /// The units.
    pub units: BTreeMap<UnitId, UnitFields>,
    /// The sites.
    pub sites: BTreeMap<SiteId, SiteFields>,
}

/// A page of something, and whether more follows.
#[derive(Clone, Debug)]
pub struct Page<T> {
    /// The items.
    pub items: Vec<T>,
    /// Whether another page follows.
    pub more: bool,
}

impl<T> Page<T> {
    /// The page that begins with these items, of which there may be more than `limit`.
    pub(crate) fn cut(mut items: Vec<T>, limit: usize) -> Self {
        let more = items.len() > limit;
        items.truncate(limit);
        Self { items, more }
    }
}

/// How many rows to ask for, so that it is known whether another page follows.
pub(crate) fn one_more(limit: usize) -> i64 {
    i64::try_from(limit).unwrap_or(i64::MAX).saturating_add(1)
}

/// Which sites or units are asked for by their id in another system.
#[derive(Clone, Debug)]
pub struct ExternalQuery {
    /// The tenant.
    pub organization: OrganizationId,
    /// Sites or units.
    pub kind: RecordKind,
    /// The other system.
    pub system: Code,
    /// The id there.
    pub id: Label,
    /// Only sites of each of these sets, or units in scope of one site of each.
    pub sets: Vec<Vec<SiteId>>,
    /// The last id of the page before.
    pub after: Option<Uuid>,
    /// Records of a page.
    pub limit: usize,
}

/// Which records of a kind are asked for.
pub(crate) enum Among {
    /// All of them.
    All,
    /// Those that belong to another record.
    Of(Uuid),
    /// Those with one of these ids.
    Ids(BTreeSet<Uuid>),
    /// Units in scope of one site of each of these sets.
    UnitsOf(Vec<Vec<SiteId>>),
}

/// The state of one unit, folded afresh.
#[derive(Clone, Debug)]
pub struct UnitDue {
    /// The unit, or of those that are one machine with it the first in use: lists show the machine as that.
    pub machine: UnitId,
    /// The unit's home site.
    pub home_site: SiteId,
    /// What people call it.
    pub label: Option<String>,
    /// The fold.
    pub state: UnitState,
    /// A digest of all that the fold rests on.
    pub evidence: String,
}

/// Which service events are asked for.
#[derive(Clone, Debug)]
pub struct EventQuery {
    /// The tenant.
    pub organization: OrganizationId,
    /// The unit.
    pub unit: UnitId,
    /// Only this kind.
    pub kind: Option<EventKind>,
    /// The last event of the page before.
    pub after: Option<(Instant, EventId)>,
    /// At most so many.
    pub limit: usize,
}

/// Which due items are asked for.
#[derive(Clone, Debug)]
pub struct DueFilter {
    /// The tenant.
    pub organization: OrganizationId,
    /// Only at these sites (home, or where the unit stands); absent means everywhere.
    pub sites: Option<Vec<SiteId>>,
    /// Only this site of those.
    pub site: Option<SiteId>,
    /// Only this unit.
    pub unit: Option<UnitId>,
    /// Only this task.
    pub task: Option<Code>,
    /// Only these states; empty means all.
    pub states: Vec<DueState>,
    /// Only items that are due before this instant, given no new data.
    pub due_before: Option<Instant>,
}

impl DueFilter {
    /// Every item of an organization.
    pub fn all(organization: OrganizationId) -> Self {
        Self {
            organization,
            sites: None,
            site: None,
            unit: None,
            task: None,
            states: Vec::new(),
            due_before: None,
        }
    }
}

/// Which page of a list of due items, folded for the question, is asked for.
#[derive(Clone, Debug)]
pub struct ThenQuery {
    /// The items. Which units the asker may see is judged as things are now.
    pub filter: DueFilter,
    /// What the list is about.
    pub moment: Moment,
    /// Latest first.
    pub descending: bool,
    /// The last item of the page before.
    pub after: Option<DuePlace>,
    /// At most so many.
    pub limit: usize,
}

/// Which page of a list of due items is asked for.
#[derive(Clone, Debug)]
pub struct DueQuery {
    /// The items.
    pub filter: DueFilter,
    /// The instant that the list is about.
    pub as_of: Instant,
    /// Latest first.
    pub descending: bool,
    /// The last item of the page before.
    pub after: Option<DuePlace>,
    /// At most so many.
    pub limit: usize,
}

/// Which page of changes to a list of due items is asked for.
#[derive(Clone, Debug)]
pub struct ChangesQuery {
    /// The list. Which units the asker may see is judged as things are now; of an item that left a state, or came into
    /// it, either is enough.
    pub filter: DueFilter,
    /// The instant from which on.
    pub since: Instant,
    /// The instant up to which.
    pub as_of: Instant,
    /// What is known by then.
    pub known: Known,
    /// The last item of the page before.
    pub after: Option<(UnitId, ItemKey)>,
    /// At most so many.
    pub limit: usize,
}

/// How a list of due items has changed.
#[derive(Clone, Debug)]
pub struct DueChanges {
    /// The last row that was recorded by then.
    pub since_seq: i64,
    /// The items that are otherwise, by unit and task.
    pub changes: Page<Explained>,
}

/// A due item that is not what it was, and why.
#[derive(Clone, Debug)]
pub struct Explained {
    /// What it was, and what it is.
    pub change: ItemChange,
    /// The edition that asks for it, or asked for it before it was gone.
    pub edition: Option<EditionId>,
    /// Whether time alone would have changed it.
    pub by_time: bool,
    /// What was recorded meanwhile that the unit is folded with, if that changed it.
    pub causes: Vec<Cause>,
}

/// Something that was recorded.
#[derive(Clone, Debug)]
pub struct Cause {
    /// What.
    pub of: CauseOf,
    /// When.
    pub recorded_at: Instant,
    /// By whom.
    pub author: PersonId,
}

/// What was recorded.
#[derive(Clone, Debug)]
pub enum CauseOf {
    /// A service event.
    Event {
        /// Its id.
        id: EventId,
        /// Its kind.
        kind: EventKind,
        /// When it happened, as it was stated.
        occurred: Option<String>,
    },
    /// Fields of a unit.
    Unit(UnitId),
    /// Fields of a site.
    Site(SiteId),
}

/// Which page of due items counted by site is asked for.
#[derive(Clone, Debug)]
pub struct SiteQuery {
    /// The items.
    pub filter: DueFilter,
    /// The instant that the counts are about.
    pub as_of: Instant,
    /// The last site of the page before.
    pub after: Option<SiteId>,
    /// At most so many sites.
    pub limit: usize,
}

/// Which page of due items, folded for the question and counted by site, is asked for.
#[derive(Clone, Debug)]
pub struct SiteThenQuery {
    /// The items. Which units the asker may see is judged as things are now.
    pub filter: DueFilter,
    /// What the counts are about.
    pub moment: Moment,
    /// The last site of the page before.
    pub after: Option<SiteId>,
    /// At most so many sites.
    pub limit: usize,
}

/// How many due items stand at a site.
#[derive(Clone, Debug)]
pub struct SiteRow {
    /// The site.
    pub site: SiteId,
    /// Items by state; a state without items may be absent.
    pub counts: BTreeMap<DueState, u64>,
}

/// The place of an item in a list of due items.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DuePlace {
    /// First instant of due, given no new data.
    pub due_at: Instant,
    /// Then by unit,
    pub unit: UnitId,
    /// schedule
    pub schedule: ScheduleId,
    /// and task.
    pub task: Code,
}

/// What a due item is at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ItemThen {
    /// The state.
    pub state: DueState,
    /// Why it is unknown, if it is.
    pub reason: Option<Reason>,
    /// First instant of due, given no new data; [`Instant::LAST`] if never.
    pub due_at: Instant,
}

/// A due item that is not what it was.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ItemChange {
    /// The unit.
    pub unit: UnitId,
    /// The task.
    pub key: ItemKey,
    /// What it was; nothing if there was no such item.
    pub before: Option<ItemThen>,
    /// What it is; nothing if there is no such item any more.
    pub after: Option<ItemThen>,
}

/// One line of a list of due items.
#[derive(Clone, Debug)]
pub struct DueRow {
    /// Its place.
    pub place: DuePlace,
    /// The unit's home site.
    pub home_site: SiteId,
    /// Where the unit stands.
    pub standing_site: SiteId,
    /// The state at the list's instant.
    pub state: DueState,
    /// Why it is unknown, if it is.
    pub reason: Option<Reason>,
    /// Until when, given no new data.
    pub until: Instant,
    /// The edition of the schedule that asks for it; none where the unit was not folded since such are kept.
    pub edition: Option<EditionId>,
}

impl DuePlace {
    /// The place of an item.
    pub fn of(unit: UnitId, key: &ItemKey, due_at: Instant) -> Self {
        Self { due_at, unit, schedule: key.schedule, task: key.task.clone() }
    }
}

impl fmt::Debug for RecordView {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "RecordView({} {})", self.kind.as_str(), self.id)
    }
}

impl fmt::Debug for EventView {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "EventView({})", self.id)
    }
}
