//! People and the roles they are given.

use std::collections::BTreeSet;

use serde::{Serialize, Serializer};
use serde_json::Value;
use utoipa::ToSchema;

use crate::{
    id::{PersonId, SiteId},
    private::PrivateText,
    read::{Flaw, Object, word},
    time::Instant,
};

/// The fields of a person.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct PersonFields {
    /// The person's name; private, erasable.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<PrivateText>,
}

impl PersonFields {
    /// JSON Pointers to the private text among the fields.
    pub const PRIVATE: &[&str] = &["/name"];

    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self { name: o.required_private("name") })
    }
}

/// What somebody may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Sees.
    Viewer,
    /// Keeps a site: runs, fuel, readings.
    Custodian,
    /// Services units.
    Technician,
    /// Runs the fleet: units, schedules, corrections.
    Coordinator,
    /// Plans for outages.
    Planner,
    /// Sees everything, voided and as known, and changes nothing.
    Auditor,
    /// Connects another system.
    Integrator,
    /// Manages people, grants and keys.
    Admin,
}

/// The words for [`Role`].
pub const ROLES: &[(&str, Role)] = &[
    ("viewer", Role::Viewer),
    ("custodian", Role::Custodian),
    ("technician", Role::Technician),
    ("coordinator", Role::Coordinator),
    ("planner", Role::Planner),
    ("auditor", Role::Auditor),
    ("integrator", Role::Integrator),
    ("admin", Role::Admin),
];

/// Which sites a grant reaches.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SiteScope {
    /// Every site of the organization, also later ones.
    All,
    /// These sites.
    Only(BTreeSet<SiteId>),
}

impl SiteScope {
    /// Whether the site is among them.
    pub fn contains(&self, site: SiteId) -> bool {
        match self {
            Self::All => true,
            Self::Only(sites) => sites.contains(&site),
        }
    }

    /// Reads `"all"`, or a list of ids.
    pub fn read(value: &Value) -> Result<Self, Flaw> {
        let flaw = || Flaw::new("invalid_sites", "Sites are \"all\" or a list of 1 to 1000 site ids.");
        match value {
            Value::String(all) if all == "all" => Ok(Self::All),
            Value::Array(ids) if (1..=1000).contains(&ids.len()) => {
                ids.iter().map(SiteId::read).collect::<Result<_, _>>().map(Self::Only)
            }
            _ => Err(flaw()),
        }
    }
}

impl Serialize for SiteScope {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::All => s.serialize_str("all"),
            Self::Only(sites) => s.collect_seq(sites),
        }
    }
}

/// The fields of a grant: a role on a set of sites, from a day until another.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct GrantFields {
    /// Who holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person_id: Option<PersonId>,
    /// What it lets them do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Role>,
    /// Where.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sites: Option<SiteScope>,
    /// The first instant it holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Instant>,
    /// The first instant it holds no more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<Instant>,
}

impl GrantFields {
    /// Reads the fields that are there.
    pub fn read(o: &mut Object<'_>) -> Option<Self> {
        Some(Self {
            person_id: o.required("person_id", PersonId::read),
            role: o.required("role", word(ROLES)),
            sites: o.required("sites", SiteScope::read),
            from: o.required("from", Instant::read),
            until: o.optional("until", Instant::read),
        })
    }
}
