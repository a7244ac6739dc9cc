//! Retiring a record, restoring it, and editing it meanwhile: every way in which three people can have known of each
//! other, in every order of arrival.

use std::collections::BTreeSet;

use model::{EditId, stamp::Stamp};
use serde_json::{Map, Value, json};

use crate::{Base, FieldEdit, RETIRED, Record, Version, apply};

const CREATE: usize = 0;
const EDIT: usize = 1;
const RETIRE: usize = 2;
const RESTORE: usize = 3;
const SETTLE: usize = 4;

/// Who had seen whom.
#[derive(Clone, Copy, Debug)]
struct Seen {
    retire_saw_edit: bool,
    /// Whether anybody restores the record, and had seen the retirement.
    restore_saw_retire: Option<bool>,
    /// The clocks of making, editing, retiring, restoring and settling: no order of these matters to what is retired.
    clocks: [u64; 5],
}

fn version(of: usize, seen: Seen) -> Version {
    let clock = seen.clocks[of];
    Version {
        raw: Stamp { clock, handset: u32::try_from(of).unwrap() },
        edit: EditId::parse(&format!("019a0b5e-7c00-7000-8000-{of:012}")).unwrap(),
    }
}

fn edits(seen: Seen) -> Vec<FieldEdit> {
    let write = |of: usize, fields: Value, base: &[(&str, &[usize])]| {
        let Version { raw, edit } = version(of, seen);
        let names = |of: &[usize]| of.iter().map(|of| version(*of, seen)).collect::<BTreeSet<_>>();
        let base: Base = base.iter().map(|(field, of)| ((*field).to_owned(), names(of))).collect();
        FieldEdit {
            edit,
            effective: raw,
            raw,
            fields: fields.as_object().unwrap().clone(),
            base,
            chained: false,
        }
    };
    let known_label: &[usize] = if seen.retire_saw_edit { &[EDIT] } else { &[CREATE] };
    let mut edits = vec![
        write(CREATE, json!({"label": "Pump"}), &[]),
        write(EDIT, json!({"label": "Well pump"}), &[("label", &[CREATE])]),
        write(RETIRE, json!({RETIRED: true}), &[("label", known_label)]),
    ];
    if let Some(saw) = seen.restore_saw_retire {
        let known: &[usize] = if saw { &[RETIRE] } else { &[] };
        edits.push(write(RESTORE, json!({RETIRED: null}), &[(RETIRED, known)]));
    }
    edits
}

fn after(edits: &[FieldEdit], order: &[usize]) -> (Record, Vec<String>) {
    let mut told = Vec::new();
    let mut record = Record::default();
    for at in order {
        let merged = apply(record, &edits[*at], |_| false);
        record = merged.record;
        told.extend(merged.contested);
    }
    (record, told)
}

/// Every order that begins with the record's making.
fn orders(count: usize) -> Vec<Vec<usize>> {
    let mut orders = vec![vec![CREATE]];
    for next in 1..count {
        let with = |order: &Vec<usize>| -> Vec<Vec<usize>> {
            (1..=order.len()).map(|at| [&order[..at], &[next], &order[at..]].concat()).collect()
        };
        orders = orders.iter().flat_map(with).collect();
    }
    orders
}

#[test]
fn who_had_seen_the_retirement_decides() {
    for clocks in [[0, 1, 2, 3, 0], [0, 3, 2, 1, 4], [9, 2, 3, 1, 0], [0, 1, 3, 2, 9]] {
        for retire_saw_edit in [false, true] {
            for restore_saw_retire in [None, Some(false), Some(true)] {
                judge(Seen { retire_saw_edit, restore_saw_retire, clocks });
            }
        }
    }
}

fn judge(seen: Seen) {
    let edits = edits(seen);
    let retired = seen.restore_saw_retire != Some(true);
    let mut contested = Vec::new();
    // Whoever edits a record that is retired disagrees with those who retired it, whether they knew or not.
    if retired && !seen.retire_saw_edit {
        contested.push("label");
    }
    if seen.restore_saw_retire == Some(false) {
        contested.push(RETIRED);
    }
    let mut ends = Vec::new();
    for order in orders(edits.len()) {
        let (record, told) = after(&edits, &order);
        assert_eq!(record.is_retired(), retired, "{seen:?} {order:?}");
        assert_eq!(record.contested(), contested, "{seen:?} {order:?}");
        assert_eq!(record.values()["label"], "Well pump", "{seen:?} {order:?}");
        assert!(
            contested.iter().all(|field| told.iter().any(|told| told == field)),
            "silent: {seen:?} {order:?}"
        );
        ends.push(record);
    }
    assert!(ends.windows(2).all(|pair| pair[0] == pair[1]), "{seen:?}");

    let settled = settle(&ends[0], seen, json!(true));
    assert!(settled.is_retired() && settled.contested().is_empty(), "{seen:?}");
    let settled = settle(&ends[0], seen, Value::Null);
    assert!(!settled.is_retired() && settled.contested().is_empty(), "{seen:?}");
}

/// Somebody who has seen all says what is to hold.
fn settle(record: &Record, seen: Seen, retired: Value) -> Record {
    let Version { raw, edit } = version(SETTLE, seen);
    let fields = Map::from_iter([(RETIRED.to_owned(), retired)]);
    let edit = FieldEdit { edit, effective: raw, raw, fields, base: record.seen(), chained: false };
    apply(record.clone(), &edit, |_| false).record
}
