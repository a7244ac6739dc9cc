//! Writing edits down: each has its number, its stamp and its place behind the one before when the call returns, and not a
//! moment later.

use merge::Base;
use model::{EditId, GroupId, Instant};
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{
    disk::{Conn, State, StoredEdit, device, edits},
    error::{Error, Result},
    outside::Surroundings,
    wire::{Action, EditText, GroupText, format_of},
};

/// What somebody wants recorded.
#[derive(Clone, Debug, PartialEq)]
pub enum Wish {
    /// A service event, with the members of a POST.
    Event(Map<String, Value>),
    /// A new unit or site, with the members of a POST.
    Create {
        /// Which of the two.
        kind: Kind,
        /// Its fields.
        fields: Map<String, Value>,
    },
    /// Fields of a unit or site, null where they are removed.
    Set {
        /// Which of the two.
        kind: Kind,
        /// Which one.
        id: Uuid,
        /// The fields.
        fields: Map<String, Value>,
        /// What its author had seen of them: [`View::base`](crate::View::base) of what was shown to them.
        base: Base,
    },
}

/// The kinds of records that a handset makes and changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A unit.
    Unit,
    /// A site.
    Site,
}

impl Kind {
    /// The kind as it is written.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Unit => "unit",
            Self::Site => "site",
        }
    }
}

/// What an edit is about, said in the members that travel.
struct Content {
    kind: &'static str,
    action: Action,
    record: Option<Uuid>,
    body: Map<String, Value>,
    base: Option<Base>,
}

/// Writes edits down; those of one call count together or not at all.
pub(crate) fn write(
    conn: &mut Conn,
    around: &mut dyn Surroundings,
    wishes: Vec<Wish>,
) -> Result<Vec<EditId>> {
    let now = around.now();
    let size = u32::try_from(wishes.len()).map_err(|e| Error::Unwritable(e.to_string()))?;
    let group = (size > 1).then(|| GroupText { id: GroupId::from_uuid(around.fresh_id()), size });
    let mut written = Vec::with_capacity(wishes.len());
    for wish in wishes {
        written.push(write_one(conn, EditId::from_uuid(around.fresh_id()), now, group, wish)?);
    }
    Ok(written)
}

fn write_one(
    conn: &mut Conn,
    id: EditId,
    now: Instant,
    group: Option<GroupText>,
    wish: Wish,
) -> Result<EditId> {
    let (mut device, mut under) = (device::load(conn)?, device::current(conn)?);
    let Content { kind, action, record, body, base } = wish.content(id);
    let number = under.last_number + 1;
    let edit = EditText {
        id,
        format: format_of(&body),
        number: number.cast_unsigned(),
        previous: under.last_edit,
        stamp: device.tick(under.number, now)?,
        author: device.person,
        boot: device.boot,
        group,
        kind: kind.to_owned(),
        action,
        record_id: record,
        body,
        base,
    };
    let text = serde_json::to_string(&edit).map_err(|e| Error::Unwritable(e.to_string()))?;
    // A larger one would be refused, and nobody would keep what it says.
    if text.len() > device.limits.edit_bytes {
        return Err(Error::TooLarge { bytes: text.len(), most: device.limits.edit_bytes });
    }
    let new = StoredEdit {
        id,
        at: (under.place, number),
        kind: kind.to_owned(),
        record: record.unwrap_or_else(|| id.uuid()),
        text,
        made_at: now,
        state: State::Queued,
        version: None,
        result: None,
        answered_at: None,
        happened_at: None,
    };
    edits::add(conn, &new)?;
    under.last_number = number;
    under.last_edit = Some(id);
    device::save_enrolment(conn, &under)?;
    device::save(conn, &device)?;
    Ok(id)
}

impl Wish {
    fn content(self, id: EditId) -> Content {
        match self {
            Self::Event(body) => {
                Content { kind: "service_event", action: Action::Create, record: None, body, base: None }
            }
            Self::Create { kind, fields } => {
                let (kind, record) = (kind.as_str(), Some(id.uuid()));
                Content { kind, action: Action::Create, record, body: fields, base: None }
            }
            Self::Set { kind, id, fields, base } => {
                let kind = kind.as_str();
                Content { kind, action: Action::Set, record: Some(id), body: fields, base: Some(base) }
            }
        }
    }
}
