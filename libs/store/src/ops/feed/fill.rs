//! The first fill: what is there and not retired, without its history; and units whose events bear on others.

use model::{ScheduleId, SiteId, edit::RecordKind};

use super::super::{editions, records, told};
use super::{Reader, units};
use crate::{
    error::Result,
    key::Key,
    view::{Among, Stage},
};

/// Editions are large: so many are read at once.
const EDITIONS_AT_ONCE: usize = 4;

/// So many units are looked at, at once.
const UNITS_AT_ONCE: usize = 64;

impl Reader<'_> {
    /// Goes one step on; gives the next place, if there is one.
    pub(super) fn fill(&mut self, at: Stage) -> Result<Option<Stage>> {
        if self.has.is_nothing() {
            return Ok(None);
        }
        Ok(Some(match at {
            Stage::Sites(after) => {
                let last = self.some_of(RecordKind::Site, after.map(SiteId::uuid))?;
                last.map_or(Stage::Schedules(None), |last| Stage::Sites(Some(SiteId::from_uuid(last))))
            }
            Stage::Schedules(after) => {
                let last = self.some_of(RecordKind::Schedule, after.map(ScheduleId::uuid))?;
                last.map_or(Stage::Editions(None), |last| Stage::Schedules(Some(ScheduleId::from_uuid(last))))
            }
            Stage::Editions(after) => {
                let some = editions::after(self.conn, self.organization, after, EDITIONS_AT_ONCE)?;
                let last = some.last().filter(|_| some.len() == EDITIONS_AT_ONCE).map(|edition| edition.id);
                self.tell_all(some.iter().map(told::edition).collect::<Result<Vec<_>>>()?);
                last.map_or(Stage::Adoptions(None), |last| Stage::Editions(Some(last)))
            }
            Stage::Adoptions(after) => {
                let limit = self.room().max(1);
                let after = after.map_or(Key::NIL, Key::from);
                let some = told::adoptions_after(self.conn, self.organization, after, limit)?;
                let last = some.last().filter(|_| some.len() == limit).map(|adoption| adoption.id.id());
                self.tell_all(some);
                last.map_or(Stage::Units(None), |last| Stage::Adoptions(Some(last)))
            }
            Stage::Units(after) => {
                let after = after.map_or(Key::NIL, Key::from);
                let limit = UNITS_AT_ONCE.min(self.room().max(1));
                let some = units::after(self.conn, self.organization, &self.has, after, limit)?;
                let Some(last) = some.last().map(|unit| unit.id.id()) else { return Ok(None) };
                self.tell_units(&some, false)?.unwrap_or(Stage::Units(Some(last)))
            }
            Stage::Within(within) => {
                self.rest_of(within)?.map_or(Stage::Units(Some(within.unit)), Stage::Within)
            }
        }))
    }

    /// Tells the next records of a kind that are not retired; gives the last where more may follow.
    fn some_of(&mut self, kind: RecordKind, after: Option<uuid::Uuid>) -> Result<Option<uuid::Uuid>> {
        let limit = self.room().max(1);
        let among = match (kind, self.has.list()) {
            (RecordKind::Site, Some(sites)) => Among::Ids(sites.into_iter().map(|site| site.0).collect()),
            _ => Among::All,
        };
        let mut rows = records::stored_after(self.conn, self.organization, kind, &among, after, limit)?;
        let last = rows.last().filter(|_| rows.len() == limit).map(|(id, _)| id.0);
        rows.retain(|(_, stored)| !stored.record.is_retired());
        let told = told::records(self.conn, self.organization, kind, &rows)?;
        self.tell_all(told);
        Ok(last)
    }
}
