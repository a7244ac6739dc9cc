//! The laws of merging, checked against the definition: of the values that edits gave a field, those that no
//! other edit of the field had seen, be it that its base names them or that its device wrote them before.

use std::collections::{BTreeMap, BTreeSet};

use model::{EditId, stamp::Stamp};
use proptest::{prelude::*, sample::Index};
use serde_json::{Map, Value, json};

use crate::{Base, FieldEdit, Held, Merged, RETIRED, Record, Register, Version, apply};

/// Ids that fall where numbers rise, so that nothing passes by mistaking one for the other.
fn id(number: usize) -> EditId {
    EditId::parse(&format!("019a0b5e-7c00-7000-8000-{:012}", 1000 - number)).unwrap()
}

fn stamp(clock: u64, handset: u32) -> Stamp {
    Stamp { clock, handset }
}

/// One replica: a record and the edits it took.
#[derive(Clone, Default)]
struct Replica {
    record: Record,
    accepted: BTreeSet<EditId>,
}

impl Replica {
    fn take(&mut self, edit: &FieldEdit) -> Vec<String> {
        let may_ask = self.record.unheld(edit);
        let accepted = |asked: EditId| {
            assert!(asked == edit.edit || may_ask.contains(&asked), "asked for {asked}");
            self.accepted.contains(&asked)
        };
        let Merged { record, contested } = apply(self.record.clone(), edit, accepted);
        self.record = record;
        self.accepted.insert(edit.edit);
        contested
    }

    fn of<'a>(edits: impl IntoIterator<Item = &'a FieldEdit>) -> Self {
        let mut replica = Self::default();
        edits.into_iter().for_each(|edit| drop(replica.take(edit)));
        replica
    }
}

/// The record that a set of edits makes, by definition.
fn by_definition(edits: &[FieldEdit]) -> Record {
    let mut record = Record::default();
    let ids: BTreeSet<EditId> = edits.iter().map(|edit| edit.edit).collect();
    for field in edits.iter().flat_map(|edit| edit.fields.keys()).collect::<BTreeSet<_>>() {
        let setting: Vec<_> = edits.iter().filter(|edit| edit.fields.contains_key(field)).collect();
        let mut seen: BTreeSet<Version> = setting.iter().flat_map(|edit| others_named(edit, field)).collect();
        let mut chains: BTreeMap<u32, u64> = BTreeMap::new();
        for edit in setting.iter().filter(|edit| edit.chained) {
            let last = chains.entry(edit.raw.handset).or_default();
            *last = edit.raw.clock.max(*last);
        }
        let held = setting.iter().map(|edit| edit.held(&edit.fields[field]));
        let overtaken = |held: &Held| held.chained && held.raw.clock < chains[&held.raw.handset];
        let held: Vec<Held> =
            held.filter(|held| !seen.contains(&held.version()) && !overtaken(held)).collect();
        for last in held.iter().filter(|held| held.chained) {
            chains.remove(&last.raw.handset);
        }
        if !chains.is_empty() {
            record.passed.insert(field.clone(), chains);
        }
        if field == RETIRED {
            let retiring = held.iter().filter(|held| held.value == true);
            let base = |id: EditId| edits.iter().find(|edit| edit.edit == id).unwrap().base.clone();
            record.retirements = retiring.map(|held| (held.edit, base(held.edit))).collect();
        }
        if let Some(register) = Register::of(field, held) {
            record.fields.insert(field.clone(), register);
        }
        seen.retain(|version| !ids.contains(&version.edit));
        if !seen.is_empty() {
            record.awaited.insert(field.clone(), seen);
        }
    }
    record
}

fn others_named(edit: &FieldEdit, field: &str) -> Vec<Version> {
    let named = edit.base.iter().filter(|(about, _)| *about == field).flat_map(|(_, versions)| versions);
    named.filter(|version| version.edit != edit.edit).copied().collect()
}

fn orders(count: usize) -> Vec<Vec<usize>> {
    let Some(last) = count.checked_sub(1) else { return vec![Vec::new()] };
    let insert = |order: Vec<usize>| {
        (0..=last).map(move |at| [&order[..at], &[last], &order[at..]].concat()).collect::<Vec<_>>()
    };
    orders(last).into_iter().flat_map(insert).collect()
}

/// Worked example S04: three technicians edit offline what all had seen, X the home site at 1000, Y the
/// rating at 1001, Z the home site at 1002. Merging whole records by time would lose Y's rating.
#[test]
fn three_offline_edits_in_every_order() {
    let edit = |number, clock, fields: Value, base: &Base| {
        let fields = fields.as_object().unwrap().clone();
        let raw = stamp(clock, 1);
        FieldEdit {
            edit: id(number),
            effective: raw,
            raw,
            base: base.clone().only(&fields),
            fields,
            chained: false,
        }
    };
    let created = edit(0, 1, json!({"home": "FS-3", "kw": 5.0, "note": ""}), &Base::default());
    let seen = Replica::of([&created]).record.seen();
    let edits = [
        edit(1, 1000, json!({"home": "SH-1"}), &seen),
        edit(2, 1001, json!({"kw": 6.0}), &seen),
        edit(3, 1002, json!({"home": "PS-2"}), &seen),
    ];
    for order in orders(3) {
        let record = Replica::of(std::iter::once(&created).chain(order.iter().map(|at| &edits[*at]))).record;
        assert_eq!(Value::from(record.values()), json!({"home": "PS-2", "kw": 6.0, "note": ""}), "{order:?}");
        assert_eq!(record.contested(), ["home"]);
        let rivals: Vec<&Value> = record.register("home").unwrap().rivals().map(|held| &held.value).collect();
        assert_eq!(rivals, ["SH-1"]);
    }
}

#[test]
fn writing_the_same_is_no_contest() {
    let write = |number, value: &str, base| FieldEdit {
        edit: id(number),
        effective: stamp(1, 0),
        raw: stamp(1, 0),
        fields: Map::from_iter([("a".to_owned(), json!(value))]),
        base,
        chained: false,
    };
    let mut replica = Replica::of([&write(1, "x", Base::default())]);
    assert!(replica.take(&write(2, "x", Base::default())).is_empty());
    assert_eq!(replica.record.register("a").unwrap().all().count(), 2);
    assert_eq!(replica.take(&write(3, "y", Base::default())), ["a"]);
    assert!(replica.take(&write(4, "y", replica.record.seen())).is_empty());
    assert_eq!(replica.record.register("a").unwrap().all().count(), 1);
}

/// Every way in which four edits of a field can have seen each other, cycles included, in every order.
#[test]
fn all_four_edit_histories_in_all_orders() {
    let orders = orders(4);
    for history in 0_u32..1 << 12 {
        let edits: Vec<FieldEdit> = (0..4).map(|number| four(number, history)).collect();
        let expected = by_definition(&edits);
        for order in &orders {
            assert_eq!(
                Replica::of(order.iter().map(|at| &edits[*at])).record,
                expected,
                "{edits:?} {order:?}"
            );
        }
    }
}

/// Edit `number` of four; three bits of `history` say which of the others it had seen.
fn four(number: usize, history: u32) -> FieldEdit {
    let raw = |number: usize| stamp(number as u64, 1);
    let others = (0..4).filter(|other| *other != number).enumerate();
    let seen = others.filter(|(bit, _)| history >> (3 * number + bit) & 1 == 1);
    let seen = seen.map(|(_, other)| Version { raw: raw(other), edit: id(other) }).collect();
    FieldEdit {
        edit: id(number),
        effective: raw(number),
        raw: raw(number),
        fields: Map::from_iter([("a".to_owned(), json!(number))]),
        base: Base::from_iter([("a".to_owned(), seen)]),
        chained: false,
    }
}

const AUTHORS: usize = 3;
const FIELDS: [&str; 3] = ["a", "b", RETIRED];
const MOST_EDITS: usize = 12;

#[derive(Clone, Debug)]
enum Step {
    /// An author sets fields (by bits) to a value.
    Write { author: usize, fields: usize, value: Option<u8>, base: Seen },
    /// An author receives an edit that is there already, out of turn or again.
    Hear { author: usize, edit: Index },
}

#[derive(Clone, Debug)]
enum Seen {
    /// What the author's replica holds.
    Replica,
    /// Nothing.
    Nothing,
    /// Whatever a forger names: edits written or to be written, with stamps that may be wrong.
    Forged(Vec<(usize, u64)>),
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let seen = prop_oneof![
        6 => Just(Seen::Replica),
        1 => Just(Seen::Nothing),
        1 => prop::collection::vec((0..MOST_EDITS, 0..4_u64), 1..4).prop_map(Seen::Forged),
    ];
    let write = (0..AUTHORS, 1..1_usize << FIELDS.len(), prop::option::weighted(0.8, 0..3_u8), seen);
    let write = write.prop_map(|(author, fields, value, base)| Step::Write { author, fields, value, base });
    let hear = (0..AUTHORS, any::<Index>()).prop_map(|(author, edit)| Step::Hear { author, edit });
    prop::collection::vec(prop_oneof![2 => write, 3 => hear], 1..24)
}

/// What an edit's device is, and what its clock says.
#[derive(Clone, Debug)]
struct Device {
    clock: u64,
    /// What the service lets count at most.
    most: u64,
    handset: u32,
    chained: bool,
}

fn clocks() -> impl Strategy<Value = Vec<Device>> {
    let device = (0..4_u64, 0..4_u64, 1..3_u32, any::<bool>());
    let device = device.prop_map(|(clock, most, handset, chained)| Device { clock, most, handset, chained });
    prop::collection::vec(device, MOST_EDITS)
}

/// Lets authors write and hear of each other; returns their edits in the order of writing.
fn play(steps: &[Step], clocks: &[Device]) -> Vec<FieldEdit> {
    let mut replicas = vec![Replica::default(); AUTHORS];
    let mut edits: Vec<FieldEdit> = Vec::new();
    for step in steps {
        match step {
            Step::Write { author, fields, value, base } if edits.len() < MOST_EDITS => {
                let Device { clock, most, handset, chained } = clocks[edits.len()];
                let names = FIELDS.iter().enumerate().filter(|(bit, _)| fields >> bit & 1 == 1);
                let fields: Map<String, Value> =
                    names.map(|(_, name)| ((*name).to_owned(), said(name, *value))).collect();
                let mut base = seen(base, &replicas[*author].record, clocks);
                if fields.get(RETIRED) != Some(&json!(true)) {
                    base = base.only(&fields);
                }
                let edit = FieldEdit {
                    edit: id(edits.len()),
                    effective: stamp(clock.min(most), handset),
                    raw: stamp(clock, handset),
                    base,
                    fields,
                    chained,
                };
                replicas[*author].take(&edit);
                edits.push(edit);
            }
            Step::Hear { author, edit } if !edits.is_empty() => {
                replicas[*author].take(&edits[edit.index(edits.len())]);
            }
            _ => {}
        }
    }
    edits
}

/// A value as its field takes it: a record is retired or not.
fn said(field: &str, value: Option<u8>) -> Value {
    if field == RETIRED { json!(value.filter(|value| *value > 0).map(|_| true)) } else { json!(value) }
}

fn seen(base: &Seen, record: &Record, clocks: &[Device]) -> Base {
    match base {
        Seen::Replica => record.seen(),
        Seen::Nothing => Base::default(),
        Seen::Forged(names) => {
            let right_or_wrong = |(number, shift): &(usize, u64)| Version {
                raw: stamp(if *shift < 3 { clocks[*number].clock } else { 99 }, clocks[*number].handset),
                edit: id(*number),
            };
            let versions: BTreeSet<Version> = names.iter().map(right_or_wrong).collect();
            FIELDS.iter().map(|field| ((*field).to_owned(), versions.clone())).collect()
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(10_000))]

    #[test]
    fn only_the_set_of_edits_counts(
        steps in steps(),
        clocks in clocks(),
        arrivals in prop::collection::vec(any::<Index>(), 0..24),
    ) {
        let edits = play(&steps, &clocks);
        let expected = by_definition(&edits);
        let early = arrivals.iter().filter(|_| !edits.is_empty()).map(|at| &edits[at.index(edits.len())]);
        let found = Replica::of(early.chain(edits.iter().rev()));
        prop_assert_eq!(&found.record, &expected);
        prop_assert_eq!(Replica::of(&edits).record, expected);

        let text = serde_json::to_string(&found.record).unwrap();
        prop_assert_eq!(serde_json::from_str::<Record>(&text).unwrap(), found.record);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn whoever_has_seen_all_settles_all(steps in steps(), clocks in clocks()) {
        let mut replica = Replica::of(&play(&steps, &clocks));
        let before = replica.record.clone();
        let settling = FieldEdit {
            edit: id(MOST_EDITS),
            effective: stamp(0, 0),
            raw: stamp(0, 0),
            fields: before.registers().map(|(field, _)| (field.to_owned(), json!("settled"))).collect(),
            base: before.seen(),
            chained: false,
        };
        prop_assume!(!settling.fields.is_empty());
        prop_assert!(replica.take(&settling).is_empty());
        prop_assert!(replica.record.contested().is_empty());
        prop_assert!(replica.record.values().values().all(|value| value == "settled"));
        prop_assert_ne!(replica.record.versions_text(), before.versions_text());
    }

    #[test]
    fn a_new_stamp_above_the_highest_wins(steps in steps(), clocks in clocks()) {
        let mut replica = Replica::of(&play(&steps, &clocks));
        let clock = replica.record.highest().map_or(0, |highest| highest.clock + 1);
        let blind = FieldEdit {
            edit: id(MOST_EDITS),
            effective: stamp(clock, 0),
            raw: stamp(clock, 0),
            fields: Map::from_iter([("a".to_owned(), json!("new"))]),
            base: Base::default(),
            chained: false,
        };
        let others = replica.record.register("a").map_or(0, |register| register.all().count());
        let contested = replica.take(&blind);
        let register = replica.record.register("a").unwrap();
        prop_assert_eq!(&register.top().value, "new");
        prop_assert_eq!(register.all().count(), others + 1);
        prop_assert_eq!(contested.len(), usize::from(others > 0 || replica.record.is_retired()));
        let ranks: Vec<_> = register.all().map(Held::rank).collect();
        prop_assert!(ranks.is_sorted_by(|a, b| a > b));
    }
}
