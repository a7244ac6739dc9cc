//! What a handset sends when it has a signal again: its clock, its place in the feed and its queue of edits.
//!
//! What is wrong with the request fails the whole of it, so that nothing is taken and the queue is kept. What is
//! wrong with one edit makes that edit alone an error, so that it never blocks the others.

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use serde_json::{Map, Value};

use crate::{
    blob::ATTACHMENTS,
    edit::{FORMAT, FORMAT_OF_ATTACHMENTS, Target},
    id::{EditId, GroupId, HandsetId, Id, PersonId},
    read::{FieldError, Flaw, Mode, Object, boolean, integer, listed, part, whole, word},
    stamp::Stamp,
    time::Instant,
};

/// A request of a handset, read; its edits one by one.
#[derive(Clone, Debug, PartialEq)]
pub struct SyncRequest {
    /// Who sends.
    pub handset: HandsetId,
    /// Its wall clock when it sent, right or wrong.
    pub clock: Instant,
    /// The number of its present start.
    pub boot: Option<u64>,
    /// Its place in the feed, as the service wrote it; none before the first fill.
    pub cursor: Option<String>,
    /// How many edits it has no final answer for, those of this request included.
    pub waiting: Option<u32>,
    /// When the oldest of these was made, by its clock.
    pub oldest_waiting_at: Option<Instant>,
    /// Its edits in the order they were sent.
    pub edits: Vec<Result<SentEdit, BadEdit>>,
    /// Whether it wants changes in the answer.
    pub pull: bool,
}

/// Why nothing of a request was taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SyncError {
    /// There are more edits than a request may hold.
    #[error("{sent} edits were sent; a request holds at most {most}")]
    TooManyEdits {
        /// How many were sent.
        sent: usize,
        /// How many a request may hold.
        most: usize,
    },
    /// The request around the edits is wrong.
    #[error("the request is malformed in {} places", .0.len())]
    Invalid(Vec<FieldError>),
}

/// An edit as a handset sent it; what its body means is not looked at here.
#[derive(Clone, Debug, PartialEq)]
pub struct SentEdit {
    /// Its permanent id.
    pub id: EditId,
    /// The format it is written in.
    pub format: i32,
    /// Its number among the edits of the handset, from 1.
    pub number: u64,
    /// The edit with the number before it; absent of the first one, and of a handset that does not tell.
    pub previous: Option<EditId>,
    /// The stamp as the handset made it.
    pub stamp: Stamp,
    /// Who made it; absent means the sender of the request.
    pub author: Option<PersonId>,
    /// What it says.
    pub content: Content,
}

/// What an edit says, as far as its format is known here.
#[derive(Clone, Debug, PartialEq)]
pub enum Content {
    /// All of it could be read.
    Known {
        /// The start of the handset in which it was made.
        boot: Option<u64>,
        /// The edits that it stands or falls with.
        group: Option<Group>,
        /// What it asks for.
        asks: Asks,
    },
    /// Its format is newer than this version: the whole edit as it was sent, untouched.
    Newer(Map<String, Value>),
}

/// Edits that are applied together or not at all.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Group {
    /// Which group.
    pub id: GroupId,
    /// How many edits are in it.
    pub size: u32,
}

/// What an edit asks for; bodies are as on REST, without the id.
#[derive(Clone, Debug, PartialEq)]
pub enum Asks {
    /// A service event added; the id of the edit is its id.
    Event {
        /// The event.
        body: Map<String, Value>,
    },
    /// A new record; the id of the edit is its id.
    Create {
        /// Which record.
        target: Target,
        /// Its fields.
        body: Map<String, Value>,
    },
    /// Fields of a record set, or removed where null.
    Set {
        /// Which record.
        target: Target,
        /// The fields.
        body: Map<String, Value>,
        /// What its author had seen of them.
        base: BTreeMap<String, Vec<Seen>>,
    },
}

/// A value that an author had seen, by the edit that wrote it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// The stamp of that edit, as it was made.
    pub raw: Stamp,
    /// The edit.
    pub edit: EditId,
}

/// An edit that could not be read.
#[derive(Clone, Debug, PartialEq)]
pub struct BadEdit {
    /// Its id, where that could be read.
    pub id: Option<EditId>,
    /// Its number, where that could be read.
    pub number: Option<u64>,
    /// What is wrong, with pointers into the whole request.
    pub errors: Vec<FieldError>,
    /// The edit as it was sent.
    pub sent: Value,
}

/// Whole numbers up to here are the same in every reader of JSON (RFC 7493 §2.2).
const EXACT_MOST: i64 = (1 << 53) - 1;

/// A base names so many fields at most, and so many values of each.
const SEEN_MOST: usize = 200;

impl SyncRequest {
    /// Reads a request of at most `most` edits.
    pub fn read(mut request: Value, most: usize) -> Result<Self, SyncError> {
        // The edits are judged one by one, and their bodies kept without a copy.
        let sent = request.as_object_mut().and_then(|members| members.remove("edits")).unwrap_or_default();
        let (edits, wrong) = match sent {
            Value::Null => (Vec::new(), None),
            Value::Array(edits) if edits.len() <= most => (edits, None),
            Value::Array(edits) => return Err(SyncError::TooManyEdits { sent: edits.len(), most }),
            _ => (Vec::new(), Some(FieldError::at("/edits", Flaw::wrong_type("an array")))),
        };
        match (whole(&request, Mode::New, Self::read_envelope), wrong) {
            (Ok(envelope), None) => {
                let edits = edits.into_iter().enumerate().map(|(n, edit)| SentEdit::read(edit, n, most));
                Ok(Self { edits: edits.collect(), ..envelope })
            }
            (read, wrong) => {
                let errors = read.err().into_iter().flatten().chain(wrong).collect();
                Err(SyncError::Invalid(listed(errors)))
            }
        }
    }

    fn read_envelope(o: &mut Object<'_>) -> Option<Self> {
        let handset = o.required("handset", HandsetId::read);
        let clock = o.required("clock", Instant::read);
        let boot = o.optional("boot", exact(0));
        let cursor = o.optional("cursor", text);
        let waiting = o.optional("waiting", count(0, u32::MAX));
        let oldest_waiting_at = o.optional("oldest_waiting_at", Instant::read);
        let pull = o.optional("pull", boolean).unwrap_or(true);
        let (handset, clock) = (handset?, clock?);
        Some(Self { handset, clock, boot, cursor, waiting, oldest_waiting_at, edits: Vec::new(), pull })
    }
}

impl SentEdit {
    /// Reads the edit in place `n`; a group is never larger than the `most` edits of a request.
    /// Reads an edit that came `n`th in a request of at most `most`.
    pub fn read(mut sent: Value, n: usize, most: usize) -> Result<Self, BadEdit> {
        let (mut id, mut number) = (None, None);
        let read = part(&sent, format!("/edits/{n}"), Mode::New, |o| {
            id = o.required("id", EditId::read);
            let format = o.required("format", integer(1, i32::MAX.into()));
            let format = format.and_then(|format| i32::try_from(format).ok());
            number = o.required("number", exact(1));
            let previous = o.optional("previous", EditId::read);
            let stamp = o.required("stamp", Stamp::read);
            let author = o.optional("author", PersonId::read);
            let content = match format {
                Some(known @ ..=FORMAT) => read_content(o, id, known, most),
                // Which other members there are is for its format to say.
                newer => {
                    o.ignore_rest();
                    newer.map(|_| Content::Newer(Map::new()))
                }
            };
            let (id, number, content) = (id?, number?, content?);
            Some(Self { id, format: format?, number, previous, stamp: stamp?, author, content })
        });
        match read {
            Ok(mut edit) => {
                edit.content.take_from(&mut sent);
                Ok(edit)
            }
            Err(errors) => Err(BadEdit { id, number, errors, sent }),
        }
    }
}

/// All of an edit of a known format but its body, which [`Content::take_from`] brings in.
fn read_content(o: &mut Object<'_>, id: Option<EditId>, format: i32, most: usize) -> Option<Content> {
    let boot = o.optional("boot", exact(0));
    let group = o.object("group", |o| Group::read(o, most));
    let asks = Asks::read(o, id);
    let names_photos = o.required("body", |body| {
        body.as_object()
            .map(|body| body.contains_key(ATTACHMENTS))
            .ok_or_else(|| Flaw::wrong_type("an object"))
    });
    if format < FORMAT_OF_ATTACHMENTS && names_photos? && matches!(asks, Some(Asks::Event { .. })) {
        let detail = format!("Photos and papers are named in edits of format {FORMAT_OF_ATTACHMENTS}.");
        return o.fail(&format!("body/{ATTACHMENTS}"), Flaw::new("newer_member", detail));
    }
    Some(Content::Known { boot, group, asks: asks? })
}

impl Content {
    /// Moves what is kept as JSON out of the edit as it was sent.
    fn take_from(&mut self, sent: &mut Value) {
        let Value::Object(members) = sent else { return };
        match self {
            Self::Newer(whole) => *whole = std::mem::take(members),
            Self::Known { asks, .. } => {
                if let Some(Value::Object(found)) = members.remove("body") {
                    *asks.body_mut() = found;
                }
            }
        }
    }
}

impl Group {
    fn read(o: &mut Object<'_>, most: usize) -> Option<Self> {
        let id = o.required("id", GroupId::read);
        let size = o.required("size", count(1, u32::try_from(most).unwrap_or(u32::MAX)));
        Some(Self { id: id?, size: size? })
    }
}

/// The kinds of things that a handset can write.
#[derive(Clone, Copy)]
enum Kind {
    Event,
    Unit,
    Site,
}

const KINDS: &[(&str, Kind)] = &[("service_event", Kind::Event), ("unit", Kind::Unit), ("site", Kind::Site)];

/// Whether an edit makes a thing or changes one.
#[derive(Clone, Copy)]
enum Does {
    Create,
    Set,
}

const ACTIONS: &[(&str, Does)] = &[("create", Does::Create), ("set", Does::Set)];
/// An event is a fact: it is never changed, only corrected by another.
const ACTIONS_OF_EVENTS: &[(&str, Does)] = &[("create", Does::Create)];

impl Asks {
    fn read(o: &mut Object<'_>, id: Option<EditId>) -> Option<Self> {
        let kind = o.required("kind", word(KINDS));
        let actions = if matches!(kind, Some(Kind::Event)) { ACTIONS_OF_EVENTS } else { ACTIONS };
        let (Some(kind), Some(does)) = (kind, o.required("action", word(actions))) else {
            o.ignore_rest();
            return None;
        };
        let body = Map::new();
        let target: fn(uuid::Uuid) -> Target = match kind {
            Kind::Event => return Some(Self::Event { body }),
            Kind::Unit => |record| Target::Unit(Id::from_uuid(record)),
            Kind::Site => |record| Target::Site(Id::from_uuid(record)),
        };
        let record = o.required("record_id", EditId::read);
        match does {
            Does::Create if record.is_some_and(|record| id.is_some_and(|id| id != record)) => o.fail(
                "record_id",
                Flaw::new("two_ids", "A new record has the id of the edit that makes it."),
            ),
            Does::Create => Some(Self::Create { target: target(record?.uuid()), body }),
            Does::Set => {
                let base = o.lists("base", SEEN_MOST, Seen::read).unwrap_or_default();
                Some(Self::Set { target: target(record?.uuid()), body, base })
            }
        }
    }

    /// The body.
    pub fn body(&self) -> &Map<String, Value> {
        match self {
            Self::Event { body } | Self::Create { body, .. } | Self::Set { body, .. } => body,
        }
    }

    fn body_mut(&mut self) -> &mut Map<String, Value> {
        match self {
            Self::Event { body } | Self::Create { body, .. } | Self::Set { body, .. } => body,
        }
    }
}

impl Seen {
    fn read(o: &mut Object<'_>) -> Option<Self> {
        let raw = o.required("raw", Stamp::read);
        let edit = o.required("edit", EditId::read);
        Some(Self { raw: raw?, edit: edit? })
    }
}

fn text(value: &Value) -> Result<String, Flaw> {
    value.as_str().map(str::to_owned).ok_or_else(|| Flaw::wrong_type("a string"))
}

/// Reads a whole number from `low` that every reader of JSON reads alike.
fn exact(low: i64) -> impl Fn(&Value) -> Result<u64, Flaw> {
    move |value| integer(low, EXACT_MOST)(value).map(i64::unsigned_abs)
}

fn count(low: u32, high: u32) -> impl Fn(&Value) -> Result<u32, Flaw> {
    move |value| {
        let found = integer(low.into(), high.into())(value)?;
        u32::try_from(found).map_err(|_| Flaw::wrong_type("a whole number"))
    }
}
