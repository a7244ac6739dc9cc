//! The service, in memory: tables and the pure functions, nothing else.

mod page;
mod push;
pub mod tables;

use std::collections::BTreeSet;

use merge::{Arrival, Flag, Waits};
use model::{EditId, Instant, edit::RecordKind, stamp::Stamp};
use serde_json::json;
use tables::{Receipt, Row, RowKind, Tables};
use uuid::Uuid;

use crate::{
    fault::Fault,
    wire::{Edit, Number, Person, Request, Response, Site, Status},
};

/// A push whose transaction is open.
#[derive(Debug)]
struct Open {
    request: Request,
    /// Numbers that were taken before there are rows.
    reserved: Vec<u64>,
}

/// The service.
#[derive(Debug)]
pub struct Hub {
    pub tables: Tables,
    /// Its clock.
    now: Instant,
    open: Vec<Open>,
    pub fault: Option<Fault>,
    /// Numbers for the rows of the running transaction.
    reserved: Vec<u64>,
    /// How many units or rows a page has.
    pub page_size: usize,
}

impl Hub {
    pub fn new(page_size: usize, fault: Option<Fault>, now: Instant) -> Self {
        Self { tables: Tables::default(), now, open: Vec::new(), fault, reserved: Vec::new(), page_size }
    }

    /// A request comes in: its transaction begins.
    pub fn receive(&mut self, request: Request) {
        let mut reserved = Vec::new();
        if self.fault == Some(Fault::SequenceBeforeCommit) {
            for _ in 0..request.edits.len() {
                self.tables.next += 1;
                reserved.push(self.tables.next);
            }
        }
        self.open.push(Open { request, reserved });
    }

    pub fn open(&self) -> usize {
        self.open.len()
    }

    /// The service stops: what is not committed is gone.
    pub fn restart(&mut self) {
        self.open.clear();
    }

    /// The transaction of one of the open pushes ends, and its handset is answered; with `at_most` the service stops
    /// after so many edits, and nobody is answered.
    pub fn commit(&mut self, which: usize, now: Instant, at_most: Option<usize>) -> Option<Response> {
        let Open { request, mut reserved } = self.open.swap_remove(which);
        reserved.reverse();
        (self.reserved, self.now) = (reserved, now);
        let response = self.answer(&request, now, at_most);
        self.reserved = Vec::new();
        at_most.is_none().then_some(response)
    }

    fn answer(&mut self, request: &Request, now: Instant, at_most: Option<usize>) -> Response {
        let mut response = Response {
            nonce: request.nonce,
            copy: request.copy,
            results: Vec::new(),
            changes: Vec::new(),
            cursor: request.cursor.clone(),
            more: false,
            status: Status::Unknown,
            forked: false,
            clock: Stamp::service(now, None),
        };
        if !self.tables.handsets.contains_key(&request.handset) {
            return response;
        }
        response.results = self.push(request, now, at_most);
        let state = &self.tables.handsets[&request.handset];
        response.forked = state.chain.forked();
        response.clock = Stamp::service(now, self.highest(&request.edits));
        self.pull(request, &mut response);
        response
    }

    /// The highest stamp that counts of what was pushed: the service is ahead of all that it has taken.
    fn highest(&self, edits: &[Edit]) -> Option<Stamp> {
        let of = |edit: &Edit| self.tables.counting().find(|row| row.edit.id == edit.id);
        edits.iter().filter_map(of).map(|row| row.receipt.effective).max()
    }

    /// An edit of the service's own: somebody at a desk, who has seen everything.
    pub fn at_desk(&mut self, edit: Edit, now: Instant) {
        self.now = now;
        let happened = edit.happened().map(|at| merge::Happened { at, doubtful: false });
        let receipt = Receipt {
            at: now,
            handset: 0,
            effective: edit.stamp,
            happened,
            chained: false,
            flags: BTreeSet::new(),
        };
        self.take(&edit, &receipt, RowKind::Edit);
    }

    pub fn enrol(&mut self, number: Number) {
        self.tables.handsets.entry(number).or_default();
    }

    pub fn revoke(&mut self, number: Number, now: Instant) {
        if let Some(state) = self.tables.handsets.get_mut(&number) {
            state.revoked.get_or_insert(now);
        }
    }

    pub fn grant(&mut self, person: Person, sites: BTreeSet<Site>, now: Instant) {
        self.now = now;
        self.tables.grants.entry(person).or_default().push((now, sites));
        self.arrived(&Arrival::Grant(person));
    }

    /// A coordinator decides on a held edit, and with it on all of its group.
    pub fn decide(&mut self, id: EditId, release: bool, now: Instant) {
        self.now = now;
        let Some((_, edit, receipt)) = self.tables.held.get(&id).cloned() else { return };
        let group = |edit: &Edit, receipt: &Receipt| edit.group.map(|(group, _)| (receipt.handset, group));
        let of_it = |(_, other, of): &(_, Edit, Receipt)| {
            other.id == id || edit.group.is_some() && group(other, of) == group(&edit, &receipt)
        };
        let all: Vec<_> = self.tables.held.values().filter(|held| of_it(held)).cloned().collect();
        let needs: Vec<_> = all.iter().map(|(_, edit, _)| push::needs(edit)).collect();
        let savepoint = self.tables.clone();
        for (hash, edit, receipt) in merge::parents_first(&needs).into_iter().map(|at| &all[at]) {
            if release && !(self.missing(edit).is_empty() && self.may_be(edit)) {
                self.tables = savepoint;
                return;
            }
            let receipt = Receipt { at: now, ..receipt.clone() };
            self.tables.held.remove(&edit.id);
            self.tables.decided.insert(edit.id, *hash);
            self.take(edit, &receipt, if release { RowKind::Released } else { RowKind::Refused });
        }
    }

    /// What has waited too long is held.
    pub fn sweep(&mut self, now: Instant) {
        self.now = now;
        let late: Vec<_> = self
            .tables
            .inbox
            .iter()
            .filter_map(|(id, parked)| {
                merge::waited_too_long(&parked.waits, parked.receipt.at, now).map(|reason| (*id, reason))
            })
            .collect();
        for (id, reason) in late {
            let Some(parked) = self.tables.inbox.remove(&id) else { continue };
            self.hold(&parked.edit, &parked.receipt, reason);
            // The others of its group share its fate.
            let group = parked.edit.group.map(|(group, _)| (parked.receipt.handset, group));
            for id in group.map(|group| self.members(group)).unwrap_or_default() {
                if let Some(parked) = self.tables.inbox.remove(&id) {
                    self.hold(&parked.edit, &parked.receipt, reason);
                }
            }
        }
    }
}

impl Edit {
    /// When that happened which it tells.
    pub fn happened(&self) -> Option<Instant> {
        match self.action {
            crate::wire::Action::Event { occurred, .. } => Some(occurred),
            _ => None,
        }
    }
}
