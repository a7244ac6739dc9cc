//! Units that fold together: all of a group are locked, loaded and folded when one of them is.

use std::collections::{BTreeMap, BTreeSet};

use model::{UnitId, edit::RecordKind};

use super::super::super::Conn;
use super::super::{kin, units::Unit};
use super::{Work, Wrote, fold::Touched};
use crate::{error::Result, key::Key, locks::lock_of};

impl Work<'_> {
    /// Takes in the kin of every unit that folds, with those that this transaction makes kin.
    pub(super) fn touch_kin(&mut self, conn: &mut Conn) -> Result<()> {
        let mut new = kin::Groups::default();
        for planned in &self.planned {
            if let Wrote::Event(event) = &planned.wrote {
                new.add(event);
            }
        }
        let folding = self.units.iter().filter(|(_, touched)| touched.folds).map(|(id, _)| *id);
        let mut asked: BTreeSet<UnitId> = folding.collect();
        asked.extend(new.heads().into_keys().map(Key::id));
        let stored = kin::of_units(conn, self.organization, &asked)?;
        let mut all = stored.clone();
        new.each().for_each(|group| all.join(group.clone()));
        for group in all.each() {
            for unit in group {
                self.touch_one(conn, *unit)?;
            }
            if new.each().any(|made| made.is_subset(group)) {
                self.grown.join(group.clone());
            }
        }
        self.together = all;
        Ok(())
    }

    fn touch_one(&mut self, conn: &mut Conn, unit: UnitId) -> Result<()> {
        let lock = lock_of(RecordKind::Unit, Key::from(unit));
        if !self.locks.contains(&lock) && !self.command.dry_run {
            self.more.insert(lock);
        } else if let Some(fields) = self.known.unit_fields(conn, unit)? {
            self.touch(conn, unit, &fields, true)?.folds = true;
        }
        Ok(())
    }

    /// Gives each loaded unit the others of its group.
    pub(super) fn give_kin(&self, touched: &mut BTreeMap<UnitId, Touched>) {
        for group in self.together.each() {
            let of_group = |id: &UnitId| touched.get(id).and_then(|touched| touched.unit.clone());
            let members: Vec<Unit> = group.iter().filter_map(of_group).collect();
            for unit in touched.values_mut().filter_map(|touched| touched.unit.as_mut()) {
                if group.contains(&unit.id) {
                    unit.kin = members.iter().filter(|member| member.id != unit.id).cloned().collect();
                }
            }
        }
    }
}
