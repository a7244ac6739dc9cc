//! What has to hold in the end, whatever happened.

use std::collections::{BTreeMap, BTreeSet};

use merge::{Held, RETIRED, Version};
use model::{EditId, edit::RecordKind};
use proof::Fingerprint;
use serde_json::{Map, Value};

use crate::{
    handset::{Handset, Place},
    hub::tables::{Folds, Row, RowKind},
    wire::{Action, Ref, Sent},
    world::World,
};

type Verdict = Result<(), String>;

/// Judges a world that has become quiet.
pub fn judge(world: &mut World) -> Verdict {
    everybody_has_what_they_may_see(world)?;
    nothing_acknowledged_is_missing(world)?;
    nothing_is_there_twice(world)?;
    groups_are_whole(world)?;
    stamps_are_near(world)?;
    values_are_those_nobody_had_seen(world)?;
    folds_follow_from_the_log(world)
}

fn everybody_has_what_they_may_see(world: &World) -> Verdict {
    let tables = &world.hub.tables;
    for handset in &world.handsets {
        if tables.handsets[&handset.number()].revoked.is_some() {
            continue;
        }
        let expected = world.hub.visible(&tables.granted(handset.person));
        let found = in_use(handset);
        let of = |all: &BTreeMap<Ref, Sent>| -> Fingerprint {
            all.iter().map(|(of, sent)| sent.hash(*of)).collect()
        };
        if of(&found) != of(&expected) {
            let names = |all: &BTreeMap<Ref, Sent>, other: &BTreeMap<Ref, Sent>| {
                let differ = all.iter().filter(|(of, sent)| other.get(of) != Some(sent));
                differ.map(|(of, sent)| format!("\n  {of:?}: {sent:?}")).collect::<String>()
            };
            let (more, less) = (names(&found, &expected), names(&expected, &found));
            return Err(format!("copy {} has{more}\nand ought to have{less}", handset.copy));
        }
        for (of, sent) in &found {
            says_what_it_holds(*of, sent)?;
        }
    }
    Ok(())
}

/// What a handset has of all that is not retired.
fn in_use(handset: &Handset) -> BTreeMap<Ref, Sent> {
    let retired = |sent: &Sent| matches!(sent, Sent::Record { record, .. } if record.is_retired());
    let units: BTreeSet<_> = handset
        .known
        .iter()
        .filter(|((kind, _), sent)| *kind == RecordKind::Unit && !retired(sent))
        .map(|((_, id), _)| *id)
        .collect();
    let used = |of: &Ref, sent: &Sent| match (of.0, sent) {
        (RecordKind::Unit, _) => units.contains(&of.1),
        (_, Sent::Fact { unit, .. }) => units.contains(unit),
        _ => true,
    };
    handset.known.iter().filter(|(of, sent)| used(of, sent)).map(|(of, sent)| (*of, sent.clone())).collect()
}

/// What counts of a record, and what of it is contested, anybody can tell from its values.
fn says_what_it_holds(of: Ref, sent: &Sent) -> Verdict {
    let Sent::Record { record, values, contested, .. } = sent else { return Ok(()) };
    let highest = |held: &&Held| (held.value == true, held.effective, held.raw, held.edit);
    let mut expected = Map::new();
    for (field, register) in record.registers() {
        let top = register.all().max_by_key(|held| {
            let (retires, effective, raw, edit) = highest(held);
            (field == RETIRED && retires, effective, raw, edit)
        });
        let top = top.map_or(Value::Null, |held| held.value.clone());
        if register.all().any(|held| held.value != top) && !contested.contains(field) {
            return Err(format!("{of:?}: nobody is told that {field} is contested"));
        }
        if !top.is_null() {
            expected.insert(field.to_owned(), top);
        }
    }
    if *values != expected {
        return Err(format!("{of:?} says {values:?} where {expected:?} counts"));
    }
    Ok(())
}

fn nothing_acknowledged_is_missing(world: &World) -> Verdict {
    let tables = &world.hub.tables;
    for (edit, place) in world.places() {
        let id = &edit.id;
        let applied = tables.accepted.contains_key(id);
        let aside = tables.held.contains_key(id)
            || tables.decided.contains_key(id)
            || tables.refused.contains_key(id);
        let kept = match place {
            Place::Queued => false,
            Place::Applied(_) => applied,
            Place::Parked => applied || aside || tables.inbox.contains_key(id),
            Place::Aside => applied || aside,
        };
        if !kept {
            return Err(format!("{place:?} is missing: {edit:?}"));
        }
    }
    Ok(())
}

fn nothing_is_there_twice(world: &World) -> Verdict {
    let mut came = BTreeSet::new();
    let mut decided = BTreeSet::new();
    for row in world.hub.tables.log.values() {
        let new = match row.kind {
            RowKind::Edit | RowKind::Held(_) => came.insert(row.edit.id),
            RowKind::Released | RowKind::Refused => decided.insert(row.edit.id),
        };
        if !new {
            return Err(format!("there twice as {:?}: {:?}", row.kind, row.edit));
        }
    }
    if decided.is_subset(&came) { Ok(()) } else { Err("a decision about what never came".to_owned()) }
}

fn groups_are_whole(world: &World) -> Verdict {
    let mut applied: BTreeMap<_, usize> = BTreeMap::new();
    for row in world.hub.tables.counting() {
        if let Some(group) = row.edit.group {
            *applied.entry(group).or_default() += 1;
        }
    }
    match applied.into_iter().find(|((_, size), count)| count != size) {
        Some((group, count)) => Err(format!("{count} of group {group:?} are applied")),
        None => Ok(()),
    }
}

fn stamps_are_near(world: &World) -> Verdict {
    for row in world.hub.tables.log.values() {
        let ahead = merge::told_at(row.receipt.effective).seconds_since(row.receipt.at);
        // The desk writes above all that counts, and so may be ahead by what others are.
        if ahead > merge::AHEAD_AT_MOST_SECONDS {
            return Err(format!("{ahead} s ahead: {:?}", row.edit));
        }
    }
    Ok(())
}

fn folds_follow_from_the_log(world: &mut World) -> Verdict {
    let fault = world.hub.fault;
    let tables = &world.hub.tables;
    if tables.rebuilt(fault) != tables.folds {
        return Err("a rebuild from the log comes to something else".to_owned());
    }
    let mut rows: Vec<&Row> = tables.counting().collect();
    world.rng.shuffle(&mut rows);
    let mut folds = Folds::default();
    for row in rows {
        folds.add(&row.edit, &row.receipt, fault);
    }
    let records = |folds: &Folds| -> BTreeMap<Ref, merge::Record> {
        folds.records.iter().map(|(of, folded)| (*of, folded.record.clone())).collect()
    };
    if records(&folds) != records(&tables.folds) || folds.facts != tables.folds.facts {
        return Err("the same rows in another order come to something else".to_owned());
    }
    Ok(())
}

/// Of the values that edits gave a field those are held that nobody had truly seen who set it later.
fn values_are_those_nobody_had_seen(world: &World) -> Verdict {
    let tables = &world.hub.tables;
    for (of, folded) in &tables.folds.records {
        let rows: Vec<&Row> = tables.counting().filter(|row| row.edit.of() == *of).collect();
        for row in &rows {
            let (Action::Create { fields, .. } | Action::Set { fields, .. }) = &row.edit.action else {
                continue;
            };
            for field in fields.keys() {
                let mine = Version { raw: row.edit.stamp, edit: row.edit.id };
                let register = folded.record.register(field);
                let held = register.is_some_and(|all| all.all().any(|held| held.version() == mine));
                let seen = rows.iter().any(|by| sets(by, field) && had_seen(world, by.edit.id, field, mine));
                if !held && !seen {
                    return Err(format!(
                        "{field} of {of:?}: {mine:?} is gone, which nobody had seen{}",
                        all(&rows)
                    ));
                }
                if held && rows.iter().any(|by| names(by, field, mine)) {
                    return Err(format!(
                        "{field} of {of:?}: {mine:?} is held, which was replaced{}",
                        all(&rows)
                    ));
                }
            }
        }
    }
    Ok(())
}

fn all(rows: &[&Row]) -> String {
    rows.iter().map(|row| format!("\n  {:?} {:?}", row.edit, row.receipt)).collect()
}

fn sets(row: &Row, field: &str) -> bool {
    match &row.edit.action {
        Action::Create { fields, .. } | Action::Set { fields, .. } => fields.contains_key(field),
        Action::Event { .. } => false,
    }
}

/// Whether the author of `by` truly knew of a value.
fn had_seen(world: &World, by: EditId, field: &str, value: Version) -> bool {
    let written = &world.written[&by];
    let named = written.seen.iter().any(|(about, versions)| about == field && versions.contains(&value));
    by != value.edit && (named || written.own.contains(&value.edit))
}

/// Whether an edit that counts says itself that it replaces a value.
fn names(row: &Row, field: &str, value: Version) -> bool {
    let Action::Set { base, fields, .. } = &row.edit.action else { return false };
    row.edit.id != value.edit
        && fields.contains_key(field)
        && base.iter().any(|(about, versions)| about == field && versions.contains(&value))
}
