use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    code::Code,
    id::EventId,
    read::{Flaw, Object, word},
};

/// Something was found to be wrong with the unit, or is so no more.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Finding {
    /// Which of the two.
    #[serde(flatten)]
    #[schema(value_type = FindingMembers)]
    pub action: FindingAction,
}

/// What became of a finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "action", rename_all = "snake_case")]
pub enum FindingAction {
    /// It was found.
    Opened {
        /// How grave it is.
        severity: FindingSeverity,
        /// What, by code.
        #[serde(skip_serializing_if = "Option::is_none")]
        finding: Option<Code>,
    },
    /// It was put right.
    Closed {
        /// The event of its opening.
        finding_id: EventId,
    },
}

/// The members of [`FindingAction`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct FindingMembers {
    /// Whether it was opened or closed.
    action: FindingActionWord,
    /// How grave it is; of one that is opened.
    severity: Option<FindingSeverity>,
    /// What, by code; of one that is opened. What it looks like goes into the note.
    #[schema(value_type = Option<String>, example = "fuel_leak", pattern = "^[a-z][a-z0-9_]{0,63}$")]
    finding: Option<String>,
    /// The event of its opening; of one that is closed.
    #[schema(value_type = Option<String>, format = "uuid")]
    finding_id: Option<String>,
}

/// What became of a finding, as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingActionWord {
    /// It was found.
    Opened,
    /// It was put right.
    Closed,
}

/// How grave a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FindingSeverity {
    /// Worth knowing.
    Minor,
    /// It limits what the unit can do.
    Major,
    /// The unit must not be relied on, or not be run, while it is open.
    Critical,
}

const ACTIONS: &[(&str, FindingActionWord)] =
    &[("opened", FindingActionWord::Opened), ("closed", FindingActionWord::Closed)];
const SEVERITIES: &[(&str, FindingSeverity)] = &[
    ("minor", FindingSeverity::Minor),
    ("major", FindingSeverity::Major),
    ("critical", FindingSeverity::Critical),
];

impl Finding {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let action = o.required("action", word(ACTIONS));
        let severity = o.optional("severity", word(SEVERITIES));
        let finding = o.optional("finding", Code::read);
        let finding_id = o.optional("finding_id", EventId::read);
        let (needed, misplaced): (_, &[&str]) = match action? {
            FindingActionWord::Opened => ("severity", &["finding_id"]),
            FindingActionWord::Closed => ("finding_id", &["severity", "finding"]),
        };
        if let Some(name) = misplaced.iter().find(|name| o.has(name)) {
            return o.fail(name, Flaw::new("misplaced", "This does not belong to this action."));
        }
        if !o.has(needed) {
            return o.fail(needed, Flaw::new("required", "This member is missing."));
        }
        let action = match action? {
            FindingActionWord::Opened => FindingAction::Opened { severity: severity?, finding },
            FindingActionWord::Closed => FindingAction::Closed { finding_id: finding_id? },
        };
        Some(Self { action })
    }
}
