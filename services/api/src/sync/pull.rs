//! What a reader of the feed is told: pages of changes, and where to go on.

use model::{EditId, HandsetId, SiteId, UnitId, edit::RecordKind};
use proof::{Canonical, Fingerprint};
use serde::Serialize;
use store::view::{self, Cursor, Most, Pull, Pulled, Standing};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{extract::Caller, members::Members, problem::ApiResult, state::State};

/// A page holds about so many bytes.
pub(crate) const PAGE_BYTES: usize = 512 * 1024;

/// Cursors of the feed are good wherever it is read, and nowhere else.
const FEED: &str = "feed";

/// What a handset wants to be told.
#[derive(Clone, Debug)]
pub(crate) struct Pulling {
    /// The handset, which is told of its own edits in short; none of a reader that writes nothing.
    pub handset: Option<HandsetId>,
    /// Whether that is revoked: it is told nothing.
    pub revoked: bool,
    /// Where it is.
    pub cursor: Option<Cursor>,
    /// Whether it wants changes, and not only a cursor that knows of its own edits.
    pub page: bool,
    /// So many changes at most.
    pub limit: usize,
}

impl Pulling {
    /// What a reader wants that writes nothing.
    pub(crate) fn of_reader(cursor: Option<Cursor>, limit: usize) -> Self {
        Self { handset: None, revoked: false, cursor, page: true, limit }
    }
}

/// What it is told.
#[derive(Debug, ToSchema)]
pub(crate) struct PullHalf {
    /// The changes, in the order to apply them.
    pub changes: Vec<Change>,
    /// Where to go on, to be kept once the changes are; absent where the reader has to begin without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cursor: Option<String>,
    /// Whether there is more already.
    pub more: bool,
    /// Whether the cursor that was sent is still good.
    pub pull: PullState,
    /// The fingerprints of the sites that may be seen, once the reader has all; absent for somebody who sees a great many.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fingerprints: Option<Vec<SiteFingerprint>>,
}

impl PullHalf {
    /// Whether the service was restored from a backup that knows nothing of the cursor.
    pub(crate) fn is_restored(&self) -> bool {
        self.pull.reason == Some(ResetReason::Restored)
    }

    /// Its JSON text.
    pub(crate) fn spelled(&self) -> ApiResult<Vec<u8>> {
        let mut text = Members::with_room(self.room());
        self.add_to(&mut text)?;
        Ok(text.done())
    }

    /// Adds its members to an object.
    pub(crate) fn add_to(&self, text: &mut Members) -> ApiResult<()> {
        add_changes(text, &self.changes)?;
        if let Some(cursor) = &self.cursor {
            text.add("cursor", cursor)?;
        }
        text.add("more", &self.more)?;
        text.add("pull", &self.pull)?;
        if let Some(fingerprints) = &self.fingerprints {
            text.add("fingerprints", fingerprints)?;
        }
        Ok(())
    }

    /// About how many bytes it has as JSON, rather more than fewer.
    pub(crate) fn room(&self) -> usize {
        self.changes.iter().map(Change::room).sum::<usize>() + REST
    }
}

/// About so many bytes what stands around the changes.
const REST: usize = 4096;

/// About so many bytes what stands around a record.
const FRAME: usize = 200;

/// Adds changes to an object.
pub(crate) fn add_changes(text: &mut Members, changes: &[Change]) -> ApiResult<()> {
    text.add_spelled("changes", |text| {
        text.push(b'[');
        for (n, change) in changes.iter().enumerate() {
            if n > 0 {
                text.push(b',');
            }
            change.spell(text)?;
        }
        text.push(b']');
        Ok(())
    })
}

/// Whether a cursor is still good.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub(crate) struct PullState {
    /// Whether the reader goes on, begins again or has to be brought up to date.
    pub status: PullStatus,
    /// Why it cannot go on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<ResetReason>,
}

/// What a reader does next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum PullStatus {
    /// It goes on.
    Ok,
    /// It begins with what is there now, from the cursor that it is given or without one.
    Reset,
}

/// Why a reader begins again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum ResetReason {
    /// The service was restored from a backup: it offers again what it had sent.
    Restored,
    /// The sites that may be seen changed while they were being told.
    ScopeChanged,
    /// The handset is revoked.
    HandsetRevoked,
}

/// A change.
#[derive(Debug, ToSchema)]
#[serde(tag = "change", rename_all = "snake_case")]
pub(crate) enum Change {
    /// A record as it is now.
    Record {
        /// Its kind.
        #[schema(value_type = String, example = "service_event")]
        kind: RecordKind,
        /// Its id.
        #[schema(value_type = String, format = "uuid")]
        id: Uuid,
        /// The unit that a service event is of.
        #[serde(skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<String>, format = "uuid")]
        unit_id: Option<UnitId>,
        /// The record: a service event or an edition as it is read by itself; else its version, its fields and the names of
        /// their values.
        #[schema(value_type = Object)]
        record: Canonical,
    },
    /// The reader's own edits of a record, each with the version that this came to.
    Echo {
        /// The record's kind.
        #[schema(value_type = String, example = "unit")]
        kind: RecordKind,
        /// Its id.
        #[schema(value_type = String, format = "uuid")]
        id: Uuid,
        /// The edits in the order they were accepted.
        edits: Vec<Echoed>,
    },
    /// A unit with its events, or a site, that is out of sight now.
    Forget {
        /// Which of the two.
        #[schema(value_type = String, example = "unit")]
        kind: RecordKind,
        /// Its id.
        #[schema(value_type = String, format = "uuid")]
        id: Uuid,
    },
}

impl Change {
    /// Writes its JSON text: its record is spelled already, and to go through all of a fill again would cost as much as reading
    /// it.
    fn spell(&self, text: &mut Vec<u8>) -> serde_json::Result<()> {
        let (change, kind, id) = match self {
            Self::Record { kind, id, .. } => ("record", kind, id),
            Self::Echo { kind, id, .. } => ("echo", kind, id),
            Self::Forget { kind, id } => ("forget", kind, id),
        };
        for (name, word) in [(r#"{"change":""#, change), (r#"","kind":""#, kind.as_str())] {
            text.extend_from_slice(name.as_bytes());
            text.extend_from_slice(word.as_bytes());
        }
        text.extend_from_slice(br#"","id":""#);
        hyphenated(*id, text);
        text.push(b'"');
        match self {
            Self::Record { unit_id, record, .. } => {
                if let Some(unit) = unit_id {
                    text.extend_from_slice(br#","unit_id":""#);
                    hyphenated(unit.uuid(), text);
                    text.push(b'"');
                }
                text.extend_from_slice(br#","record":"#);
                text.extend_from_slice(record.as_str().as_bytes());
            }
            Self::Echo { edits, .. } => {
                text.extend_from_slice(br#","edits":"#);
                serde_json::to_writer(&mut *text, edits)?;
            }
            Self::Forget { .. } => {}
        }
        text.push(b'}');
        Ok(())
    }

    fn room(&self) -> usize {
        FRAME
            + match self {
                Self::Record { record, .. } => record.as_str().len(),
                Self::Echo { edits, .. } => edits.len() * FRAME,
                Self::Forget { .. } => 0,
            }
    }
}

/// An edit that the reader can do by itself.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Echoed {
    /// The edit.
    #[schema(value_type = String, format = "uuid")]
    id: EditId,
    /// The version that its record came to by it.
    #[schema(example = 3)]
    version: i64,
}

/// One number over all that is told of a site and is not retired.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub(crate) struct SiteFingerprint {
    /// The site.
    #[schema(value_type = String, format = "uuid")]
    site_id: SiteId,
    /// How many records it covers: the site's own, its units and their events.
    #[schema(example = 41)]
    count: u64,
    /// The sum of their hashes: 64 hexadecimal digits.
    #[schema(value_type = String)]
    fingerprint: Fingerprint,
}

/// Reads a cursor of the feed.
pub(crate) fn cursor(state: &State, caller: &Caller, text: &str) -> ApiResult<Cursor> {
    state.cursors.read(caller.organization(), FEED, text)
}

/// Spells a cursor of the feed.
pub(crate) fn spelled(state: &State, caller: &Caller, cursor: &Cursor) -> ApiResult<String> {
    state.cursors.make(caller.organization(), FEED, cursor)
}

/// What somebody is told.
pub(crate) async fn pull_half(state: &State, caller: &Caller, pulling: Pulling) -> ApiResult<PullHalf> {
    Ok(half_and_cursor(state, caller, pulling).await?.0)
}

/// The same, and where to go on as it is read.
pub(crate) async fn half_and_cursor(
    state: &State,
    caller: &Caller,
    pulling: Pulling,
) -> ApiResult<(PullHalf, Option<Cursor>)> {
    let pulled = state.store.pull(asked(caller, pulling)).await?;
    let cursor = pulled.cursor.clone();
    Ok((said(state, caller, pulled)?, cursor))
}

/// What the store is asked for somebody.
pub(crate) fn asked(caller: &Caller, pulling: Pulling) -> Pull {
    Pull {
        organization: caller.organization(),
        sites: caller.visible_sites().map(|sites| sites.into_iter().collect()),
        handset: pulling.handset,
        revoked: pulling.revoked,
        cursor: pulling.cursor,
        page: pulling.page,
        most: Most { changes: pulling.limit, bytes: PAGE_BYTES },
    }
}

/// What it gave, as it is told.
pub(crate) fn said(state: &State, caller: &Caller, pulled: Pulled) -> ApiResult<PullHalf> {
    let cursor = pulled.cursor.map(|cursor| spelled(state, caller, &cursor)).transpose()?;
    Ok(PullHalf {
        changes: pulled.changes.into_iter().map(Change::from).collect(),
        cursor,
        more: pulled.more,
        pull: pulled.standing.into(),
        fingerprints: pulled.fingerprints.map(|all| all.into_iter().map(SiteFingerprint::from).collect()),
    })
}

impl From<Standing> for PullState {
    fn from(standing: Standing) -> Self {
        let reset = |reason| Self { status: PullStatus::Reset, reason: Some(reason) };
        match standing {
            Standing::Good => Self { status: PullStatus::Ok, reason: None },
            Standing::Restored => reset(ResetReason::Restored),
            Standing::ScopeChanged => reset(ResetReason::ScopeChanged),
            Standing::Revoked => reset(ResetReason::HandsetRevoked),
        }
    }
}

impl From<view::Change> for Change {
    fn from(change: view::Change) -> Self {
        match change {
            view::Change::Record { kind, id, unit, record } => {
                Self::Record { kind, id, unit_id: unit, record }
            }
            view::Change::Echo { kind, id, edits } => {
                let edits = edits.into_iter().map(|(id, version)| Echoed { id, version }).collect();
                Self::Echo { kind, id, edits }
            }
            view::Change::Forget { kind, id } => Self::Forget { kind, id },
        }
    }
}

impl From<view::SiteFingerprint> for SiteFingerprint {
    fn from(of: view::SiteFingerprint) -> Self {
        Self { site_id: of.site, count: of.count, fingerprint: of.fingerprint }
    }
}

fn hyphenated(id: Uuid, text: &mut Vec<u8>) {
    let mut spelled = Uuid::encode_buffer();
    text.extend_from_slice(id.hyphenated().encode_lower(&mut spelled).as_bytes());
}
