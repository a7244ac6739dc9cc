//! A record: its fields, and the edits that change them.

use std::collections::{BTreeMap, BTreeSet};

use model::{EditId, stamp::Stamp};
use serde_json::{Map, Value};

use crate::{
    edit::{Base, FieldEdit},
    register::{Held, Register, Version},
};

/// The field that tells that a record is retired: true, or removed again by whoever restores it.
pub const RETIRED: &str = "retired";

/// The fields of one record, as the edits accepted for it made them. The default has none yet.
///
/// As JSON it is compact, for one column of a table; equal records are equal texts.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Record {
    pub(crate) fields: BTreeMap<String, Register>,
    /// Seen by an edit that was accepted, but not accepted themselves so far; no set is empty.
    pub(crate) awaited: BTreeMap<String, BTreeSet<Version>>,
    /// By field and handset, the clock below which the handset's chained values were seen by a chained one of its own
    /// that is not held any more; no map is empty.
    pub(crate) passed: BTreeMap<String, BTreeMap<u32, u64>>,
    /// What those had seen who retired the record, for each retirement that is held.
    pub(crate) retirements: BTreeMap<EditId, Base>,
}

/// What came of an edit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Merged {
    /// The record with the edit in it.
    pub record: Record,
    /// The fields that are contested now by what the edit said, in order; of a retirement also those that somebody
    /// else had set meanwhile.
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
        record.keep_retirements(edit);
    }
    let contested = record.contested_by(edit);
    Merged { contested, record }
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

    /// Whether it is retired: somebody retired it, and nobody who had seen that has restored it.
    pub fn is_retired(&self) -> bool {
        self.register(RETIRED).is_some_and(|register| register.top().retires())
    }

    /// The contested fields, in order.
    pub fn contested(&self) -> Vec<&str> {
        self.registers().map(|(field, _)| field).filter(|field| self.is_contested(field)).collect()
    }

    /// Whether people disagree about a field: it has values that say different things, or was set by somebody of
    /// whom those did not know who retired the record.
    pub fn is_contested(&self, field: &str) -> bool {
        self.register(field).is_some_and(|register| {
            register.is_contested() || register.all().any(|held| self.outlives(field, held))
        })
    }

    fn contested_by(&self, edit: &FieldEdit) -> Vec<String> {
        let holds = |register: &Register| register.all().any(|held| held.edit == edit.edit);
        let retires = edit.retires() && self.register(RETIRED).is_some_and(holds);
        let of_it = self.registers().filter(|(field, register)| {
            let outlives = || register.all().any(|held| self.outlives(field, held));
            holds(register) && self.is_contested(field) || retires && outlives()
        });
        of_it.map(|(field, _)| field.to_owned()).collect()
    }

    /// Whether a value came to a retired record without those knowing who retired it.
    fn outlives(&self, field: &str, held: &Held) -> bool {
        let mut retirements = self.retirements.iter();
        // An edit knows what it sets itself.
        let knew = |(edit, base): (&EditId, &Base)| *edit == held.edit || base.names(field, &held.version());
        field != RETIRED && self.is_retired() && !retirements.any(knew)
    }

    /// The highest stamp that counts here; a new edit stamped above it wins over all that is held.
    pub fn highest(&self) -> Option<Stamp> {
        self.fields.values().flat_map(Register::all).map(|held| held.effective).max()
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
        let mut passed = self.passed.remove(field).unwrap_or_default();
        let mut awaited = self.awaited.remove(field).unwrap_or_default();
        let mut drop_seen = |values: &mut Vec<Held>, is_seen: &dyn Fn(&Held) -> bool| {
            let (gone, kept) = std::mem::take(values).into_iter().partition::<Vec<_>, _>(is_seen);
            *values = kept;
            gone.iter().for_each(|held| pass(&mut passed, held));
            !gone.is_empty()
        };
        for version in seen {
            if !drop_seen(&mut values, &|held| held.version() == *version) && !accepted(version.edit) {
                awaited.insert(*version);
            }
        }
        drop_seen(&mut values, &|held| held.was_before(&new));
        if awaited.contains(&new.version())
            || values.iter().any(|held| new.was_before(held))
            || new.chained && passed.get(&new.raw.handset).is_some_and(|clock| new.raw.clock < *clock)
        {
            pass(&mut passed, &new);
        } else {
            values.push(new);
        }
        // What a held value of the same chain says is not said twice.
        passed.retain(|handset, clock| {
            !values
                .iter()
                .any(|held| held.chained && held.raw.handset == *handset && held.raw.clock >= *clock)
        });
        // Edits that claim to have seen each other leave no value; only forged bases do, and the field is gone.
        if let Some(register) = Register::of(field, values) {
            self.fields.insert(field.to_owned(), register);
        }
        if !passed.is_empty() {
            self.passed.insert(field.to_owned(), passed);
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

    /// Remembers what whoever retired the record had seen, as long as the retirement is held.
    fn keep_retirements(&mut self, edit: &FieldEdit) {
        if edit.retires() {
            self.retirements.insert(edit.edit, edit.base.clone());
        }
        let register = self.fields.get(RETIRED);
        let held = |id: &EditId| {
            register.is_some_and(|register| register.all().any(|held| held.edit == *id && held.retires()))
        };
        self.retirements.retain(|id, _| held(id));
    }
}

/// Remembers that a chained value was here, for those of its handset that come later though they were before it.
fn pass(passed: &mut BTreeMap<u32, u64>, held: &Held) {
    if held.chained {
        let clock = passed.entry(held.raw.handset).or_default();
        *clock = held.raw.clock.max(*clock);
    }
}
