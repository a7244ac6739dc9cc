//! What a reader of the feed asks for and is given.

use std::collections::BTreeSet;

use model::{
    EditId, EditionId, EventId, HandsetId, OrganizationId, ScheduleId, SiteId, UnitId, edit::RecordKind,
};
use proof::{Canonical, Fingerprint, Hash};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// A page of the feed to be read.
#[derive(Clone, Debug)]
pub struct Pull {
    /// The organization.
    pub organization: OrganizationId,
    /// The sites that the reader may see now; none for all of them.
    pub sites: Option<BTreeSet<SiteId>>,
    /// The handset that reads, which is told of its own edits in short.
    pub handset: Option<HandsetId>,
    /// Whether that is revoked: it is told nothing.
    pub revoked: bool,
    /// Where to go on; none for the first fill.
    pub cursor: Option<Cursor>,
    /// Whether changes are wanted, and not only a cursor that knows of the last row.
    pub page: bool,
    /// How much a page holds.
    pub most: Most,
}

/// How much a page holds; it ends with the change by which either is reached.
#[derive(Clone, Copy, Debug)]
pub struct Most {
    /// Changes.
    pub changes: usize,
    /// Bytes of them.
    pub bytes: usize,
}

/// What a pull comes to.
#[derive(Clone, Debug)]
pub struct Pulled {
    /// Whether the cursor is still good.
    pub standing: Standing,
    /// The changes, in the order to apply them.
    pub changes: Vec<Change>,
    /// Where to go on; none where the reader has to begin without one.
    pub cursor: Option<Cursor>,
    /// Whether there is more already.
    pub more: bool,
    /// The fingerprints of a handset's sites, once it has all; none of somebody who sees a great many.
    pub fingerprints: Option<Vec<SiteFingerprint>>,
}

/// Whether a reader's cursor is still good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// It is.
    Good,
    /// The log has another row at the mark, or none: the database was restored.
    Restored,
    /// The reader's sites changed while they were being told: it begins afresh.
    ScopeChanged,
    /// The handset is revoked.
    Revoked,
}

/// What a reader is told.
#[derive(Clone, Debug)]
pub enum Change {
    /// A record as it is now; a retired one says so.
    Record {
        /// Its kind.
        kind: RecordKind,
        /// Its id.
        id: Uuid,
        /// The unit that an event is of.
        unit: Option<UnitId>,
        /// The record as it is sent, spelled canonically.
        record: Canonical,
    },
    /// The reader's own edits of a record, each with the version that this came to.
    Echo {
        /// The record's kind.
        kind: RecordKind,
        /// Its id.
        id: Uuid,
        /// The edits in the order they were accepted.
        edits: Vec<(EditId, i64)>,
    },
    /// A unit with its events, or a site, that is out of sight now.
    Forget {
        /// Which of the two.
        kind: RecordKind,
        /// Its id.
        id: Uuid,
    },
}

/// One number over all that is told of a site and is not retired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SiteFingerprint {
    /// The site.
    pub site: SiteId,
    /// How many records it covers: the site's own, its units and their events.
    pub count: u64,
    /// The sum of their hashes.
    pub fingerprint: Fingerprint,
}

/// A row of the log that a reader knows to be there: its number and its leaf hash, by which another one in its place is
/// told apart after a restore. Before the first row there is no hash.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mark {
    /// The row's number; zero before the first.
    pub seq: i64,
    /// Its leaf hash.
    pub leaf: Option<Hash>,
}

/// Where a reader is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cursor {
    /// The sites that it has been told of.
    pub sites: Sites,
    /// The sites that it will have been told of, while they change.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<Sites>,
    /// Sites whose lines are followed, too, up to a row.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub also: Option<(Sites, i64)>,
    /// How it reads.
    pub mode: Mode,
    /// The last row there was when the cursor was made.
    pub mark: Mark,
}

/// Sites that somebody may see.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sites {
    /// All of them.
    All,
    /// These.
    Only(BTreeSet<SiteId>),
    /// So many that only their hash is kept: if they change, the reader begins afresh.
    Many(Hash),
}

/// How a reader reads.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Mode {
    /// What is there, in the order of ids; then the lines after `head`.
    Fill {
        /// How far it has got.
        at: Stage,
        /// The last row there was when it began.
        head: i64,
    },
    /// The lines of the feed.
    Lines {
        /// The last row whose lines have been read.
        after: i64,
        /// The unit that came by that row and of which there are more events to be told.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        within: Option<Within>,
    },
    /// Units compared with the sites as they were, in the order of ids; then the lines after `head`.
    Rescope {
        /// How far it has got.
        at: Stage,
        /// The last row there was when it began.
        head: i64,
    },
}

/// How far a walk in the order of ids has got.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// The sites after this one.
    Sites(Option<SiteId>),
    /// The schedules after this one.
    Schedules(Option<ScheduleId>),
    /// The editions after this one.
    Editions(Option<EditionId>),
    /// The adoptions for whole models after this one.
    Adoptions(Option<EventId>),
    /// The units after this one, each with its events.
    Units(Option<UnitId>),
    /// The rest of the events of a unit, then the units after it.
    Within(Within),
}

/// A place among the events of a unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Within {
    /// The unit, which has been told itself.
    pub unit: UnitId,
    /// The last event told; none before the first.
    pub after: Option<EventId>,
}

/// So many sites are named in a cursor.
const NAMED_MOST: usize = 64;

impl Sites {
    /// The sites that somebody may see; none for all of them.
    pub(crate) fn of(sites: Option<&BTreeSet<SiteId>>) -> Self {
        match sites {
            None => Self::All,
            Some(sites) if sites.len() <= NAMED_MOST => Self::Only(sites.clone()),
            Some(sites) => {
                let bytes: Vec<u8> = sites.iter().flat_map(|site| *site.uuid().as_bytes()).collect();
                Self::Many(proof::sha256(bytes))
            }
        }
    }
}
