//! An edit of fields, and what its author had seen.

use std::{
    collections::{BTreeMap, BTreeSet},
    fmt,
};

use model::{EditId, stamp::Stamp};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};

use crate::{
    record::RETIRED,
    register::{Held, Version},
};

/// An accepted wish to set fields of one record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FieldEdit {
    /// The edit's permanent id.
    pub edit: EditId,
    /// The stamp that counts, fixed when the edit was first received.
    pub effective: Stamp,
    /// The stamp as the author's device made it.
    pub raw: Stamp,
    /// The fields it sets; null removes one.
    pub fields: Map<String, Value>,
    /// What its author had seen of these fields; of an edit that retires a record, of all its fields.
    pub base: Base,
    /// Whether its device has seen whatever it wrote before, so that the base need not name that. True of the edits
    /// of a handset that counts them one by one; not of a handset of which there are two copies, nor of the service.
    pub chained: bool,
}

impl FieldEdit {
    pub(crate) fn held(&self, value: &Value) -> Held {
        Held {
            value: value.clone(),
            effective: self.effective,
            raw: self.raw,
            edit: self.edit,
            chained: self.chained,
        }
    }

    /// Whether it retires the record.
    pub(crate) fn retires(&self) -> bool {
        self.fields.get(RETIRED) == Some(&Value::Bool(true))
    }

    /// What its author had seen of `field`; an edit cannot have seen itself.
    pub(crate) fn seen<'a>(&'a self, field: &str) -> impl Iterator<Item = &'a Version> + use<'a> {
        let seen = self.base.0.get(field);
        seen.into_iter().flatten().filter(|version| version.edit != self.edit)
    }
}

/// By field, the values that somebody had seen. The default is somebody who saw nothing.
///
/// As JSON (and as text) it is an object of lists of versions in order, so equal bases are equal texts.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Base(BTreeMap<String, BTreeSet<Version>>);

impl Base {
    /// The part of it about `fields`: what an edit that sets these has to name.
    #[must_use]
    pub fn only(mut self, fields: &Map<String, Value>) -> Self {
        self.0.retain(|field, _| fields.contains_key(field));
        self
    }

    /// Whether a value of a field is in it.
    pub(crate) fn names(&self, field: &str, version: &Version) -> bool {
        self.0.get(field).is_some_and(|versions| versions.contains(version))
    }

    /// The fields with the versions seen of each.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &BTreeSet<Version>)> {
        self.0.iter().map(|(field, versions)| (field.as_str(), versions))
    }
}

impl FromIterator<(String, BTreeSet<Version>)> for Base {
    fn from_iter<I: IntoIterator<Item = (String, BTreeSet<Version>)>>(fields: I) -> Self {
        Self(fields.into_iter().collect())
    }
}

impl fmt::Display for Base {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&serde_json::to_string(self).map_err(|_| fmt::Error)?)
    }
}
