//! A record: its fields, and the edits that change them.

use std::collections::{BTreeMap, BTreeSet};

use model::{EditId, stamp::Stamp};
use serde_json::{Map, Value};

use crate::{
    edit::{Base, FieldEdit},
    register::{Held, Register, Version},
};

/// The fields of one record, as the edits accepted for it made them. The default has none yet.
///
/// As JSON it is compact, for one column of a table; equal records are equal texts.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Record {
    pub(crate) fields: BTreeMap<String, Register>,
    /// Seen by an edit that was accepted, but not accepted themselves so far; no set is empty.
    pub(crate) awaited: BTreeMap<String, BTreeSet<Version>>,
}

/// What came of an edit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Merged {
    /// The record with the edit in it.
    pub record: Record,
    /// The fields that the edit set and that are contested now, in order.
    pub contested: Vec<String>,
}

/// Adds an edit to a record.
///
/// `accepted` says whether an edit was accepted *for this record* before (the log knows). It is asked for the
/// edit itself, which then changes nothing, and for those of [`Record::unheld`]: a value that was seen and is
/// not held has either been replaced, or is still to come.
pub fn apply(mut record: Record, edit: &FieldEdit, accepted: impl Fn(EditId) -> bool) -> Merged {
    if !accepted(edit.edit) {
        for (field, value) in &edit.fields {
            record.set(field, edit.held(value), edit.seen(field), &accepted);
        }
        record.arrived(edit.edit);
    }
    let contested = edit.fields.keys().filter(|field| {
        let register = record.register(field).filter(|register| register.is_contested());
        register.is_some_and(|register| register.all().any(|held| held.edit == edit.edit))
    });
    Merged { contested: contested.cloned().collect(), record }
}

impl Record {
    /// One field; none where no edit set it.
    pub fn register(&self, field: &str) -> Option<&Register> {
        self.fields.get(field)
    }

    /// All fields by name, removed ones included.
    pub fn registers(&self) -> impl Iterator<Item = (&str, &Register)> {
        self.fields.iter().map(|(field, register)| (field.as_str(), register))
    }

    /// The values that count, without removed fields.
    pub fn values(&self) -> Map<String, Value> {
        let tops = self.registers().map(|(field, register)| (field.to_owned(), &register.top().value));
        tops.filter(|(_, value)| !value.is_null()).map(|(field, value)| (field, value.clone())).collect()
    }

    /// The contested fields, in order.
    pub fn contested(&self) -> Vec<&str> {
        self.registers().filter(|(_, register)| register.is_contested()).map(|(field, _)| field).collect()
    }

    /// The highest stamp that counts here; a new edit stamped above it wins over all that is held.
    pub fn highest(&self) -> Option<Stamp> {
        self.fields.values().map(|register| register.top().effective).max()
    }

    /// What somebody has seen who has read all of this record, contested values included.
    pub fn seen(&self) -> Base {
        let versions = |register: &Register| register.all().map(Held::version).collect();
        self.registers().map(|(field, register)| (field.to_owned(), versions(register))).collect()
    }

    /// [`Record::seen`] as a text, to make an entity tag of: it differs whenever what there is to see differs.
    pub fn versions_text(&self) -> String {
        self.seen().to_string()
    }

    /// The edits that `edit` has seen here and that are not held: [`apply`] will ask which were accepted.
    pub fn unheld(&self, edit: &FieldEdit) -> BTreeSet<EditId> {
        let held = |field: &str, version: &Version| {
            self.register(field).is_some_and(|register| register.all().any(|held| held.version() == *version))
        };
        let seen = edit.fields.keys().flat_map(|field| edit.seen(field).map(move |version| (field, version)));
        seen.filter(|(field, version)| !held(field, version)).map(|(_, version)| version.edit).collect()
    }

    fn set<'a>(
        &mut self,
        field: &str,
        new: Held,
        seen: impl Iterator<Item = &'a Version>,
        accepted: impl Fn(EditId) -> bool,
    ) {
        let mut values = self.fields.remove(field).map_or_else(Vec::new, Register::into_values);
        let mut awaited = self.awaited.remove(field).unwrap_or_default();
        for version in seen {
            let before = values.len();
            values.retain(|held| held.version() != *version);
            if values.len() == before && !accepted(version.edit) {
                awaited.insert(*version);
            }
        }
        if !awaited.contains(&new.version()) {
            values.push(new);
        }
        // Edits that claim to have seen each other leave no value; only forged bases do, and the field is gone.
        if let Some(register) = Register::of(values) {
            self.fields.insert(field.to_owned(), register);
        }
        if !awaited.is_empty() {
            self.awaited.insert(field.to_owned(), awaited);
        }
    }

    /// Ends the waiting for `edit` in all fields, those included that it turned out not to set.
    fn arrived(&mut self, edit: EditId) {
        self.awaited.retain(|_, versions| {
            versions.retain(|version| version.edit != edit);
            !versions.is_empty()
        });
    }
}
