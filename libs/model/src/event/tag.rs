use serde::Serialize;
use utoipa::ToSchema;

use crate::{
    id::{EventId, PersonId},
    read::{Flaw, Object, word},
    time::LocalDate,
};

/// A tag that says the unit must not run was hung, or removed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Tag {
    /// Which of the two.
    #[serde(flatten)]
    #[schema(value_type = TagMembers)]
    pub action: TagAction,
}

/// What was done with a tag.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "action", rename_all = "snake_case")]
pub enum TagAction {
    /// It was hung.
    Hung {
        /// What it says.
        tag: TagWord,
        /// By whom; absent means by who entered it.
        #[serde(skip_serializing_if = "Option::is_none")]
        by: Option<PersonId>,
        /// The first day it holds no more, at the unit's site; absent means until it is removed.
        #[serde(skip_serializing_if = "Option::is_none")]
        effective_until: Option<LocalDate>,
    },
    /// It was removed.
    Removed {
        /// The event of its hanging.
        tag_id: EventId,
    },
}

/// The members of [`TagAction`] as they are described.
#[derive(ToSchema)]
#[allow(dead_code, reason = "describes what is read by hand, member by member")]
pub struct TagMembers {
    /// Whether it was hung or removed.
    action: TagActionWord,
    /// What it says; of one that is hung.
    tag: Option<TagWord>,
    /// Who hung it; absent means who entered it.
    #[schema(value_type = Option<String>, format = "uuid")]
    by: Option<String>,
    /// The first day it holds no more, at the unit's site; absent means until it is removed.
    #[schema(value_type = Option<String>, format = Date)]
    effective_until: Option<String>,
    /// The event of its hanging; of one that is removed.
    #[schema(value_type = Option<String>, format = "uuid")]
    tag_id: Option<String>,
}

/// What was done with a tag, as a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TagActionWord {
    /// It was hung.
    Hung,
    /// It was removed.
    Removed,
}

/// What a tag says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum TagWord {
    /// The unit is not to be relied on.
    OutOfService,
    /// Somebody works on it: it must not start, and only who hung the tag removes it.
    LockedOut,
}

const ACTIONS: &[(&str, TagActionWord)] =
    &[("hung", TagActionWord::Hung), ("removed", TagActionWord::Removed)];
const TAGS: &[(&str, TagWord)] =
    &[("out_of_service", TagWord::OutOfService), ("locked_out", TagWord::LockedOut)];

impl Tag {
    pub(super) fn read(o: &mut Object<'_>) -> Option<Self> {
        let action = o.required("action", word(ACTIONS));
        let tag = o.optional("tag", word(TAGS));
        let by = o.optional("by", PersonId::read);
        let effective_until = o.optional("effective_until", LocalDate::read);
        let tag_id = o.optional("tag_id", EventId::read);
        let (needed, misplaced): (_, &[&str]) = match action? {
            TagActionWord::Hung => ("tag", &["tag_id"]),
            TagActionWord::Removed => ("tag_id", &["tag", "by", "effective_until"]),
        };
        if let Some(name) = misplaced.iter().find(|name| o.has(name)) {
            return o.fail(name, Flaw::new("misplaced", "This does not belong to this action."));
        }
        if !o.has(needed) {
            return o.fail(needed, Flaw::new("required", "This member is missing."));
        }
        let action = match action? {
            TagActionWord::Hung => TagAction::Hung { tag: tag?, by, effective_until },
            TagActionWord::Removed => TagAction::Removed { tag_id: tag_id? },
        };
        Some(Self { action })
    }
}
