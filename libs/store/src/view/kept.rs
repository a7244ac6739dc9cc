//! What came from a handset and is not in the log.

use std::{collections::BTreeSet, fmt};

use merge::Flag;
use model::{EditId, HandsetId, Instant, OrganizationId, PersonId, SiteId, UnitId, edit::RecordKind};
use proof::Hash;
use serde_json::Value;
use uuid::Uuid;

/// How an edit is kept beside the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeptState {
    /// It waits for what it names, for its group, or for a service that can read it.
    Parked,
    /// It was refused.
    Refused,
}

/// Which edits of a handset that are not in the log are asked for.
#[derive(Clone, Debug)]
pub struct KeptQuery {
    /// The tenant.
    pub organization: OrganizationId,
    /// The handset.
    pub handset: HandsetId,
    /// Only those in this state.
    pub state: Option<KeptState>,
    /// Only those about units in scope of these sites; none means all.
    pub sites: Option<Vec<SiteId>>,
    /// Whatever the sites, those that this person made.
    pub own: Option<PersonId>,
    /// Those after this one.
    pub after: Option<KeptPlace>,
    /// So many at most.
    pub limit: usize,
}

/// The place of an edit among those of its handset.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptPlace {
    /// When it first came.
    pub received_at: Instant,
    /// The edit.
    pub edit: EditId,
    /// Which content, if it is not the first one of its id.
    pub other: Option<Hash>,
}

/// An edit that is not in the log, private text joined in; `Debug` shows nothing of it.
#[derive(Clone)]
pub struct KeptEdit {
    /// Its place in the list.
    pub place: KeptPlace,
    /// Its number among the edits of the handset, as far as it could be read.
    pub number: i64,
    /// What became of it.
    pub state: KeptState,
    /// Why, in the word that its handset was told.
    pub reason: String,
    /// What is noted of it.
    pub flags: BTreeSet<Flag>,
    /// Who made it.
    pub author: PersonId,
    /// When what it tells of happened, put right.
    pub occurred_at: Option<Instant>,
    /// The unit that it names, whether that is there or not.
    pub unit: Option<UnitId>,
    /// The group that it belongs to, and how many edits that has as far as it could be read.
    pub group: Option<(Uuid, Option<usize>)>,
    /// What it says.
    pub content: KeptContent,
}

/// What an edit says.
#[derive(Clone)]
pub enum KeptContent {
    /// It could be read.
    Read {
        /// What it is about.
        kind: RecordKind,
        /// The service event, unit or site.
        record: Uuid,
        /// Whether it makes that.
        creates: bool,
        /// The members of the event, or the fields.
        body: Value,
    },
    /// It could not: all of it, as it came.
    Unread(Value),
}

impl fmt::Debug for KeptEdit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "KeptEdit({} {:?} {})", self.place.edit, self.state, self.reason)
    }
}
