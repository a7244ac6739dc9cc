//! What the service keeps: the log, what is folded from it, and what stands beside it.

use std::collections::{BTreeMap, BTreeSet};

use merge::{Chain, FieldEdit, Flag, Reason, Record, Told, Waits};
use model::{EditId, Instant, edit::RecordKind, stamp::Stamp};
use proof::Hash;
use serde_json::{Map, Value};
use uuid::Uuid;

use crate::{
    fault::Fault,
    wire::{Action, Edit, Number, Person, Ref, Sent, Site, What, event_body},
};

/// What was found out about an edit when it first came.
#[derive(Clone, Debug, PartialEq)]
pub struct Receipt {
    pub at: Instant,
    /// The handset that sent it; 0 for the service.
    pub handset: Number,
    pub effective: Stamp,
    /// When that happened which it tells.
    pub happened: Option<merge::Happened>,
    pub chained: bool,
    pub flags: BTreeSet<Flag>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RowKind {
    Edit,
    Held(Reason),
    Released,
    Refused,
}

/// A row of the log.
#[derive(Clone, Debug)]
pub struct Row {
    pub kind: RowKind,
    pub edit: Edit,
    pub receipt: Receipt,
    /// When it was committed; no row's is before that of the row before it.
    pub recorded_at: Instant,
    pub leaf: Hash,
    /// Whether its handset can do the same to its own copy.
    pub echoes: bool,
    /// The version it brought its record to.
    pub version: u64,
    /// Whom it is told.
    pub lines: Vec<(Option<Site>, Told)>,
}

/// What follows from the log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Folds {
    pub records: BTreeMap<Ref, Folded>,
    pub facts: BTreeMap<Uuid, Fact>,
    /// Where each unit was to be seen, from when on.
    pub seen_at: BTreeMap<Uuid, Vec<(Instant, BTreeSet<Site>)>>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub struct Folded {
    pub record: Record,
    /// The edits accepted for it, in the order they came.
    pub accepted: Vec<EditId>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Fact {
    pub unit: Uuid,
    pub what: Does,
    pub author: Person,
    pub at: Instant,
    pub body: Value,
}

/// What a fact does to where its unit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Does {
    Nothing,
    Stands(Site),
    Voids(Uuid),
}

/// What a row did to the folds.
pub struct Done {
    pub lines: Vec<(Option<Site>, Told)>,
    pub predictable: bool,
    pub version: u64,
}

#[derive(Clone, Debug)]
pub struct Parked {
    pub edit: Edit,
    pub receipt: Receipt,
    pub waits: Waits<Ref, Person, (Number, Uuid)>,
}

#[derive(Clone, Debug, Default)]
pub struct HandsetState {
    pub chain: Chain,
    pub numbers: BTreeMap<u64, EditId>,
    pub revoked: Option<Instant>,
    pub emptied: Option<Instant>,
    pub persons: BTreeSet<Person>,
}

/// Everything; a backup is a copy of it.
#[derive(Clone, Debug, Default)]
pub struct Tables {
    pub log: BTreeMap<u64, Row>,
    pub folds: Folds,
    pub accepted: BTreeMap<EditId, (Hash, u64)>,
    pub held: BTreeMap<EditId, (Hash, Edit, Receipt)>,
    pub decided: BTreeMap<EditId, Hash>,
    pub refused: BTreeMap<EditId, Hash>,
    pub inbox: BTreeMap<EditId, Parked>,
    pub handsets: BTreeMap<Number, HandsetState>,
    pub grants: BTreeMap<Person, Vec<(Instant, BTreeSet<Site>)>>,
    /// The next number, where they are given before commit.
    pub next: u64,
}

impl Folds {
    /// Adds an accepted row.
    pub fn add(&mut self, edit: &Edit, receipt: &Receipt, fault: Option<Fault>) -> Done {
        let unit = edit.unit();
        let before = unit.map(|unit| (self.sites(unit), self.is_retired(unit)));
        let (predictable, version) = match &edit.action {
            Action::Create { of, fields } => self.merge(*of, edit, fields, &merge::Base::default(), receipt),
            Action::Set { of, fields, base } if fault == Some(Fault::SkipBase) => {
                let all = self.records.get(of).map(|folded| folded.record.seen()).unwrap_or_default();
                let _ = base;
                self.merge(*of, edit, fields, &all, receipt)
            }
            Action::Set { of, fields, base } => self.merge(*of, edit, fields, base, receipt),
            Action::Event { unit, what, .. } => {
                let at = receipt.happened.unwrap().at;
                let does = match what {
                    What::Reading(_) => Does::Nothing,
                    What::Placement(site) => Does::Stands(*site),
                    What::Void(event) => Does::Voids(*event),
                };
                let body = event_body(*unit, what, at);
                let fact = Fact { unit: *unit, what: does, author: edit.author, at, body };
                self.facts.insert(edit.id.uuid(), fact);
                (true, 1)
            }
        };
        let lines = match (unit, before) {
            (Some(unit), Some((before, was_retired))) => {
                let after = self.sites(unit);
                let revived = was_retired && !self.is_retired(unit) && fault != Some(Fault::RevivedIsAChange);
                let mut lines = merge::lines(&before, &after, revived);
                if fault == Some(Fault::LoseLeave) {
                    lines.retain(|(_, told)| *told != Told::Leave);
                }
                if before != after {
                    self.seen_at.entry(unit).or_default().push((receipt.at, after));
                }
                lines.into_iter().map(|(site, told)| (Some(site), told)).collect()
            }
            _ => vec![(Some(edit.of().1), Told::Change)],
        };
        Done { lines, predictable, version }
    }

    fn merge(
        &mut self,
        of: Ref,
        edit: &Edit,
        fields: &Map<String, Value>,
        base: &merge::Base,
        receipt: &Receipt,
    ) -> (bool, u64) {
        let folded = self.records.entry(of).or_default();
        let edit = FieldEdit {
            edit: edit.id,
            effective: receipt.effective,
            raw: edit.stamp,
            fields: fields.clone(),
            base: base.clone(),
            chained: receipt.chained,
        };
        let predictable = folded.record.unheld(&edit).is_empty();
        let accepted = |asked: EditId| folded.accepted.contains(&asked);
        folded.record = merge::apply(std::mem::take(&mut folded.record), &edit, accepted).record;
        folded.accepted.push(edit.edit);
        (predictable, folded.accepted.len() as u64)
    }

    /// The sites in whose scope a unit is.
    pub fn sites(&self, unit: Uuid) -> BTreeSet<Site> {
        let record = self.records.get(&(RecordKind::Unit, unit));
        let home = record.and_then(|folded| folded.record.register("home_site"));
        let home = home.and_then(|home| home.top().value.as_str().map(|text| Uuid::try_parse(text).unwrap()));
        let voided: BTreeSet<Uuid> = self
            .facts
            .values()
            .filter_map(|fact| if let Does::Voids(event) = fact.what { Some(event) } else { None })
            .collect();
        let placed = self.facts.iter().filter_map(|(id, fact)| match fact.what {
            Does::Stands(site) if fact.unit == unit && !voided.contains(id) => Some((fact.at, *id, site)),
            _ => None,
        });
        home.into_iter().chain(placed.max().map(|(_, _, site)| site)).collect()
    }

    pub fn is_retired(&self, unit: Uuid) -> bool {
        self.records.get(&(RecordKind::Unit, unit)).is_some_and(|folded| folded.record.is_retired())
    }

    /// The record as it is sent.
    pub fn sent(&self, of: Ref, fault: Option<Fault>) -> Option<Sent> {
        if of.0 == RecordKind::ServiceEvent {
            return self.facts.get(&of.1).map(|fact| Sent::Fact { unit: fact.unit, body: fact.body.clone() });
        }
        let Folded { record, accepted } = self.records.get(&of)?;
        let values =
            if fault == Some(Fault::DropTieBreak) { last_of_ties(record, accepted) } else { record.values() };
        let contested = record.contested().into_iter().map(str::to_owned).collect();
        Some(Sent::Record { record: record.clone(), version: accepted.len() as u64, values, contested })
    }

    pub fn units(&self) -> impl Iterator<Item = Uuid> {
        self.records.keys().filter(|(kind, _)| *kind == RecordKind::Unit).map(|(_, id)| *id)
    }

    pub fn events_of(&self, unit: Uuid) -> impl Iterator<Item = Ref> {
        self.facts
            .iter()
            .filter(move |(_, fact)| fact.unit == unit)
            .map(|(id, _)| (RecordKind::ServiceEvent, *id))
    }
}

/// The values that count where ties are not broken but by arrival.
fn last_of_ties(record: &Record, accepted: &[EditId]) -> Map<String, Value> {
    let arrival = |id: EditId| accepted.iter().position(|one| *one == id);
    let mut values = record.values();
    for (field, register) in record.registers().filter(|(field, _)| *field != merge::RETIRED) {
        let top = register.all().max_by_key(|held| (held.effective.clock, arrival(held.edit))).unwrap();
        if top.value.is_null() {
            values.remove(field);
        } else {
            values.insert(field.to_owned(), top.value.clone());
        }
    }
    values
}

impl Tables {
    /// The last row, by which a restore is noticed.
    pub fn head(&self) -> Option<(u64, Hash)> {
        self.log.last_key_value().map(|(seq, row)| (*seq, row.leaf))
    }

    pub fn granted(&self, person: Person) -> BTreeSet<Site> {
        self.grants
            .get(&person)
            .and_then(|all| all.last())
            .map(|(_, sites)| sites.clone())
            .unwrap_or_default()
    }

    /// Whether somebody may see any of these sites now, or could then.
    pub fn may_see(&self, person: Person, unit: Uuid, written: Instant) -> Option<bool> {
        let now = !self.granted(person).is_disjoint(&self.folds.sites(unit));
        if now {
            return Some(false);
        }
        let then = |all: &Vec<(Instant, BTreeSet<Site>)>| {
            let first = all.first().map(|(_, sites)| sites.clone());
            all.iter().rev().find(|(from, _)| *from <= written).map(|(_, sites)| sites.clone()).or(first)
        };
        let granted = self.grants.get(&person).and_then(then).unwrap_or_default();
        let stood = self.folds.seen_at.get(&unit).and_then(then).unwrap_or_default();
        (!granted.is_disjoint(&stood)).then_some(true)
    }

    /// The folds anew from the log, in its own order or another.
    pub fn rebuilt(&self, fault: Option<Fault>) -> Folds {
        let mut folds = Folds::default();
        for row in self.counting() {
            folds.add(&row.edit, &row.receipt, fault);
        }
        folds
    }

    /// The rows that count.
    pub fn counting(&self) -> impl Iterator<Item = &Row> {
        self.log.values().filter(|row| matches!(row.kind, RowKind::Edit | RowKind::Released))
    }
}
