//! Units that corrections ever named together: an event was moved from one to the other, or they are one machine.
//!
//! An event of one may bear on what is due on all, so they lock and fold together. Which of the events count for which
//! of them the library says, by the corrections that stand; that a group only ever grows keeps it true for every instant.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{
    UnitId,
    event::{Details, ServiceEvent},
};

use super::super::{Conn, dialect::among};
use super::{IDS_AT_ONCE, inserts, schema::unit_kin};
use crate::{error::Result, key::Key};

/// A unit of a group, which goes by the lowest id in it.
pub(crate) struct KinRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) head: Key,
}

/// Groups of units, no two of which have one in common.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Groups(Vec<BTreeSet<UnitId>>);

impl Groups {
    /// Adds what an event says.
    pub(crate) fn add(&mut self, event: &ServiceEvent) {
        let other = other_unit(event).filter(|other| *other != event.unit_id);
        if let Some(other) = other {
            self.join([event.unit_id, other].into());
        }
    }

    /// Adds a group, which may take in some that are here.
    pub(crate) fn join(&mut self, mut group: BTreeSet<UnitId>) {
        self.0.retain_mut(|known| {
            let apart = known.is_disjoint(&group);
            if !apart {
                group.append(known);
            }
            apart
        });
        self.0.push(group);
    }

    /// The group of a unit, itself among them; nothing if it is alone.
    pub(crate) fn of(&self, unit: UnitId) -> Option<&BTreeSet<UnitId>> {
        self.0.iter().find(|group| group.contains(&unit))
    }

    /// Every group.
    pub(crate) fn each(&self) -> impl Iterator<Item = &BTreeSet<UnitId>> {
        self.0.iter()
    }

    /// Every unit with the unit that its group goes by.
    pub(crate) fn heads(&self) -> BTreeMap<Key, Key> {
        let of_group = |group: &BTreeSet<UnitId>| {
            let head = group.first().copied();
            group
                .iter()
                .filter_map(move |unit| Some((Key::from(*unit), Key::from(head?))))
                .collect::<Vec<_>>()
        };
        self.0.iter().flat_map(of_group).collect()
    }
}

/// The unit that an event names beside its own.
pub(crate) fn other_unit(event: &ServiceEvent) -> Option<UnitId> {
    if let Details::Correction(correction) = &event.details { correction.action.other_unit() } else { None }
}

/// The groups of these units.
pub(crate) fn of_units(conn: &mut Conn, organization: Key, units: &BTreeSet<UnitId>) -> Result<Groups> {
    let all: Vec<Key> = units.iter().map(|unit| Key::from(*unit)).collect();
    let mut heads = BTreeSet::new();
    for some in all.chunks(IDS_AT_ONCE) {
        let found: Vec<Key> = unit_kin::table
            .filter(unit_kin::organization.eq(organization))
            .filter(among(unit_kin::unit_id, some.to_vec()))
            .select(unit_kin::head)
            .load(conn)?;
        heads.extend(found);
    }
    let heads: Vec<Key> = heads.into_iter().collect();
    let mut groups: BTreeMap<Key, BTreeSet<UnitId>> = BTreeMap::new();
    for some in heads.chunks(IDS_AT_ONCE) {
        let found: Vec<(Key, Key)> = unit_kin::table
            .filter(unit_kin::organization.eq(organization))
            .filter(among(unit_kin::head, some.to_vec()))
            .select((unit_kin::head, unit_kin::unit_id))
            .load(conn)?;
        for (head, unit) in found {
            groups.entry(head).or_default().insert(unit.id());
        }
    }
    Ok(Groups(groups.into_values().collect()))
}

/// Writes groups, whose units are locked, all of them.
pub(crate) fn put(conn: &mut Conn, organization: Key, groups: &Groups) -> Result<()> {
    let row = |(unit_id, head)| KinRow { organization, unit_id, head };
    let rows: Vec<KinRow> = groups.heads().into_iter().map(row).collect();
    inserts::kin(conn, &rows)?;
    Ok(())
}

/// Every unit that is not alone with the unit that its group goes by, as stored; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<BTreeMap<Key, Key>> {
    let rows: Vec<(Key, Key)> = unit_kin::table
        .filter(unit_kin::organization.eq(organization))
        .select((unit_kin::unit_id, unit_kin::head))
        .load(conn)?;
    Ok(rows.into_iter().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unit(n: u32) -> UnitId {
        UnitId::parse(&format!("019a0b5e-7c00-7000-8000-{n:012x}")).unwrap()
    }

    #[test]
    fn groups_grow_together() {
        let mut groups = Groups::default();
        for (one, other) in [(1, 2), (5, 6), (3, 4), (2, 6), (7, 7)] {
            groups.join([unit(one), unit(other)].into());
        }
        let of = |n| groups.of(unit(n)).map(|group| group.iter().copied().collect::<Vec<_>>());
        assert_eq!(of(6), Some(vec![unit(1), unit(2), unit(5), unit(6)]));
        assert_eq!(of(3), Some(vec![unit(3), unit(4)]));
        assert_eq!(of(8), None);
        assert_eq!(groups.heads().get(&Key::from(unit(6))), Some(&Key::from(unit(1))));
    }
}
