//! Reading the feed: first fill, the log from there on, and a change of the sites that somebody may see.

use std::collections::{BTreeMap, BTreeSet};

use merge::{Item, Line, Told};
use model::edit::RecordKind;
use uuid::Uuid;

use super::Hub;
use crate::{
    fault::Fault,
    wire::{Change, Cursor, Mark, Mode, Ref, Request, Response, Sent, Site, Status},
};

type Sites = BTreeSet<Site>;

impl Hub {
    pub(super) fn pull(&self, request: &Request, response: &mut Response) {
        let revoked = self.tables.handsets[&request.handset].revoked.is_some();
        let fits = request.cursor.as_ref().is_none_or(|cursor| self.fits(cursor.mark));
        let has = self.tables.granted(request.person);
        let cursor = request.cursor.clone().unwrap_or_else(|| self.fresh(&has));
        let overtaken = cursor.next.as_ref().is_some_and(|next| *next != has)
            || cursor.sites != has && (cursor.also.is_some() || matches!(cursor.mode, Mode::Fill { .. }));
        response.status = match (fits, revoked, overtaken) {
            (false, ..) => Status::Restored,
            (true, true, _) => Status::Revoked,
            (true, false, true) => Status::ScopeChanged,
            (true, false, false) => Status::Ok,
        };
        response.cursor = match response.status {
            Status::Ok if request.pull => Some(self.page(cursor, &has, request, response)),
            Status::Ok | Status::Revoked => Some(cursor),
            // Not none: it has to know of the rows that this push has made.
            Status::ScopeChanged => Some(self.fresh(&has)),
            _ => None,
        };
        let head = self.tables.head();
        let touched = if self.fault == Some(Fault::CursorWithoutMark) {
            |cursor: &Cursor, hub: &Hub| hub.mark(cursor.position())
        } else {
            |_: &Cursor, hub: &Hub| hub.tables.head()
        };
        if let Some(cursor) = &mut response.cursor {
            cursor.mark = touched(cursor, self);
        }
        let done = |cursor: &Cursor| cursor.mode == Mode::Delta { position: head.map_or(0, |(seq, _)| seq) };
        response.more = request.pull
            && response.status == Status::Ok
            && !response.cursor.as_ref().is_some_and(|cursor| done(cursor) && cursor.sites == has);
    }

    pub(super) fn fits(&self, mark: Mark) -> bool {
        mark.is_none_or(|(seq, leaf)| self.tables.log.get(&seq).is_some_and(|row| row.leaf == leaf))
    }

    fn mark(&self, position: u64) -> Mark {
        self.tables.log.get(&position).map(|row| (position, row.leaf))
    }

    fn head(&self) -> u64 {
        self.tables.head().map_or(0, |(seq, _)| seq)
    }

    fn fresh(&self, has: &Sites) -> Cursor {
        let mode = Mode::Fill { after: None, head: self.head() };
        Cursor { sites: has.clone(), next: None, also: None, mode, mark: None }
    }

    /// The page at a cursor, and where the next one begins.
    fn page(&self, cursor: Cursor, has: &Sites, request: &Request, response: &mut Response) -> Cursor {
        match cursor.mode {
            Mode::Fill { after, head } => {
                if after.is_none() {
                    let sites = has.iter().map(|site| (RecordKind::Site, *site));
                    response.changes.extend(sites.filter_map(|site| self.is(site)));
                }
                let visible = |unit: &Uuid| !self.tables.folds.sites(*unit).is_disjoint(has);
                let live = |unit: &Uuid| !self.tables.folds.is_retired(*unit);
                let units = self.units_after(after);
                let last = units.last().copied();
                response
                    .changes
                    .extend(units.into_iter().filter(visible).filter(live).map(|unit| self.whole(unit)));
                let mode = last
                    .map_or(Mode::Delta { position: head }, |last| Mode::Fill { after: Some(last), head });
                Cursor { mode, ..cursor }
            }
            Mode::Delta { position } => self.delta(position, cursor, has, request, response),
            Mode::Rescope { after, head } => self.rescope(after, head, cursor, has, response),
        }
    }

    fn units_after(&self, after: Option<Uuid>) -> Vec<Uuid> {
        let rest = self.tables.folds.units().filter(|unit| after.is_none_or(|after| *unit > after));
        rest.take(self.page_size).collect()
    }

    fn delta(
        &self,
        position: u64,
        mut cursor: Cursor,
        has: &Sites,
        request: &Request,
        response: &mut Response,
    ) -> Cursor {
        if cursor.sites != *has {
            cursor.next = Some(has.clone());
        }
        // While its sites change, a handset may not have been sent what came before its own edits.
        let settled = cursor.next.is_none() && cursor.also.is_none();
        let rows: Vec<_> = self.tables.log.range(position + 1..).take(self.page_size).collect();
        let mut lines = Vec::new();
        let mut own: BTreeMap<Ref, Vec<_>> = BTreeMap::new();
        let mut follow = cursor.sites.clone();
        for (seq, row) in &rows {
            if let Some((also, until)) = &cursor.also
                && **seq <= *until
            {
                follow.extend(also);
            }
            let unit = row.edit.unit().map(|unit| (RecordKind::Unit, unit));
            let echoes = settled && row.echoes && row.receipt.handset == request.handset;
            for (site, told) in &row.lines {
                let record = if *told == Told::Change { row.edit.of() } else { unit.unwrap() };
                lines.push(Line { site: *site, unit, record, told: *told, own: echoes });
            }
            if echoes {
                own.entry(row.edit.of()).or_default().push((row.edit.id, row.version));
            }
        }
        // While its sites change, those count that it keeps: what it gains comes whole when units are compared.
        let counts: Sites = match cursor.next {
            Some(_) => cursor.sites.intersection(has).copied().collect(),
            None => has.clone(),
        };
        let in_scope = |of: &Ref| match of.0 {
            RecordKind::Site => counts.contains(&of.1),
            _ => !self.tables.folds.sites(of.1).is_disjoint(&counts),
        };
        for item in merge::page(&follow, &lines, in_scope) {
            response.changes.extend(match item {
                Item::Record(of) => self.is(of),
                Item::Echo(of) => own.remove(&of).map(|edits| Change::Echo(of, edits)),
                Item::Unit(unit) => Some(self.whole(unit.1)),
                Item::Forget(unit) => Some(Change::Forget(unit)),
            });
        }
        let position = rows.last().map_or(position, |(seq, _)| **seq);
        if cursor.also.as_ref().is_some_and(|(_, until)| position >= *until) {
            cursor.also = None;
        }
        cursor.mode = match &cursor.next {
            Some(_) if position == self.head() => Mode::Rescope { after: None, head: position },
            _ => Mode::Delta { position },
        };
        cursor
    }

    /// Compares units with the sites that the handset had, and goes on in the log from where it was when that began.
    /// What moves meanwhile is told by the lines of both.
    fn rescope(
        &self,
        after: Option<Uuid>,
        head: u64,
        mut cursor: Cursor,
        has: &Sites,
        response: &mut Response,
    ) -> Cursor {
        let had = cursor.sites.clone();
        let units = self.units_after(after);
        for unit in &units {
            let sites = self.tables.folds.sites(*unit);
            response.changes.extend(match merge::rescoped((RecordKind::Unit, *unit), &sites, &had, has) {
                // It may have it all the same, as it was before it left the sites that the handset had.
                Some(Item::Unit(of)) if self.tables.folds.is_retired(*unit) => Some(Change::Forget(of)),
                Some(Item::Unit(_)) => Some(self.whole(*unit)),
                Some(Item::Forget(of)) => Some(Change::Forget(of)),
                _ => None,
            });
        }
        if let Some(last) = units.last() {
            cursor.mode = Mode::Rescope { after: Some(*last), head };
            return cursor;
        }
        let site = |site: &Site| (RecordKind::Site, *site);
        response.changes.extend(has.difference(&had).filter_map(|gained| self.is(site(gained))));
        response.changes.extend(had.difference(has).map(|lost| Change::Forget(site(lost))));
        let until = self.head();
        Cursor {
            sites: has.clone(),
            next: None,
            also: (head < until).then_some((had, until)),
            mode: Mode::Delta { position: head },
            mark: None,
        }
    }

    fn is(&self, of: Ref) -> Option<Change> {
        self.sent(of).map(|sent| Change::Is(of, sent))
    }

    fn sent(&self, of: Ref) -> Option<Sent> {
        self.tables.folds.sent(of, self.fault)
    }

    fn whole(&self, unit: Uuid) -> Change {
        let events = self.tables.folds.events_of(unit);
        let events = events.filter_map(|of| self.sent(of).map(|sent| (of, sent))).collect();
        Change::Unit(unit, self.sent((RecordKind::Unit, unit)).unwrap(), events)
    }

    /// All that somebody with these sites is to have.
    pub fn visible(&self, has: &Sites) -> BTreeMap<Ref, Sent> {
        let mut visible = BTreeMap::new();
        for site in has {
            let of = (RecordKind::Site, *site);
            visible.extend(self.sent(of).map(|sent| (of, sent)));
        }
        for unit in self.tables.folds.units() {
            if !self.tables.folds.sites(unit).is_disjoint(has) && !self.tables.folds.is_retired(unit) {
                let of = (RecordKind::Unit, unit);
                visible.extend(self.sent(of).map(|sent| (of, sent)));
                let events = self.tables.folds.events_of(unit);
                visible.extend(events.filter_map(|of| self.sent(of).map(|sent| (of, sent))));
            }
        }
        visible
    }
}

impl Cursor {
    fn position(&self) -> u64 {
        match self.mode {
            Mode::Fill { head, .. } | Mode::Rescope { head, .. } => head,
            Mode::Delta { position } => position,
        }
    }
}
