//! A record with fields as the service tells it, taken apart and spelled again: what a handset does to its copy has to come
//! out byte for byte as others are told it, or no fingerprint would agree.

use std::collections::{BTreeMap, BTreeSet};

use merge::{Base, FieldEdit, Record, Version};
use model::{EditId, stamp::Stamp};
use proof::Canonical;
use serde_json::{Map, Value, json};

use crate::{
    error::{Error, Result},
    wire::EditText,
};

/// A record with fields.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RecordCopy {
    /// Its version.
    pub version: u64,
    /// Its fields that have a value.
    pub fields: Map<String, Value>,
    /// By field the name of the value that shows, removed ones included.
    pub versions: BTreeMap<String, Version>,
    /// By contested field every value, the one that shows included.
    pub contested: BTreeMap<String, Vec<Rival>>,
    /// What only a newer program knows.
    rest: Map<String, Value>,
}

/// One of the values of a contested field.
#[derive(Clone, Debug, PartialEq)]
pub struct Rival {
    /// Its name.
    pub version: Version,
    /// The value, with who set it and when, as it was told.
    pub told: Value,
}

impl RecordCopy {
    /// Reads what was told.
    pub fn read(text: &str) -> Result<Self> {
        let corrupt = Error::corrupt("record");
        let mut rest: Map<String, Value> = serde_json::from_str(text).map_err(|e| corrupt(&e))?;
        let version = rest.remove("version").and_then(|version| version.as_u64());
        let Some(Value::Object(fields)) = rest.remove("fields") else { return Err(corrupt(&"no fields")) };
        let mut versions = BTreeMap::new();
        if let Some(most) = rest.remove("stamp") {
            let most = named(&most)?;
            versions.extend(fields.keys().map(|field| (field.clone(), most)));
        }
        for (field, name) in members(rest.remove("stamps")) {
            versions.insert(field, named(&name)?);
        }
        let mut contested: BTreeMap<String, Vec<Rival>> = BTreeMap::new();
        for (field, values) in members(rest.remove("contested")) {
            let Value::Array(values) = values else { return Err(corrupt(&"contested is no list")) };
            let rivals = values.into_iter().map(|told| Ok(Rival { version: named(&told)?, told }));
            contested.insert(field, rivals.collect::<Result<_>>()?);
        }
        let version = version.ok_or_else(|| corrupt(&"no version"))?;
        Ok(Self { version, fields, versions, contested, rest })
    }

    /// Spells it as the service does.
    pub fn spelled(&self) -> Result<Canonical> {
        let mut times: BTreeMap<Version, usize> = BTreeMap::new();
        for (field, version) in &self.versions {
            *times.entry(*version).or_default() += usize::from(self.fields.contains_key(field));
        }
        let most = times.into_iter().max_by_key(|(version, times)| (*times, *version));
        let most = most.map(|(version, _)| version);
        let mut text = self.rest.clone();
        text.insert("version".to_owned(), json!(self.version));
        text.insert("fields".to_owned(), Value::Object(self.fields.clone()));
        if let Some(most) = most {
            text.insert("stamp".to_owned(), json!(most));
        }
        let is_other =
            |field: &str, version: Version| !self.fields.contains_key(field) || Some(version) != most;
        let others = self.versions.iter().filter(|(field, version)| is_other(field, **version));
        let stamps: Map<String, Value> =
            others.map(|(field, version)| (field.clone(), json!(version))).collect();
        if !stamps.is_empty() {
            text.insert("stamps".to_owned(), Value::Object(stamps));
        }
        if !self.contested.is_empty() {
            let values = |rivals: &Vec<Rival>| rivals.iter().map(|rival| rival.told.clone()).collect();
            let contested = self.contested.iter().map(|(field, rivals)| (field.clone(), values(rivals)));
            text.insert("contested".to_owned(), Value::Object(contested.collect()));
        }
        proof::canonical(&Value::Object(text)).map_err(|e| Error::Unwritable(e.to_string()))
    }

    /// Does an own edit to it, as the service did: nobody contests it.
    ///
    /// So if a field has values that the edit did not know of, then whoever set them had seen the edit, which only came later; that
    /// happens after a restore. They stay, and only what the edit knew of goes.
    pub fn take(&mut self, edit: &EditText, version: u64) {
        let own = Version { raw: edit.stamp, edit: edit.id };
        for (field, value) in edit.fields() {
            let mut left = self.values(&field);
            left.retain(|(version, _)| !knew(edit, &field, version));
            let first = left.first().cloned();
            let rivals = self.contested.remove(&field).into_iter().flatten();
            match first {
                Some((top, shown)) if shown != value || top > own => {
                    if left.iter().any(|(_, other)| *other != shown) {
                        let stay =
                            rivals.filter(|rival| left.iter().any(|(version, _)| *version == rival.version));
                        self.contested.insert(field.clone(), stay.collect());
                    }
                    self.show(field, top, shown);
                }
                _ => self.show(field, own, value),
            }
        }
        self.version = version;
    }

    /// The values that are told of a field, that which shows first.
    fn values(&self, field: &str) -> Vec<(Version, Value)> {
        let shown =
            self.versions.get(field).map(|top| (*top, self.fields.get(field).cloned().unwrap_or_default()));
        let rivals = self.contested.get(field).into_iter().flatten();
        let rivals =
            rivals.map(|rival| (rival.version, rival.told.get("value").cloned().unwrap_or_default()));
        let others = rivals.filter(|(version, _)| shown.as_ref().is_none_or(|(top, _)| top != version));
        let others: Vec<_> = others.collect();
        shown.into_iter().chain(others).collect()
    }

    fn show(&mut self, field: String, name: Version, value: Value) {
        self.versions.insert(field.clone(), name);
        if value.is_null() {
            self.fields.remove(&field);
        } else {
            self.fields.insert(field, value);
        }
    }

    /// Whether it is retired.
    #[must_use]
    pub fn is_retired(&self) -> bool {
        self.fields.get(merge::RETIRED) == Some(&Value::Bool(true))
    }

    /// The record as edits are merged into it. What is not told of it (which stamps were cut, what those knew who retired
    /// it) is taken so that the same values show, and the same fields are contested.
    #[must_use]
    pub fn record(&self) -> Record {
        let mut record = Record::default();
        for (name, fields) in self.shown() {
            record = with(record, fields, name, name.raw, Base::default());
        }
        if let Some(top) = self.versions.get(merge::RETIRED) {
            let fields = self.one(merge::RETIRED);
            record = with(record, fields, *top, top.raw, self.known_to_whoever_retired_it());
        }
        for (field, top) in &self.versions {
            let rivals = self.contested.get(field).into_iter().flatten();
            for rival in rivals.filter(|rival| rival.version != *top) {
                let effective = below(rival.version.raw, top.raw);
                let value = rival.told.get("value").cloned().unwrap_or_default();
                let fields = Map::from_iter([(field.clone(), value)]);
                record = with(record, fields, rival.version, effective, Base::default());
            }
        }
        record
    }

    /// The values that show, those of one name together; but for whether it is retired.
    fn shown(&self) -> BTreeMap<Version, Map<String, Value>> {
        let mut shown: BTreeMap<Version, Map<String, Value>> = BTreeMap::new();
        for (field, top) in self.versions.iter().filter(|(field, _)| *field != merge::RETIRED) {
            shown.entry(*top).or_default().extend(self.one(field));
        }
        shown
    }

    /// A field with the value that shows; null where it was removed.
    fn one(&self, field: &str) -> Map<String, Value> {
        Map::from_iter([(field.to_owned(), self.fields.get(field).cloned().unwrap_or_default())])
    }

    fn known_to_whoever_retired_it(&self) -> Base {
        let known = |(field, version): (&String, &Version)| (field.clone(), BTreeSet::from([*version]));
        self.versions.iter().filter(|(field, _)| !self.contested.contains_key(*field)).map(known).collect()
    }

    /// What somebody has seen who has read it: the values that show, and all that contest them.
    #[must_use]
    pub fn seen(&self) -> Base {
        let all = |(field, top): (&String, &Version)| {
            let rivals = self.contested.get(field).into_iter().flatten();
            (field.clone(), rivals.map(|rival| rival.version).chain([*top]).collect())
        };
        self.versions.iter().map(all).collect()
    }
}

/// A record with some values more, by somebody who knew of these.
fn with(record: Record, fields: Map<String, Value>, name: Version, effective: Stamp, base: Base) -> Record {
    let edit = FieldEdit { edit: name.edit, effective, raw: name.raw, fields, base, chained: false };
    merge::apply(record, &edit, |_| false).record
}

/// Whether an edit knew of a value of a field: its base names it, or its handset had written it before.
fn knew(edit: &EditText, field: &str, value: &Version) -> bool {
    let named = edit.base.as_ref().and_then(|base| base.iter().find(|(name, _)| *name == field));
    let wrote = value.raw.handset == edit.stamp.handset && value.raw.clock < edit.stamp.clock;
    wrote || named.is_some_and(|(_, versions)| versions.contains(value))
}

/// A stamp as it counts below another one.
fn below(raw: Stamp, top: Stamp) -> Stamp {
    if raw < top { raw } else { Stamp { clock: top.clock.saturating_sub(1), handset: raw.handset } }
}

/// The name of a value, by members that others may stand beside.
fn named(told: &Value) -> Result<Version> {
    let text = |name: &str| told.get(name).and_then(Value::as_str).unwrap_or_default();
    let corrupt = Error::corrupt("record");
    let raw = Stamp::parse(text("raw")).map_err(|e| corrupt(&e))?;
    let edit = EditId::parse(text("edit")).map_err(|e| corrupt(&e))?;
    Ok(Version { raw, edit })
}

fn members(of: Option<Value>) -> Map<String, Value> {
    match of {
        Some(Value::Object(members)) => members,
        _ => Map::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PUMP: &str = r#"{"contested":{"label":[{"at":"2026-11-03T15:03:00Z","author":"01990593-db00-769d-ab6e-f3c9cfb9c212","edit":"019a4f6e-2b00-7a52-9c11-6b0d2f3e4a03","raw":"06GPSKDVG00016HTJ7CG","value":"Engine 2"},{"at":"2026-11-03T15:03:01Z","author":"01990593-db00-769d-ab6e-f3c9cfb9c213","edit":"01a21787-5342-7625-9165-66e67d4255ca","raw":"06GPSKSK800000000000","value":"FS-2"}]},"fields":{"fuel":"petrol","label":"FS-2","rated_kw":5},"newer":[1],"stamp":{"edit":"01990593-db00-7b8f-812e-570f80052a99","raw":"06GPPHI0240000000000"},"stamps":{"label":{"edit":"01a21787-5342-7625-9165-66e67d4255ca","raw":"06GPSKSK800000000000"},"serial":{"edit":"01a21787-5342-7625-9165-66e67d4255ca","raw":"06GPSKSK800000000000"}},"version":3}"#;

    #[test]
    fn it_is_spelled_as_it_was_told() {
        let copy = RecordCopy::read(PUMP).unwrap();
        assert_eq!(copy.spelled().unwrap().as_str(), PUMP);
        let minimal = r#"{"fields":{},"version":1}"#;
        assert_eq!(RecordCopy::read(minimal).unwrap().spelled().unwrap().as_str(), minimal);
        for bad in ["", "{}", r#"{"fields":{}}"#, r#"{"fields":{},"version":1,"stamp":{"raw":"x"}}"#] {
            assert!(RecordCopy::read(bad).is_err(), "{bad}");
        }
    }

    /// What shows and what is contested in the copy does so in the record made of it.
    #[test]
    fn what_is_told_is_what_merges() {
        let copy = RecordCopy::read(PUMP).unwrap();
        let record = copy.record();
        assert_eq!(record.values(), copy.fields);
        assert_eq!(record.contested(), ["label"]);
        assert_eq!(record.seen(), copy.seen());
    }

    /// The value that shows need not have the highest stamp: one of a fast clock was cut.
    #[test]
    fn a_cut_stamp_stays_below() {
        let copy = RecordCopy::read(&PUMP.replace("06GPSKDVG00016HTJ7CG", "0FFPSKDVG00016HTJ7CG")).unwrap();
        assert_eq!(copy.record().values()["label"], "FS-2");
    }

    #[test]
    fn a_retired_record_is_retired_and_not_contested() {
        let told = r#"{"fields":{"label":"A","retired":true},"stamp":{"edit":"01990593-db00-7b8f-812e-570f80052a99","raw":"06GPPHI0240000000000"},"stamps":{"retired":{"edit":"01a21787-5342-7625-9165-66e67d4255ca","raw":"06GPSKSK800000000000"}},"version":2}"#;
        let copy = RecordCopy::read(told).unwrap();
        assert!(copy.is_retired() && copy.record().is_retired());
        assert_eq!(copy.record().contested(), Vec::<&str>::new());
    }
}
