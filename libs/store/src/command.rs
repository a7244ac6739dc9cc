//! What goes into the write transaction, and what comes out of it.

use std::{collections::BTreeSet, fmt, sync::Arc};

pub use interval::Warning;
use model::{
    EditId, Instant, OrganizationId, PersonId, SiteId,
    edit::{Action, Channel, Edit},
    private::Salt,
    read::FieldError,
};

use crate::{
    imports::Slice,
    sent::{Calling, Fate, Sent},
    view::{EventView, RecordView},
};

/// One or more edits of one author, written in one transaction: each judged by itself, or all of them or none.
#[derive(Clone)]
pub struct Command {
    /// The tenant.
    pub organization: OrganizationId,
    /// Who wants it.
    pub author: PersonId,
    /// The way it came in.
    pub channel: Channel,
    /// The service's clock.
    pub now: Instant,
    /// What is wanted.
    pub edits: Vec<Proposal>,
    /// Says whether the author may; asked with what was loaded under the lock.
    pub permit: Permit,
    /// Whether everything is only judged and folded, and nothing written.
    pub dry_run: bool,
    /// The handset whose edits they are.
    pub calling: Option<Calling>,
    /// Whether nothing is written where one edit is refused; the others are then refused [with it](Refusal::WithGroup).
    pub together: bool,
    /// The slice of an import that they are, to be noted with them.
    pub slice: Option<Slice>,
}

/// One edit with what it brings along; `Debug` shows nothing of its content.
#[derive(Clone)]
pub struct Proposal {
    /// The edit.
    pub edit: Edit,
    /// The ETag that the author saw; without it nothing counts as seen.
    pub seen: Option<Etag>,
    /// Salts for private texts that came without one; at least as many as there are of those.
    pub salts: Vec<Salt>,
    /// What it has beside its wish where a handset sent it.
    pub sent: Option<Box<Sent>>,
}

/// The question of whether the author may do something, and its answer.
#[derive(Clone)]
pub struct Permit(pub Arc<dyn Fn(Ask<'_>) -> Permission + Send + Sync>);

/// What is asked of a [`Permit`].
pub enum Ask<'a> {
    /// May this be written to a thing in scope of these sites? Without sites it belongs to the whole organization.
    Write {
        /// By whom?
        author: PersonId,
        /// What is wanted.
        action: &'a Action,
        /// The home site, and where it stands.
        sites: &'a BTreeSet<SiteId>,
        /// Whether the event to be corrected is the author's own.
        own: bool,
        /// Asked about this instant: now, or when it was done offline.
        at: Instant,
    },
    /// May this site be seen?
    See {
        /// By whom?
        author: PersonId,
        /// Which?
        site: SiteId,
    },
}

/// Whether somebody may.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Permission {
    /// Yes.
    Allowed,
    /// The thing may be seen, but this may not be done to it.
    Forbidden,
    /// The thing may not even be seen.
    Hidden,
}

/// What became of one edit.
#[derive(Clone, Debug)]
pub enum Outcome {
    /// It was recorded.
    Applied(Written),
    /// It had been recorded before, with the same content.
    AlreadyApplied(Written),
    /// What becomes only of edits that a handset sent.
    OfHandset(Fate),
    /// It was not recorded.
    Refused(Refusal),
}

impl Outcome {
    /// The event that it shows, if it shows one.
    pub(crate) fn event_mut(&mut self) -> Option<&mut EventView> {
        match self {
            Self::Applied(Written::Event(event, _))
            | Self::AlreadyApplied(Written::Event(event, _))
            | Self::OfHandset(
                Fate::Taken { written: Written::Event(event, _), .. }
                | Fate::Released { written: Written::Event(event, _), .. },
            ) => Some(event),
            _ => None,
        }
    }
}

/// What an edit wrote, as a reader sees it afterwards.
#[derive(Clone, Debug)]
pub enum Written {
    /// A record with fields.
    Record(RecordView),
    /// A service event, with what is doubtful about it.
    Event(EventView, Vec<Warning>),
    /// An edition of a schedule.
    Edition(crate::view::EditionView),
}

/// Why an edit was not recorded.
#[derive(Clone, Debug)]
pub enum Refusal {
    /// What it targets is not there, or may not be seen.
    NotFound,
    /// The author may not do this.
    Forbidden,
    /// The record changed since its author read it.
    Stale(Etag),
    /// Its id was used before for something else.
    IdReused(EditId),
    /// The record it would make is there already.
    Exists,
    /// Another record has an id in another system that this one is given; where that stands.
    ExternalIdTaken(Vec<FieldError>),
    /// Members that only the store can judge are wrong.
    Invalid(Vec<FieldError>),
    /// A handset sent it with the stamp of another one.
    OtherHandset,
    /// Another edit of its group is refused.
    WithGroup,
    /// It cannot be read.
    Unreadable,
}

impl Refusal {
    /// The reason in a word.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::NotFound => "not_found",
            Self::Forbidden => "forbidden",
            Self::Stale(_) => "stale",
            Self::IdReused(_) => "id_reused",
            Self::Exists => "already_exists",
            Self::ExternalIdTaken(_) => "external_id_taken",
            Self::OtherHandset => "stamp_of_another_handset",
            Self::WithGroup => "group_refused",
            Self::Invalid(_) | Self::Unreadable => "invalid",
        }
    }
}

/// The strong entity tag of a record: its version and a digest of the stamps of all its values.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Etag(pub String);

impl fmt::Display for Etag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "\"{}\"", self.0)
    }
}

impl fmt::Debug for Permit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Permit(..)")
    }
}

impl fmt::Debug for Command {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Command")
            .field("organization", &self.organization)
            .field("edits", &self.edits.len())
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for Proposal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "Proposal({} of {} {})",
            self.edit.id,
            self.edit.action.kind().as_str(),
            self.edit.action.uuid()
        )
    }
}
