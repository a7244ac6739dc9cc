//! The machine that a unit is, and all events that bear on it: what a fold takes.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use interval::{DueItem, Input, Policy, UnitFacts, UnitState};
use model::{
    EditionId, EventId, Instant, SiteId, UnitId, Zone,
    event::{CorrectionAction, Details, ServiceEvent, UnitModel},
    schedule::Edition,
    unit::UnitFields,
};

use crate::{
    records::Records,
    remark::{Bears, Remark, Remarks},
};

/// The policy where schedules are silent, as the service has it.
pub(crate) const POLICY: &Policy = &Policy::standard();

static NO_EDITIONS: BTreeMap<EditionId, Arc<Edition>> = BTreeMap::new();

/// A unit with all that its answers rest on.
pub(crate) struct Subject<'r> {
    pub(crate) records: &'r Records,
    /// Of the units that are the machine, that which stands for it: the machine goes by its fields.
    pub(crate) machine: UnitId,
    pub(crate) fields: &'r UnitFields,
    pub(crate) home: SiteId,
    facts: UnitFacts,
    events: Cow<'r, [ServiceEvent]>,
    /// The units that corrections join with it, and those of them that are the machine.
    group: BTreeSet<UnitId>,
    pub(crate) units: BTreeSet<UnitId>,
}

impl<'r> Subject<'r> {
    /// Nothing where there is no such unit, or its home site is not known.
    pub(crate) fn of(records: &'r Records, id: UnitId) -> Option<Self> {
        Self::with(records, id, None)
    }

    /// The same with an event that is about to be written.
    pub(crate) fn with(records: &'r Records, id: UnitId, new: Option<ServiceEvent>) -> Option<Self> {
        let unit = records.units.get(&id)?;
        let fields = unit.fields.as_ref()?;
        let group = records.group(id);
        let mut events = Cow::Borrowed(unit.events.as_slice());
        if group.len() > 1 {
            let all = group.iter().filter_map(|unit| records.units.get(unit));
            events = all.flat_map(|unit| &unit.events).cloned().collect();
        }
        if let Some(new) = new {
            events.to_mut().push(new);
        }
        let facts = UnitFacts::of(fields)?;
        let (mut machine, mut head, mut units) = (id, fields, BTreeSet::from([id]));
        if group.len() > 1 {
            units = interval::machine(&input(records, id, &facts, &events));
            let here = units.iter().filter_map(|unit| Some((*unit, records.units.get(unit)?)));
            (machine, head) = here
                .filter_map(|(id, unit)| Some((id, unit.fields.as_ref()?)))
                .min_by_key(|(id, fields)| interval::stands_for(*id, fields.retired.is_some()))?;
        }
        let model = UnitModel::of(head);
        let mut adopted = model.iter().flat_map(|model| records.adoptions(model)).peekable();
        if adopted.peek().is_some() {
            events.to_mut().extend(adopted.map(|adoption| adoption.for_unit(machine)));
        }
        let facts = UnitFacts::of(head)?;
        let home = facts.home_site;
        Some(Self { records, machine, fields: head, home, facts, events, group, units })
    }

    /// What the machine is folded from; one that is retired has no items.
    pub(crate) fn input(&self) -> Input<'_> {
        let whole = input(self.records, self.machine, &self.facts, &self.events);
        if self.fields.retired.is_none() { whole } else { Input { editions: &NO_EDITIONS, ..whole } }
    }

    /// The machine's state, to be asked about any instant.
    pub(crate) fn fold(&self) -> UnitState {
        interval::refold(&self.input())
    }

    /// Where it stands, without folding the rest.
    pub(crate) fn site_at(&self, at: Instant) -> SiteId {
        interval::standing_site(&self.input(), at)
    }

    /// Whether an item may have limits that this program does not know, by its edition or by what was decided for the unit.
    pub(crate) fn has_newer_limit(&self, item: &DueItem) -> bool {
        let mut units = self.group.iter().filter_map(|unit| self.records.units.get(unit));
        let of_unit = (item.schedule_id, item.task.clone());
        self.records.newer_limits.contains(&(item.edition_id, item.task.clone()))
            || units.any(|unit| unit.newer_limits.values().any(|of| *of == of_unit))
    }

    /// The zone of a site, as the fold takes it.
    pub(crate) fn zone(&self, site: SiteId) -> Zone {
        let zones = &self.records.zones;
        zones.get(&site).or_else(|| zones.get(&self.home)).cloned().unwrap_or_else(Zone::utc)
    }

    /// Whether it may stand elsewhere than it seems: something could not be read that may have moved it, or is not here.
    pub(crate) fn may_stand_elsewhere(&self) -> bool {
        self.units.iter().any(|unit| self.records.may_stand_elsewhere(*unit))
    }

    /// What is to be remarked about all that a question about it rests on.
    pub(crate) fn remarks(&self, question: Bears) -> Remarks {
        let mut all: Vec<Remark> = self.records.remarks().cloned().collect();
        all.extend(self.group.iter().flat_map(|unit| self.records.about_unit(*unit)));
        all.extend(self.sites().into_iter().flat_map(|site| self.records.about_site(site)));
        all.extend(self.editions().into_iter().flat_map(|edition| self.records.about_edition(edition)));
        let voided = self.voided();
        for remark in all.iter_mut().filter(|remark| remark.is_taken_out(&voided)) {
            remark.bears = Bears::Nothing;
        }
        Remarks::of(all, question)
    }

    /// The events that corrections take out and none puts back.
    fn voided(&self) -> BTreeSet<String> {
        let actions = || {
            self.details().filter_map(|details| match details {
                Details::Correction(correction) => Some(&correction.action),
                _ => None,
            })
        };
        let back: BTreeSet<EventId> = actions().filter_map(reinstated).collect();
        let out = actions().filter_map(|action| match action {
            CorrectionAction::Void { target_id } => Some(*target_id),
            _ => None,
        });
        out.filter(|event| !back.contains(event)).map(|event| event.to_string()).collect()
    }

    /// Every site that the units and their events name.
    fn sites(&self) -> BTreeSet<SiteId> {
        let named = self.details().filter_map(|details| match details {
            Details::Commissioning(commissioning) => Some(commissioning.site_id),
            Details::Placement(placement) => Some(placement.site_id),
            _ => None,
        });
        named.chain([self.home]).collect()
    }

    /// Every edition that the events adopt.
    fn editions(&self) -> BTreeSet<EditionId> {
        let adopted = self.details().filter_map(|details| match details {
            Details::Adoption(adoption) => Some(adoption.edition_id),
            _ => None,
        });
        adopted.collect()
    }

    /// What the events say, that which corrections put in its place included.
    fn details(&self) -> impl Iterator<Item = &Details> {
        self.events.iter().flat_map(|event| std::iter::once(&event.details).chain(replaced(event)))
    }
}

fn reinstated(action: &CorrectionAction) -> Option<EventId> {
    if let CorrectionAction::Reinstate { target_id } = action { Some(*target_id) } else { None }
}

/// What an event puts in the place of another's content.
pub(crate) fn replaced(event: &ServiceEvent) -> Option<&Details> {
    let Details::Correction(correction) = &event.details else { return None };
    let CorrectionAction::Amend { replacement, .. } = &correction.action else { return None };
    Some(&replacement.details)
}

fn input<'a>(
    records: &'a Records,
    unit: UnitId,
    facts: &'a UnitFacts,
    events: &'a [ServiceEvent],
) -> Input<'a> {
    Input { unit, facts, events, zones: &records.zones, editions: &records.editions, policy: POLICY }
}
