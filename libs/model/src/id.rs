//! One identifier type with kinds, so that a site can never be passed where a unit is meant.

use std::{fmt, hash, marker::PhantomData};

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use serde_json::Value;
use uuid::Uuid;

use crate::read::Flaw;

/// What an [`Id`] points at.
pub trait Kind {
    /// The kind as it appears in messages and in `Debug`.
    const NAME: &'static str;
}

/// The UUID of one thing of kind `K`. On the wire it is the plain hyphenated lower-case form.
pub struct Id<K>(Uuid, PhantomData<fn() -> K>);

macro_rules! kinds {
    ($($kind:ident $alias:ident $name:literal $doc:literal;)*) => {
        /// The kinds of identifier there are.
        pub mod kind {
            $(#[doc = $doc] #[derive(Debug)] pub enum $kind {}
              impl super::Kind for $kind { const NAME: &'static str = $name; })*
        }
        $(#[doc = $doc] pub type $alias = Id<kind::$kind>;)*
    };
}

kinds! {
    Organization OrganizationId "organization" "The tenant: a municipality, a utility.";
    Site SiteId "site" "A place where units stand.";
    Unit UnitId "unit" "One generator.";
    Schedule ScheduleId "schedule" "A maintenance table, across its editions.";
    Edition EditionId "edition" "One immutable edition of a schedule.";
    Event EventId "service event" "Something that happened to a unit.";
    Edit EditId "edit" "What somebody wanted recorded; the key that makes a repeat recognisable.";
    Person PersonId "person" "Somebody who acts.";
    Grant GrantId "grant" "A role given to a person.";
    Handset HandsetId "handset" "A field device that works offline.";
    MailList MailListId "mail list" "Who gets the digest of some sites.";
    Recipient RecipientId "recipient" "An address on a mail list.";
    Incident IncidentId "incident" "An outage, with what was done in it.";
    Promise PromiseId "promise" "A spare promised to a site.";
    Import ImportId "import" "A file that is brought in.";
    Group GroupId "group" "Edits that are applied together or not at all.";
}

impl<K: Kind> Id<K> {
    /// Names an existing UUID as the identifier of a `K`.
    pub const fn from_uuid(uuid: Uuid) -> Self {
        Self(uuid, PhantomData)
    }

    /// The bare UUID, for storage and for crossing between kinds on purpose.
    pub const fn uuid(self) -> Uuid {
        self.0
    }

    /// The same UUID as the identifier of another kind (a service event's edit carries the event's id).
    pub const fn cast<J: Kind>(self) -> Id<J> {
        Id::from_uuid(self.0)
    }

    /// Parses the hyphenated form; other spellings of a UUID are refused so that one id has one text.
    pub fn parse(text: &str) -> Result<Self, Flaw> {
        let flaw = || {
            Flaw::new(
                "invalid_id",
                format!("A {} id is a UUID such as 019a0b5e-7c00-7000-8000-0123456789ab.", K::NAME),
            )
        };
        let uuid = Uuid::try_parse(text).map_err(|_| flaw())?;
        let canonical = uuid.hyphenated().to_string();
        if uuid.is_nil() || uuid.is_max() || !canonical.eq_ignore_ascii_case(text) {
            return Err(flaw());
        }
        Ok(Self::from_uuid(uuid))
    }

    /// Reads an id from a JSON string.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        value.as_str().ok_or_else(|| Flaw::wrong_type("a string")).and_then(Self::parse)
    }
}

impl<K> Clone for Id<K> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<K> Copy for Id<K> {}
impl<K> PartialEq for Id<K> {
    fn eq(&self, other: &Self) -> bool {
        self.0 == other.0
    }
}
impl<K> Eq for Id<K> {}
impl<K> PartialOrd for Id<K> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl<K> Ord for Id<K> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.cmp(&other.0)
    }
}
impl<K> hash::Hash for Id<K> {
    fn hash<H: hash::Hasher>(&self, state: &mut H) {
        self.0.hash(state);
    }
}
impl<K> fmt::Display for Id<K> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.hyphenated().fmt(f)
    }
}
impl<K: Kind> fmt::Debug for Id<K> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", K::NAME, self.0)
    }
}
impl<K> Serialize for Id<K> {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        if s.is_human_readable() { s.collect_str(self) } else { self.0.serialize(s) }
    }
}
impl<'de, K: Kind> Deserialize<'de> for Id<K> {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        if d.is_human_readable() {
            return Self::parse(&String::deserialize(d)?).map_err(de::Error::custom);
        }
        let uuid = Uuid::deserialize(d)?;
        if uuid.is_nil() || uuid.is_max() {
            return Err(de::Error::custom("no id"));
        }
        Ok(Self::from_uuid(uuid))
    }
}
