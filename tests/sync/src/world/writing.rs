//! What people write, in the field and at a desk.

use std::collections::BTreeSet;

use merge::{Base, RETIRED};
use model::{EditId, edit::RecordKind, stamp::Stamp};
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::{HOUR, World, Written};
use crate::wire::{Action, Edit, Ref, Sent, Site, What};

impl World {
    pub(super) fn somebody_writes(&mut self) {
        let at = self.pick();
        if self.rng.u32(0..8) == 0 {
            return self.writes_a_group(at);
        }
        let Some((action, seen)) = self.wish(at) else { return };
        self.writes(at, action, seen, None);
    }

    /// Two people set a field of one unit in the same moment.
    pub(super) fn two_write_at_once(&mut self) {
        let at = self.pick();
        let units = self.handsets[at].units();
        let Some(unit) = self.rng.choice(&units).copied() else { return };
        let other = match self.pick() {
            // One handset alone never makes two stamps of one instant.
            same if same == at => (at + 1) % self.handsets.len(),
            other => other,
        };
        for at in [at, other] {
            self.handsets[at].skew = 0;
            let (action, seen) = self.set(at, (RecordKind::Unit, unit), "label");
            self.writes(at, action, seen, None);
        }
    }

    fn writes(&mut self, at: usize, action: Action, seen: Base, group: Option<(Uuid, usize)>) {
        let id = EditId::from_uuid(self.uuid());
        let own = self.handsets[at]
            .edits
            .values()
            .filter(|(edit, _)| edit.stamp.handset == self.handsets[at].number());
        let own = own.map(|(edit, _)| edit.id).collect();
        self.handsets[at].write(id, self.now, group, action);
        let (author, format) = (self.person(), 2);
        let strange = self.rng.u32(0..60);
        let edits = &mut self.handsets[at].edits;
        let Some((edit, _)) = edits.values_mut().find(|(edit, _)| edit.id == id) else { return };
        match strange {
            0 => edit.author = author,
            1 => edit.format = format,
            _ => {}
        }
        let edit = edit.clone();
        self.tell(|_| format!("copy {at} writes {edit:?}"));
        self.written.insert(id, Written { edit, seen, own });
    }

    fn writes_a_group(&mut self, at: usize) {
        let group = Some((self.uuid(), 2));
        let action = self.new_unit();
        let Action::Create { of, .. } = action else { return };
        self.writes(at, action, Base::default(), group);
        let what = self.placement();
        let occurred = self.handsets[at].now(self.now);
        self.writes(at, Action::Event { unit: of.1, what, occurred }, Base::default(), group);
    }

    pub(super) fn new_unit(&mut self) -> Action {
        let of = (RecordKind::Unit, self.uuid());
        let home = self.site();
        let fields = json!({"home_site": home.to_string(), "label": "new"});
        Action::Create { of, fields: fields.as_object().unwrap().clone() }
    }

    fn site(&mut self) -> Site {
        let sites = self.sites.clone();
        *self.rng.choice(&sites).unwrap()
    }

    fn placement(&mut self) -> What {
        What::Placement(self.site())
    }

    fn wish(&mut self, at: usize) -> Option<(Action, Base)> {
        let units = if self.rng.u32(0..10) == 0 { self.all_units() } else { self.handsets[at].units() };
        let unit = self.rng.choice(&units).copied();
        match (self.rng.u32(0..20), unit) {
            (0..2, _) => Some((self.new_unit(), Base::default())),
            (2..4, _) => {
                let site = (RecordKind::Site, self.site());
                Some(self.set(at, site, "label"))
            }
            (4..12, Some(unit)) => {
                let field = *self.rng.choice(&["label", "rated_kw", "home_site", RETIRED, RETIRED]).unwrap();
                Some(self.set(at, (RecordKind::Unit, unit), field))
            }
            (12..20, Some(unit)) => Some((self.event(at, unit), Base::default())),
            _ => None,
        }
    }

    fn all_units(&self) -> Vec<Uuid> {
        let of = self.written.values().map(|written| written.edit.of());
        of.filter(|(kind, _)| *kind == RecordKind::Unit).map(|(_, id)| id).collect()
    }

    fn set(&mut self, at: usize, of: Ref, field: &str) -> (Action, Base) {
        let retired = self.handsets[at].view(of).is_retired();
        let value = self.value(field, retired);
        let fields = Map::from_iter([(field.to_owned(), value)]);
        let (seen, base) = self.handsets[at].base(of, &fields);
        (Action::Set { of, fields, base }, seen)
    }

    fn value(&mut self, field: &str, retired: bool) -> Value {
        match field {
            RETIRED if retired => Value::Null,
            RETIRED => json!(true),
            "home_site" => json!(self.site().to_string()),
            _ => self.rng.choice([json!(1), json!(2), Value::Null]).unwrap(),
        }
    }

    fn event(&mut self, at: usize, unit: Uuid) -> Action {
        let of_it = |sent: &Sent| matches!(sent, Sent::Fact { unit: of, .. } if *of == unit);
        let known = self.handsets[at].known.iter().filter(|(_, sent)| of_it(sent));
        let events: Vec<Uuid> = known.map(|((_, id), _)| *id).collect();
        let voided = self.rng.choice(&events).copied();
        let what = match (self.rng.u32(0..6), voided) {
            (0, Some(event)) => What::Void(event),
            (0..3, _) => self.placement(),
            _ => What::Reading(self.rng.u32(0..1000)),
        };
        let ago = if self.rng.u32(0..8) == 0 { -HOUR } else { self.rng.i64(0..2 * HOUR) };
        let occurred = self.handsets[at].now(self.now).plus_seconds(-ago);
        Action::Event { unit, what, occurred }
    }

    /// Somebody at a desk, who has seen all that the service has.
    pub(super) fn desk_writes(&mut self) {
        let units: Vec<Uuid> = self.hub.tables.folds.units().collect();
        let Some(unit) = self.rng.choice(&units).copied() else { return };
        let of = (RecordKind::Unit, unit);
        if self.rng.bool() {
            let what = self.placement();
            return self.desk(Action::Event { unit, what, occurred: self.now }, Base::default());
        }
        let record = self.hub.tables.folds.records[&of].record.clone();
        let field = *self.rng.choice(&["label", "rated_kw", "home_site", RETIRED]).unwrap();
        let fields = Map::from_iter([(field.to_owned(), self.value(field, record.is_retired()))]);
        let base = if field == RETIRED { record.seen() } else { record.seen().only(&fields) };
        self.desk(Action::Set { of, fields, base: base.clone() }, base);
    }

    pub(super) fn desk(&mut self, action: Action, seen: Base) {
        let id = EditId::from_uuid(self.uuid());
        let record = match &action {
            Action::Set { of, .. } => self.hub.tables.folds.records.get(of),
            _ => None,
        };
        let stamp = Stamp::service(self.now, record.and_then(|folded| folded.record.highest()));
        let (number, previous, author, boot, group) = (0, None, 0, 0, None);
        let edit = Edit { id, format: 1, number, previous, stamp, author, boot, group, action };
        self.tell(|_| format!("the desk writes {edit:?}"));
        self.hub.at_desk(edit.clone(), self.now);
        self.written.insert(id, Written { edit, seen, own: BTreeSet::new() });
    }
}
