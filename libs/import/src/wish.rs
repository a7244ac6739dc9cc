//! What a row asks for: a body as the API takes it, and the names in it that have to be looked up.

use model::{OrganizationId, read::FieldError};
use serde::Serialize;
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{Columns, Complaint, Records};

/// One row of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// The physical line where it begins, counted from 1.
    pub line: u64,
    /// What it asks for, or everything that is wrong with it.
    pub wish: Result<Wish, Vec<Complaint>>,
}

/// What a row asks for.
///
/// Look up the [`names`](Self::names) and [`put`](Self::put) each id found, then [`finish`](Self::finish): the body is then what
/// the API takes, to be read by `model`, and [`complain`](Self::complain) turns the errors of that into complaints.
#[derive(Clone, Debug, PartialEq)]
pub struct Wish {
    /// What the row is.
    pub records: Records,
    /// The physical line where it begins.
    pub line: u64,
    /// By what the record is known again; none for a site or unit that the file gives no id. An event has one once it is
    /// finished.
    pub key: Option<Key>,
    /// The body as the API takes it. Sites and units have their external ids as `external_ids`, `{system: id}`; events their id
    /// as `id`.
    pub body: Map<String, Value>,
    /// What has to be looked up; the ids belong into the body.
    pub names: Vec<Name>,
    /// Which column of the file each member came from.
    pub columns: Columns,
    organization: OrganizationId,
}

/// By what a record is known again.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Key {
    /// Its own id.
    Id(Uuid),
    /// Its id in another system.
    External {
        /// The system's code.
        system: String,
        /// What the record is called there.
        id: String,
    },
}

/// A record that a row names by something else than its id.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Name {
    /// Where the id belongs in the body, such as `home_site_id`.
    pub member: &'static str,
    /// What is named.
    pub of: Named,
    /// By what.
    pub by: By,
    /// The heading of the column that names it; empty where it is a constant of the mapping.
    pub column: String,
}

/// What can be named.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Named {
    /// A site, by its name.
    Site,
    /// A unit, by its label.
    Unit,
    /// A schedule, by its name.
    Schedule,
}

/// By what something is named.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum By {
    /// By its id in another system.
    External {
        /// The system's code.
        system: String,
        /// What it is called there.
        id: String,
    },
    /// By what people call it, exactly, without blank ends.
    Called(String),
}

impl Wish {
    pub(crate) fn new(
        records: Records,
        line: u64,
        key: Option<Key>,
        body: Map<String, Value>,
        names: Vec<Name>,
        columns: Columns,
        organization: OrganizationId,
    ) -> Self {
        Self { records, line, key, body, names, columns, organization }
    }

    /// Puts the id that was found for a name into the body.
    pub fn put(&mut self, member: &str, id: Uuid) {
        self.body.insert(member.to_owned(), Value::from(id.hyphenated().to_string()));
    }

    /// Completes the body once all names are found: an event that brings no id gets one that follows from its content (see
    /// [`event_id_of_content`](crate::event_id_of_content)).
    pub fn finish(&mut self) {
        if self.records.are_events() && self.key.is_none() {
            let id = crate::event_id_of_content(self.organization, &self.body);
            self.put("id", id.uuid());
            self.key = Some(Key::Id(id.uuid()));
        }
    }

    /// The errors of a body as complaints about the columns of its row.
    pub fn complain(&self, errors: &[FieldError]) -> Vec<Complaint> {
        Complaint::listed(
            errors.iter().map(|error| self.columns.complaint(self.line, error, &self.body)).collect(),
        )
    }

    /// A complaint about a name: that it stands for nothing, or for several things.
    pub fn doubt(&self, name: &Name, code: &str, detail: &str, suggestion: Option<String>) -> Complaint {
        let found = if name.column.is_empty() {
            Complaint::of_row(self.line, code, format!("{}: {detail}", name.member))
        } else {
            Complaint::of_column(self.line, &name.column, code, detail)
        };
        found.suggesting(suggestion)
    }
}
