//! Taking edits: repeats, the counter, groups, parking, the gate, and the log.

use super::*;
use std::collections::BTreeMap as Map;

use merge::{Admitted, Alone, Chain, Counted, Facts, Needs, Offset, Reason, Refused, Together, Wish};
use model::time::TimeSource;

use super::tables::{Done, Parked};
use crate::wire::{Action, Outcome, Ref, What};

type Group = (Number, Uuid);
type Wait = Waits<Ref, Person, Group>;

impl Hub {
    pub(super) fn push(
        &mut self,
        request: &Request,
        now: Instant,
        at_most: Option<usize>,
    ) -> Vec<(EditId, Outcome)> {
        let state = self.tables.handsets.get_mut(&request.handset).unwrap();
        state.persons.insert(request.person);
        let offset = Offset::measured(request.clock, now, request.boot);
        let edits = &request.edits[..request.edits.len().min(at_most.unwrap_or(usize::MAX))];
        // Counted in the order of their numbers, whatever has to be judged first.
        let new: Vec<_> = edits
            .iter()
            .map(|edit| self.is_new(edit).then(|| self.receipt(edit, request, offset, now)))
            .collect();
        for at in merge::parents_first(&edits.iter().map(needs).collect::<Vec<_>>()) {
            if let Some(receipt) = &new[at] {
                self.judge(&edits[at], request, receipt);
            }
        }
        let state = self.tables.handsets.get_mut(&request.handset).unwrap();
        if request.waiting == request.edits.len() {
            state.emptied = Some(now);
        }
        request.edits.iter().map(|edit| (edit.id, self.outcome(edit))).collect()
    }

    /// What became of an edit.
    fn outcome(&self, edit: &Edit) -> Outcome {
        let tables = &self.tables;
        if let Some((_, version)) = tables.accepted.get(&edit.id) {
            Outcome::Applied(*version)
        } else if tables.inbox.contains_key(&edit.id) {
            Outcome::Parked
        } else if tables.held.contains_key(&edit.id) {
            Outcome::Held
        } else {
            Outcome::Refused
        }
    }

    /// Whether it did not come before; what comes under the id of another is not taken either.
    fn is_new(&self, edit: &Edit) -> bool {
        let hash = edit.hash();
        let tables = &self.tables;
        let earlier = tables
            .accepted
            .get(&edit.id)
            .map(|(hash, _)| *hash)
            .or_else(|| tables.held.get(&edit.id).map(|(hash, ..)| *hash))
            .or_else(|| tables.decided.get(&edit.id).copied())
            .or_else(|| tables.inbox.get(&edit.id).map(|parked| parked.edit.hash()))
            .or_else(|| tables.refused.get(&edit.id).copied());
        // Whether what it writes is there is asked when it is tried.
        match merge::admit(earlier.as_ref(), &hash, Wish::Add, false) {
            Ok(Admitted::New) => true,
            Ok(Admitted::Repeat) => self.fault == Some(Fault::SkipRepeat),
            Err(_) => false,
        }
    }

    fn judge(&mut self, edit: &Edit, request: &Request, receipt: &Receipt) {
        if edit.stamp.handset != request.handset {
            self.tables.refused.insert(edit.id, edit.hash());
            return;
        }
        if edit.format > model::edit::FORMAT.unsigned_abs() {
            self.park(edit, receipt, Waits::Format(edit.format));
            return;
        }
        match edit.group {
            Some((group, _)) => {
                let group = (request.handset, group);
                self.park(edit, receipt, Waits::Group(group));
                self.arrived(&Arrival::Member(group));
            }
            None => self.try_one(edit, receipt),
        }
    }

    /// All that is found out when an edit first comes.
    fn receipt(&mut self, edit: &Edit, request: &Request, offset: Offset, now: Instant) -> Receipt {
        let fits = request.cursor.as_ref().is_none_or(|cursor| self.fits(cursor.mark));
        let state = self.tables.handsets.get_mut(&request.handset).unwrap();
        let earlier = state.numbers.get(&edit.number).copied();
        let chain: &mut Chain = &mut state.chain;
        let counted = match chain.count(edit.number, edit.id, edit.previous, earlier) {
            Counted::Fresh { .. } | Counted::Forked if self.fault == Some(Fault::TakeCopiesForOne) => true,
            // Who has not heard of a restore does not know which of its edits are lost.
            Counted::Fresh { chained } => chained && fits,
            Counted::Repeat | Counted::Forked => false,
        };
        state.numbers.entry(edit.number).or_insert(edit.id);
        let forked = state.chain.forked();
        let effective = match self.fault {
            Some(Fault::CutNoStamp) => edit.stamp,
            _ => merge::effective(edit.stamp, now),
        };
        let happened =
            edit.happened().map(|raw| merge::happened(raw, TimeSource::Clock, edit.boot, Some(offset)));
        let mut receipt = Receipt {
            at: now,
            handset: request.handset,
            effective,
            happened,
            chained: counted,
            flags: BTreeSet::new(),
        };
        receipt.flags = merge::gate(&self.facts(edit, &receipt)).flags;
        if forked {
            receipt.flags.insert(Flag::Forked);
        }
        receipt
    }

    fn facts(&self, edit: &Edit, receipt: &Receipt) -> Facts {
        let state = &self.tables.handsets[&receipt.handset];
        let corrects_others = match &edit.action {
            Action::Event { what: What::Void(event), .. } => {
                self.tables.folds.facts.get(event).is_some_and(|fact| fact.author != edit.author)
            }
            _ => false,
        };
        Facts {
            now: receipt.at,
            raw: edit.stamp,
            effective: receipt.effective,
            happened: receipt.happened,
            revoked: state.revoked,
            emptied: state.emptied,
            author_known: state.persons.contains(&edit.author),
            corrects_others,
        }
    }

    fn try_one(&mut self, edit: &Edit, receipt: &Receipt) {
        match self.alone(edit, receipt) {
            Alone::Applied => {}
            Alone::Parked(waits) => self.park(edit, receipt, waits),
            Alone::Held(reason) => self.hold(edit, receipt, reason),
            Alone::Refused => {
                self.tables.refused.insert(edit.id, edit.hash());
            }
        }
    }

    /// What becomes of an edit for itself; if it is applied, it is.
    fn alone(&mut self, edit: &Edit, receipt: &Receipt) -> Alone<Wait> {
        // Of a revoked handset all is held, whether what it is about is there or not.
        let held = merge::gate(&self.facts(edit, receipt)).held;
        if held == Some(Reason::HandsetRevoked) {
            return Alone::Held(Reason::HandsetRevoked);
        }
        let (missing, late) = self.out_of_sight(edit);
        if !missing.is_empty() {
            return Alone::Parked(Waits::Parents { missing, author: edit.author });
        }
        if let Some(reason) = held {
            return Alone::Held(reason);
        }
        if !self.may_be(edit) {
            return Alone::Refused;
        }
        let mut receipt = receipt.clone();
        if late {
            receipt.flags.insert(Flag::LateScope);
        }
        self.take(edit, &receipt, RowKind::Edit);
        Alone::Applied
    }

    /// Whether what it would make is not there yet, and what it would set is.
    pub(super) fn may_be(&self, edit: &Edit) -> bool {
        let there = self.tables.folds.records.contains_key(&edit.of());
        let wish = if matches!(edit.action, Action::Set { .. }) { Wish::Set } else { Wish::Add };
        let earlier = self.tables.accepted.get(&edit.id).map(|(hash, _)| hash);
        match merge::admit(earlier, &edit.hash(), wish, there) {
            Ok(_) => true,
            Err(Refused::Exists | Refused::Absent | Refused::OtherContent) => false,
        }
    }

    /// The records it needs that are not there.
    pub(super) fn missing(&self, edit: &Edit) -> BTreeSet<Ref> {
        let folds = &self.tables.folds;
        let there = |of: &Ref| match of.0 {
            RecordKind::ServiceEvent => folds.facts.contains_key(&of.1),
            _ => folds.records.contains_key(of),
        };
        needs(edit).needs.into_iter().filter(|of| !there(of)).collect()
    }

    /// The records it needs that its author does not see, and whether one is seen no longer.
    fn out_of_sight(&self, edit: &Edit) -> (BTreeSet<Ref>, bool) {
        let mut missing = self.missing(edit);
        let mut late = false;
        for of in needs(edit).needs {
            let seen = match of.0 {
                RecordKind::Site => self.tables.granted(edit.author).contains(&of.1).then_some(false),
                RecordKind::Unit => self.tables.may_see(edit.author, of.1, merge::told_at(edit.stamp)),
                _ => Some(false),
            };
            match seen {
                None => drop(missing.insert(of)),
                Some(late_scope) => late |= late_scope,
            }
        }
        (missing, late)
    }

    fn park(&mut self, edit: &Edit, receipt: &Receipt, waits: Wait) {
        let parked = Parked { edit: edit.clone(), receipt: receipt.clone(), waits };
        self.tables.inbox.insert(edit.id, parked);
    }

    pub(super) fn hold(&mut self, edit: &Edit, receipt: &Receipt, reason: Reason) {
        self.take(edit, receipt, RowKind::Held(reason));
        self.tables.held.insert(edit.id, (edit.hash(), edit.clone(), receipt.clone()));
    }

    /// Writes a row of the log and folds it.
    pub(super) fn take(&mut self, edit: &Edit, receipt: &Receipt, kind: RowKind) {
        let unit_was = edit.unit().map(|unit| self.tables.folds.sites(unit));
        let counts = matches!(kind, RowKind::Edit | RowKind::Released);
        let done = if counts {
            self.tables.folds.add(edit, receipt, self.fault)
        } else {
            Done { lines: Vec::new(), predictable: false, version: 0 }
        };
        let as_written = receipt.effective == edit.stamp && receipt.happened.map(|h| h.at) == edit.happened();
        let tables = &mut self.tables;
        let seq = match self.reserved.pop() {
            Some(seq) => seq,
            None if self.fault == Some(Fault::SequenceBeforeCommit) => {
                tables.next += 1;
                tables.next
            }
            None => tables.log.last_key_value().map_or(1, |(seq, _)| seq + 1),
        };
        // Of an edit that was parked it is not the time when it came: a row that is made again is another row.
        let last = tables.log.values().next_back().map(|row| row.recorded_at);
        let recorded_at = last.map_or(self.now, |last| last.max(self.now));
        let leaf = json!([seq, recorded_at.micros(), edit.id.to_string(), edit.hash(), format!("{kind:?}")]);
        let row = Row {
            kind,
            edit: edit.clone(),
            receipt: receipt.clone(),
            recorded_at,
            leaf: proof::leaf_hash(&leaf).unwrap(),
            echoes: as_written && receipt.chained && done.predictable,
            version: done.version,
            lines: done.lines,
        };
        tables.log.insert(seq, row);
        if counts {
            tables.accepted.insert(edit.id, (edit.hash(), done.version));
            self.arrived(&Arrival::Record(edit.of()));
            if let Some(unit) = edit.unit().filter(|unit| unit_was != Some(self.tables.folds.sites(*unit))) {
                self.arrived(&Arrival::Record((RecordKind::Unit, unit)));
            }
        }
    }

    /// Something came: those are tried again that may have waited for it.
    pub(super) fn arrived(&mut self, arrival: &Arrival<Ref, Person, Group>) {
        let tables = &self.tables;
        let tried = tables.inbox.iter().filter(|(_, parked)| parked.waits.tried_at(arrival));
        for id in tried.map(|(id, _)| *id).collect::<Vec<_>>() {
            let Some(parked) = self.tables.inbox.get(&id).cloned() else { continue };
            match parked.edit.group {
                Some((group, size)) => self.try_group((parked.receipt.handset, group), size),
                None => {
                    self.tables.inbox.remove(&id);
                    self.try_one(&parked.edit, &parked.receipt);
                }
            }
        }
    }

    pub(super) fn members(&self, group: Group) -> Vec<EditId> {
        let of_it =
            |parked: &Parked| parked.edit.group.map(|(g, _)| (parked.receipt.handset, g)) == Some(group);
        self.tables.inbox.iter().filter(|(_, parked)| of_it(parked)).map(|(id, _)| *id).collect()
    }

    /// Tries the edits of a group that are there, in a savepoint.
    fn try_group(&mut self, group: Group, size: usize) {
        let ids = self.members(group);
        let members: Vec<Parked> = ids.iter().filter_map(|id| self.tables.inbox.get(id).cloned()).collect();
        let savepoint = self.tables.clone();
        ids.iter().for_each(|id| drop(self.tables.inbox.remove(id)));
        let order =
            merge::parents_first(&members.iter().map(|parked| needs(&parked.edit)).collect::<Vec<_>>());
        let mut alone = Map::new();
        for parked in order.into_iter().map(|at| &members[at]) {
            alone.insert(parked.edit.id, self.alone(&parked.edit, &parked.receipt));
        }
        let together = merge::together(size, &alone);
        if together == Together::Applied {
            return;
        }
        self.tables = savepoint;
        for parked in members {
            let id = parked.edit.id;
            self.tables.inbox.remove(&id);
            match &together {
                Together::Held(reason) => self.hold(&parked.edit, &parked.receipt, *reason),
                Together::Refused(_) => drop(self.tables.refused.insert(id, parked.edit.hash())),
                Together::Parked(waits) => {
                    let waits = waits.get(&id).cloned().unwrap_or(Waits::Group(group));
                    self.park(&parked.edit, &parked.receipt, waits);
                }
                _ => self.park(&parked.edit, &parked.receipt, Waits::Group(group)),
            }
        }
    }
}

/// What an edit makes, and what has to be there before it.
pub(super) fn needs(edit: &Edit) -> Needs<Ref> {
    let mut needs = BTreeSet::new();
    let site = |id: Uuid| (RecordKind::Site, id);
    match &edit.action {
        Action::Create { fields, .. } => {
            let home = fields.get("home_site").and_then(|home| home.as_str());
            needs.extend(home.map(|home| site(Uuid::try_parse(home).unwrap())));
        }
        Action::Set { of, .. } => needs.extend([*of]),
        Action::Event { unit, what, .. } => {
            needs.insert((RecordKind::Unit, *unit));
            if let What::Void(event) = what {
                needs.insert((RecordKind::ServiceEvent, *event));
            }
        }
    }
    let makes = (!matches!(edit.action, Action::Set { .. })).then(|| edit.of());
    Needs { makes, needs }
}
