//! The lines of the feed after a row.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use merge::{Item, Line, Told as What};
use model::{
    EditId,
    edit::{RecordKind, Target},
};

use super::super::super::dialect::among;
use super::super::{
    IDS_AT_ONCE, editions,
    log::FeedRow,
    records,
    schema::{change_log, feed, handset_edit},
    scope,
    told::{self, Told},
};
use super::{
    Reader, Seen,
    units::{self, Placed},
};
use crate::{
    error::Result,
    key::Key,
    view::{Change, Mode, Sites, Stage, Within},
};

/// So many rows of the log are looked at, at once, so that nobody has to sort all that happened while a reader was away.
const ROWS_AT_ONCE: i64 = 2000;

/// A record by kind and id.
type Name = (RecordKind, Key);

/// A reader's own edits of records, each with the version that this came to and the row.
type Own = BTreeMap<Name, Vec<(EditId, i64, i64)>>;

impl Reader<'_> {
    /// Tells what the next rows say; says whether there was one, or something else to do.
    pub(super) fn lines(&mut self, after: i64) -> Result<bool> {
        let has = Sites::of(self.pull.sites.as_ref());
        if self.cursor.sites != has {
            self.cursor.next = Some(has);
        }
        if after >= self.head {
            return Ok(self.ended(after));
        }
        let until = self.head.min(after.saturating_add(ROWS_AT_ONCE));
        let mut follow = Seen::named(&self.cursor.sites, &self.has);
        if let Some((also, last)) = &self.cursor.also
            && after < *last
        {
            follow = follow.with(Seen::named(also, &self.has));
        }
        let mut rows = self.rows(after, until, &follow)?;
        let placed = self.placed(&rows)?;
        let sees = self.sees();
        let (upto, large) = self.upto(&rows, until, &placed, &sees);
        rows.retain(|row| row.seq <= upto);
        // While its sites change, a reader may not have been told what came before its own edits.
        let settled = self.cursor.next.is_none() && self.cursor.also.is_none();
        let own = if settled { self.own(&rows)? } else { Own::new() };
        let items = items(&rows, &follow, &placed, &own, &sees);
        let within = self.tell_items(items, own, large)?;
        if self.cursor.also.as_ref().is_some_and(|(_, last)| upto >= *last) {
            self.cursor.also = None;
        }
        self.cursor.mode = Mode::Lines { after: upto, within };
        Ok(true)
    }

    /// At the last row: now units are compared, if the sites change.
    fn ended(&mut self, after: i64) -> bool {
        let changes = self.cursor.next.is_some();
        if changes {
            self.cursor.mode = Mode::Rescope { at: Stage::Units(None), head: after };
        }
        changes
    }

    /// The lines of the rows after one up to another, in order.
    fn rows(&mut self, after: i64, until: i64, follow: &Seen) -> Result<Vec<FeedRow>> {
        let mut query = feed::table
            .filter(feed::organization.eq(self.organization))
            .filter(feed::seq.gt(after))
            .filter(feed::seq.le(until))
            .order((feed::seq, feed::site_id))
            .select(FeedRow::as_select())
            .into_boxed();
        if let Some(mut sites) = follow.list() {
            // What belongs to no site is told to everybody who sees anything.
            sites.extend((!self.has.is_nothing()).then_some(Key::NIL));
            query = query.filter(among(feed::site_id, sites));
        }
        Ok(query.load(self.conn)?)
    }

    fn placed(&mut self, rows: &[FeedRow]) -> Result<BTreeMap<Key, Placed>> {
        let named: BTreeSet<Key> = rows.iter().filter_map(|row| row.unit_id).collect();
        units::placed(self.conn, self.organization, &named)
    }

    /// The row up to which there is room for what the lines tell, the first at least; and whether a unit comes by that one
    /// alone of which there is more than that.
    fn upto(&self, rows: &[FeedRow], until: i64, placed: &BTreeMap<Key, Placed>, sees: &Seen) -> (i64, bool) {
        let room = self.room().max(1);
        let (mut told, mut come, mut last) = (0_usize, BTreeSet::new(), None);
        for row in rows.chunk_by(|a, b| a.seq == b.seq) {
            let Some(first) = row.first() else { continue };
            let unit = first.unit_id.and_then(|unit| placed.get(&unit)).filter(|unit| unit.is_seen(sees));
            let comes = unit.filter(|_| row.iter().any(|line| line.kind == scope::ENTER));
            let size = comes.map_or(1, |unit| if come.insert(unit.id) { unit.changes() } else { 0 });
            told = told.saturating_add(size);
            if told > room {
                return last.map_or((first.seq, size > 1), |last| (last, false));
            }
            last = Some(first.seq);
        }
        (until, false)
    }

    /// Tells items in their order; gives the place in the unit that is more than there is room for.
    fn tell_items(&mut self, items: Vec<Item<Name>>, mut own: Own, large: bool) -> Result<Option<Within>> {
        let mut within = None;
        let named = items.iter().filter_map(|item| match item {
            Item::Record(name) | Item::Unit(name) => Some(*name),
            Item::Echo(_) | Item::Forget(_) => None,
        });
        let mut told = self.told(named.collect())?;
        let whole =
            items.iter().filter_map(|item| if let Item::Unit((_, id)) = item { Some(*id) } else { None });
        let whole: Vec<Key> = whole.collect();
        let mut events: BTreeMap<Key, Vec<Told>> = BTreeMap::new();
        if !large {
            for event in told::events_of(self.conn, self.organization, &whole)? {
                events.entry(event.unit.unwrap_or_default()).or_default().push(event);
            }
        }
        for item in items {
            match item {
                Item::Record(name) => self.tell_all(told.remove(&name)),
                Item::Unit(name) => {
                    self.tell_all(told.remove(&name));
                    self.tell_all(events.remove(&name.1).unwrap_or_default());
                    if large {
                        within = Some(Within { unit: name.1.id(), after: None });
                    }
                }
                Item::Echo(name) => {
                    let edits = own.remove(&name).unwrap_or_default();
                    let edits = edits.into_iter().map(|(edit, version, _)| (edit, version)).collect();
                    self.tell(Change::Echo { kind: name.0, id: name.1.0, edits });
                }
                Item::Forget((kind, id)) => self.forget(kind, id),
            }
        }
        Ok(within)
    }

    /// Records as they are told, by name; those of kinds that nobody is told of are left out.
    fn told(&mut self, names: BTreeSet<Name>) -> Result<BTreeMap<Name, Told>> {
        let (mut events, mut targets, mut told) = (Vec::new(), BTreeSet::new(), Vec::new());
        for (kind, id) in names {
            match kind {
                RecordKind::ServiceEvent => events.push(id),
                RecordKind::Site => drop(targets.insert(Target::Site(id.id()))),
                RecordKind::Unit => drop(targets.insert(Target::Unit(id.id()))),
                RecordKind::Schedule => drop(targets.insert(Target::Schedule(id.id()))),
                RecordKind::Edition => {
                    let found = editions::find(self.conn, self.organization, id.id())?;
                    told.extend(found.as_ref().map(told::edition).transpose()?);
                }
                RecordKind::Organization
                | RecordKind::Person
                | RecordKind::Grant
                | RecordKind::Handset
                | RecordKind::MailList
                | RecordKind::Recipient
                | RecordKind::Incident
                | RecordKind::Promise => {}
            }
        }
        told.extend(told::events(self.conn, self.organization, &events)?);
        let mut stored = records::some(self.conn, self.organization, &targets)?;
        for kind in [RecordKind::Site, RecordKind::Schedule, RecordKind::Unit] {
            let of_kind: Vec<Target> =
                targets.iter().copied().filter(|target| target.kind() == kind).collect();
            let rows = of_kind.iter().filter_map(|target| Some((Key(target.uuid()), stored.remove(target)?)));
            let rows: Vec<_> = rows.collect();
            told.extend(told::records(self.conn, self.organization, kind, &rows)?);
        }
        Ok(told.into_iter().map(|told| ((told.kind, told.id), told)).collect())
    }

    /// The reader's own edits among these rows that it can do by itself.
    fn own(&mut self, rows: &[FeedRow]) -> Result<Own> {
        let mut own = Own::new();
        let (Some(handset), Some(first), Some(last)) = (self.pull.handset, rows.first(), rows.last()) else {
            return Ok(own);
        };
        let logged: Vec<(i64, Key, Option<i64>, String, Key)> = change_log::table
            .filter(change_log::organization.eq(self.organization))
            .filter(change_log::seq.between(first.seq, last.seq))
            .filter(change_log::handset.eq(Key::from(handset)))
            .order(change_log::seq)
            .select((
                change_log::seq,
                change_log::edit_id,
                change_log::handset_edit,
                change_log::record_kind,
                change_log::record_id,
            ))
            .load(self.conn)?;
        let numbers: Vec<i64> = logged.iter().filter_map(|(_, _, number, ..)| *number).collect();
        let mut versions: BTreeMap<(i64, Key), i64> = BTreeMap::new();
        for some in numbers.chunks(IDS_AT_ONCE) {
            let found: Vec<(i64, Key, Option<i64>)> = handset_edit::table
                .filter(handset_edit::organization.eq(self.organization))
                .filter(handset_edit::handset.eq(Key::from(handset)))
                .filter(among(handset_edit::number, some.to_vec()))
                .select((handset_edit::number, handset_edit::edit_id, handset_edit::version))
                .load(self.conn)?;
            let known = |(number, edit, version): (i64, Key, Option<i64>)| Some(((number, edit), version?));
            versions.extend(found.into_iter().filter_map(known));
        }
        for (seq, edit, number, kind, id) in logged {
            let version = number.and_then(|number| versions.get(&(number, edit)));
            if let (Some(version), Some(kind)) = (version, RecordKind::parse(&kind)) {
                own.entry((kind, id)).or_default().push((edit.id(), *version, seq));
            }
        }
        Ok(own)
    }
}

/// What the lines come to for a reader who follows these sites.
fn items(
    rows: &[FeedRow],
    follow: &Seen,
    placed: &BTreeMap<Key, Placed>,
    own: &Own,
    sees: &Seen,
) -> Vec<Item<Name>> {
    let unit = |id: Key| (RecordKind::Unit, id);
    let line = |row: &FeedRow| {
        let (record, told) = match row.kind.as_str() {
            scope::ENTER => (unit(row.record_id), What::Enter),
            scope::LEAVE => (unit(row.record_id), What::Leave),
            kind => ((RecordKind::parse(kind)?, row.record_id), What::Change),
        };
        let own = told == What::Change
            && own.get(&record).is_some_and(|own| own.iter().any(|(_, _, seq)| *seq == row.seq));
        let site = (row.site_id != Key::NIL).then_some(row.site_id);
        Some(Line { site, unit: row.unit_id.map(unit), record, told, own })
    };
    let lines: Vec<Line<Key, Name>> = rows.iter().filter_map(line).collect();
    let sites: BTreeSet<Key> =
        lines.iter().filter_map(|line| line.site).filter(|site| follow.has(*site)).collect();
    merge::page(&sites, &lines, |(kind, id)| match kind {
        RecordKind::Unit => placed.get(id).is_some_and(|unit| unit.is_seen(sees)),
        _ => sees.has(*id),
    })
}
