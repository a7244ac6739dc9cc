use serde::Serialize;
use utoipa::ToSchema;

use super::Replacement;
use crate::{
    id::{EventId, UnitId},
    private::PrivateText,
    read::{Flaw, Object, word},
};

/// What was recorded earlier is put right; it stays on record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Correction {
    /// What is done, and to what.
    #[serde(flatten)]
    #[schema(value_type = CorrectionMembers)]
    pub action: CorrectionAction,
    /// Why; private, erasable.
    #[schema(value_type = String, max_length = 4000)]
    pub reason: PrivateText,
}

/// What a correction does, and to what. A target is never itself a correction.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "action", rename_all = "snake_case")]
pub enum CorrectionAction {
    /// The target counts no more.
    Void {
        /// The event.
        target_id: EventId,
    },
    /// The target counts again.
    Reinstate {
        /// The event.
        target_id: EventId,
    },
    /// The target's reading is right, however it looks beside the others.
    Confirm {
        /// The event.
        target_id: EventId,
    },
    /// The target happened otherwise than it says.
    Amend {
        /// The event.
        target_id: EventId,
        /// What takes the place of its content.
        replacement: Box<Replacement>,
    },
    /// The target happened to another unit.
    Reassign {
        /// The event.
        target_id: EventId,
        /// The unit it happened to.
        to_unit_id: UnitId,
    },
    /// Two services are the same work.
    #[serde(rename = "link")]
    LinkEvents {
        /// One event.
        target_id: EventId,
        /// The other.
        other_id: EventId,
    },
    /// Two services, or two changes of a component, are not the same work.
    #[serde(rename = "unlink")]
    UnlinkEvents {
        /// One event.
        target_id: EventId,
        /// The other.
        other_id: EventId,
    },
    /// This unit and another are the same machine.
    #[serde(rename = "link")]
    LinkUnits {
        /// The other unit.
        other_unit_id: UnitId,
    },
    /// This unit and another are not the same machine.
    #[serde(rename = "unlink")]
    UnlinkUnits {
        /// The other unit.
        other_unit_id: UnitId,
    },
}

/// The members of [`CorrectionAction`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct CorrectionMembers {
    /// What is done.
    action: CorrectionWord,
    /// The event it is done to, of the same unit, never itself a correction; absent where units are linked.
    #[schema(value_type = Option<String>, format = "uuid")]
    target_id: Option<String>,
    /// What takes the place of the target's content; of `amend`.
    replacement: Option<Replacement>,
    /// The unit that the target happened to; of `reassign`.
    #[schema(value_type = Option<String>, format = "uuid")]
    to_unit_id: Option<String>,
    /// The other service, the same work or not; of `link` and `unlink`.
    #[schema(value_type = Option<String>, format = "uuid")]
    other_id: Option<String>,
    /// The other unit, the same machine or not; of `link` and `unlink`, without `target_id`.
    #[schema(value_type = Option<String>, format = "uuid")]
    other_unit_id: Option<String>,
}

/// What a correction does, as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CorrectionWord {
    /// The target counts no more.
    Void,
    /// The target counts again.
    Reinstate,
    /// The target's reading is right, however it looks beside the others.
    Confirm,
    /// The target happened otherwise than it says: another content takes its place.
    Amend,
    /// The target happened to another unit.
    Reassign,
    /// Two services are the same work, or two units the same machine.
    Link,
    /// They are not.
    Unlink,
}

const ACTIONS: &[(&str, CorrectionWord)] = &[
    ("void", CorrectionWord::Void),
    ("reinstate", CorrectionWord::Reinstate),
    ("confirm", CorrectionWord::Confirm),
    ("amend", CorrectionWord::Amend),
    ("reassign", CorrectionWord::Reassign),
    ("link", CorrectionWord::Link),
    ("unlink", CorrectionWord::Unlink),
];

/// Members that belong to some actions only.
const PARTS: [&str; 5] = ["target_id", "replacement", "to_unit_id", "other_id", "other_unit_id"];

impl Correction {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let word = o.required("action", word(ACTIONS));
        let target = o.optional("target_id", EventId::read);
        let replacement = o.object("replacement", Replacement::read);
        let to_unit = o.optional("to_unit_id", UnitId::read);
        let other = o.optional("other_id", EventId::read);
        let other_unit = o.optional("other_unit_id", UnitId::read);
        let reason = o.required_private("reason");
        let word = word?;
        let of_units = o.has("other_unit_id");
        complete(o, word, of_units)?;
        let action = match word {
            CorrectionWord::Void => CorrectionAction::Void { target_id: target? },
            CorrectionWord::Reinstate => CorrectionAction::Reinstate { target_id: target? },
            CorrectionWord::Confirm => CorrectionAction::Confirm { target_id: target? },
            CorrectionWord::Amend => {
                CorrectionAction::Amend { target_id: target?, replacement: Box::new(replacement?) }
            }
            CorrectionWord::Reassign => {
                CorrectionAction::Reassign { target_id: target?, to_unit_id: to_unit? }
            }
            CorrectionWord::Link if of_units => CorrectionAction::LinkUnits { other_unit_id: other_unit? },
            CorrectionWord::Unlink if of_units => {
                CorrectionAction::UnlinkUnits { other_unit_id: other_unit? }
            }
            CorrectionWord::Link => CorrectionAction::LinkEvents { target_id: target?, other_id: other? },
            CorrectionWord::Unlink => CorrectionAction::UnlinkEvents { target_id: target?, other_id: other? },
        };
        if let CorrectionAction::LinkEvents { target_id, other_id }
        | CorrectionAction::UnlinkEvents { target_id, other_id } = &action
            && target_id == other_id
        {
            return o.fail("other_id", Flaw::new("same_event", "An event is linked to another one."));
        }
        Some(Self { action, reason: reason? })
    }
}

impl CorrectionAction {
    /// The event it is done to; none where units are linked.
    pub fn target(&self) -> Option<EventId> {
        match self {
            Self::Void { target_id }
            | Self::Reinstate { target_id }
            | Self::Confirm { target_id }
            | Self::Amend { target_id, .. }
            | Self::Reassign { target_id, .. }
            | Self::LinkEvents { target_id, .. }
            | Self::UnlinkEvents { target_id, .. } => Some(*target_id),
            Self::LinkUnits { .. } | Self::UnlinkUnits { .. } => None,
        }
    }

    /// The unit it names beside the one it is recorded for.
    pub fn other_unit(&self) -> Option<UnitId> {
        match self {
            Self::Reassign { to_unit_id: unit, .. }
            | Self::LinkUnits { other_unit_id: unit }
            | Self::UnlinkUnits { other_unit_id: unit } => Some(*unit),
            _ => None,
        }
    }
}

/// Whether what belongs to the action was sent, and nothing else.
fn complete(o: &mut Object<'_>, word: CorrectionWord, of_units: bool) -> Option<()> {
    let needed: &[&str] = match word {
        CorrectionWord::Void | CorrectionWord::Reinstate | CorrectionWord::Confirm => &["target_id"],
        CorrectionWord::Amend => &["target_id", "replacement"],
        CorrectionWord::Reassign => &["target_id", "to_unit_id"],
        CorrectionWord::Link | CorrectionWord::Unlink if of_units => &["other_unit_id"],
        CorrectionWord::Link | CorrectionWord::Unlink => &["target_id", "other_id"],
    };
    let mut fine = Some(());
    for name in PARTS {
        let flaw = match (needed.contains(&name), o.has(name)) {
            (true, false) => Flaw::new("required", "This member is missing."),
            (false, true) => Flaw::new("misplaced", "This does not belong to this action."),
            _ => continue,
        };
        fine = o.fail(name, flaw);
    }
    fine
}
