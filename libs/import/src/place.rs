//! Which column of a file a member of a body came from.

use std::sync::Arc;

use model::read::FieldError;
use serde_json::{Map, Value};

use crate::{Complaint, Mapping, mapping::Take, nearest, target::Target};

/// Which column of the file each member of a body comes from; cheap to clone.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Columns(Arc<Told>);

#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Told {
    /// Members with their columns, the likeliest first; a constant of the mapping has none.
    members: Vec<(String, Option<String>)>,
    /// The column of what has none of its own.
    details: Option<String>,
    /// Every member is a column of the same name.
    same: bool,
}

impl Columns {
    /// Where members come from, by the headings of a file and what becomes of the cells below each.
    pub(crate) fn new<'a>(mapping: &Mapping, takes: impl Iterator<Item = (&'a str, &'a Take)>) -> Self {
        let mut told = Told::default();
        let mut ranked = Vec::new();
        for (heading, take) in takes {
            let members = take.target.members(mapping.records());
            let column = || Some(heading.to_owned());
            ranked.extend(members.into_iter().enumerate().map(|(rank, member)| (rank, member, column())));
            if take.target == Target::Details {
                told.details = column();
            }
        }
        for (target, _) in mapping.constants() {
            let members = target.members(mapping.records());
            ranked.extend(members.into_iter().enumerate().map(|(rank, member)| (rank, member, None)));
        }
        // A column of its own tells more of a member than one that gives it besides.
        ranked.sort_by_key(|(rank, ..)| *rank);
        told.members = ranked.into_iter().map(|(_, member, column)| (member, column)).collect();
        Self(Arc::new(told))
    }

    /// For objects: what is not mapped is a column of the same name.
    pub(crate) fn of_objects(mapping: &Mapping) -> Self {
        let Self(told) = Self::new(mapping, mapping.mapped());
        let told = Arc::unwrap_or_clone(told);
        Self(Arc::new(Told { same: mapping.headings().next().is_none(), ..told }))
    }

    /// The column that a member came from, if the file has one for it.
    pub fn of(&self, member: &str) -> Option<&str> {
        self.known(member).flatten()
    }

    /// The same; of a constant it is known that it has none.
    fn known(&self, member: &str) -> Option<Option<&str>> {
        self.0.members.iter().find(|(known, _)| known == member).map(|(_, column)| column.as_deref())
    }

    /// An error in a body as a complaint about a column.
    pub(crate) fn complaint(&self, line: u64, error: &FieldError, body: &Map<String, Value>) -> Complaint {
        let pointer = error.pointer.as_deref().unwrap_or_default().trim_start_matches('/');
        let member = pointer.split('/').next().map(unescaped).unwrap_or_default();
        let nested = pointer.split('/').take(2).map(unescaped).collect::<Vec<_>>().join("/");
        let missing = error.code == "required" && pointer == member;
        let column =
            self.known(&nested).or_else(|| self.known(&member)).unwrap_or_else(|| match &self.0.details {
                _ if missing || member.is_empty() => None,
                Some(details) => Some(details.as_str()),
                None => Some(member.as_str()).filter(|_| self.0.same),
            });
        let value = body.get(&member).and_then(Value::as_str);
        let found = match column {
            Some(column) => Complaint::of_column(line, column, error.code, error.detail.clone()),
            None if pointer.is_empty() => Complaint::of_row(line, error.code, error.detail.clone()),
            None => Complaint::of_row(line, error.code, format!("{pointer}: {}", error.detail)),
        };
        found.suggesting(word_meant(error, value))
    }
}

/// A step of a JSON Pointer as a member name.
fn unescaped(step: &str) -> String {
    step.replace("~1", "/").replace("~0", "~")
}

/// The word of a closed set that is most like the one sent; the detail of the error tells the set.
fn word_meant(error: &FieldError, sent: Option<&str>) -> Option<String> {
    let set = error.detail.strip_prefix("This is one of: ")?.strip_suffix('.')?;
    nearest(sent?, set.split(", ")).map(str::to_owned)
}
