//! A change of the sites that somebody may see: units are compared with the sites as they were.

use std::collections::BTreeSet;

use diesel::prelude::*;
use merge::Item;
use model::edit::{RecordKind, Target};

use super::super::{records, schema::record, told};
use super::{
    Reader, Seen,
    units::{self, Placed},
};
use crate::{
    error::Result,
    key::Key,
    view::{Change, Mode, Sites, Stage},
};

/// So many units are compared at once.
const COMPARED_AT_ONCE: usize = 256;

impl Reader<'_> {
    /// Goes one step on; gives the next place, if there is one.
    pub(super) fn rescope(&mut self, at: Stage) -> Result<Option<Stage>> {
        match at {
            Stage::Units(after) => self.compared(after.map_or(Key::NIL, Key::from)).map(Some),
            Stage::Within(within) => {
                let rest = self.rest_of(within)?;
                Ok(Some(rest.map_or(Stage::Units(Some(within.unit)), Stage::Within)))
            }
            Stage::Sites(after) => self.sites_compared(after.map_or(Key::NIL, Key::from)),
            // It has no such stages.
            Stage::Schedules(_) | Stage::Editions(_) | Stage::Adoptions(_) => Ok(None),
        }
    }

    fn had(&self) -> Seen {
        Seen::named(&self.cursor.sites, &self.has)
    }

    fn compared(&mut self, after: Key) -> Result<Stage> {
        let had = self.had();
        let both = had.clone().with(self.has.clone());
        let some = units::after(self.conn, self.organization, &both, after, COMPARED_AT_ONCE)?;
        let Some(last) = some.last().map(|unit| unit.id.id()) else { return Ok(Stage::Sites(None)) };
        let mut come: Vec<Placed> = Vec::new();
        for unit in some {
            let (of_had, of_has) = (had.among(&unit.sites), self.has.among(&unit.sites));
            match merge::rescoped(unit.id, &unit.sites, &of_had, &of_has) {
                Some(Item::Unit(_)) => come.push(unit),
                // What is behind a unit that comes waits until that has been told.
                Some(Item::Forget(_)) if !come.is_empty() => break,
                Some(Item::Forget(id)) => self.forget(RecordKind::Unit, id),
                _ => {}
            }
        }
        if come.is_empty() {
            return Ok(Stage::Units(Some(last)));
        }
        let last = come.last().map(|unit| unit.id.id());
        let next = self.tell_units(&come, true)?;
        Ok(next.unwrap_or(Stage::Units(last)))
    }

    /// The sites themselves: those gained are told, those lost forgotten.
    fn sites_compared(&mut self, after: Key) -> Result<Option<Stage>> {
        let had = self.had();
        let limit = self.room().max(1);
        let ids: Vec<Key> = record::table
            .filter(record::organization.eq(self.organization))
            .filter(record::kind.eq(RecordKind::Site.as_str()))
            .filter(record::id.gt(after))
            .order(record::id)
            .limit(i64::try_from(limit).unwrap_or(i64::MAX))
            .select(record::id)
            .load(self.conn)?;
        let last = ids.last().filter(|_| ids.len() == limit).map(|last| last.id());
        let gained: BTreeSet<Target> = ids
            .iter()
            .filter(|id| self.has.has(**id) && !had.has(**id))
            .map(|id| Target::Site(id.id()))
            .collect();
        let lost: Vec<Key> = ids.iter().copied().filter(|id| had.has(*id) && !self.has.has(*id)).collect();
        for id in lost {
            self.forget(RecordKind::Site, id);
        }
        let mut rows: Vec<_> = records::some(self.conn, self.organization, &gained)?
            .into_iter()
            .map(|(target, stored)| (Key(target.uuid()), stored))
            .collect();
        rows.retain(|(_, stored)| !stored.record.is_retired());
        let told = told::records(self.conn, self.organization, RecordKind::Site, &rows)?;
        self.tell_all(told);
        Ok(last.map(|last| Stage::Sites(Some(last))))
    }

    /// All units were compared: the lines after the row at which that began follow, up to now those of the sites as they
    /// were too, since units moved meanwhile.
    pub(super) fn rescoped(&mut self, head: i64) {
        let had = std::mem::replace(&mut self.cursor.sites, Sites::of(self.pull.sites.as_ref()));
        self.cursor.next = None;
        self.cursor.also = (head < self.head).then_some((had, self.head));
        self.cursor.mode = Mode::Lines { after: head, within: None };
    }

    pub(super) fn forget(&mut self, kind: RecordKind, id: Key) {
        self.tell(Change::Forget { kind, id: id.0 });
    }
}
