//! Folding the units that a transaction changed, all of them with a few statements.

use std::collections::{BTreeMap, BTreeSet};

use interval::UnitState;
use model::{EventId, Hours, Instant, SiteId, UnitId, event::ServiceEvent, unit::UnitFields};

use super::super::super::Conn;
use super::super::{
    events::{self, EventRow},
    folds::{self, Changed, Items, StateRow},
    inserts, scope,
    units::{self, Context, Unit},
};
use super::{Planned, Work, Wrote};
use crate::{
    command::Warning,
    error::{Result, StoreError},
    key::Key,
};

/// A unit that the transaction writes about.
pub(super) struct Touched {
    pub(super) fields: UnitFields,
    /// The unit with all its events, once something needs them.
    pub(super) unit: Option<Unit>,
    /// The sites in whose scope it is by now; none for a new unit.
    pub(super) sites: BTreeSet<SiteId>,
    /// Events that this transaction adds and that `unit` does not have yet.
    pub(super) fresh: Vec<ServiceEvent>,
    /// Whether its fold may come out otherwise than before.
    pub(super) folds: bool,
}

impl Touched {
    /// Notes an event of this transaction; the unit must be loaded if the event may move it.
    pub(super) fn add(&mut self, event: ServiceEvent) {
        match &mut self.unit {
            Some(unit) => unit.events.push(event),
            None => self.fresh.push(event),
        }
        self.folds = true;
    }

    /// The sites in scope before and after the last row about the unit.
    pub(super) fn moved(&mut self) -> Result<(BTreeSet<SiteId>, BTreeSet<SiteId>)> {
        let after = match &self.unit {
            Some(unit) => scope::of_unit(unit)?,
            None => self.sites.clone(),
        };
        Ok((std::mem::replace(&mut self.sites, after.clone()), after))
    }
}

/// What the units come to.
#[derive(Default)]
pub(super) struct Folded {
    states: Vec<StateRow>,
    items: Vec<Items>,
    events: Vec<EventRow>,
    moved: Vec<(EventId, Instant)>,
    answers: Answers,
}

/// What an event's author is told of the fold.
#[derive(Clone, Default)]
pub(super) struct Answers {
    /// Where each new event stands in time.
    pub(super) placed: BTreeMap<EventId, Instant>,
    /// Readings that are not used.
    pub(super) set_aside: BTreeMap<EventId, Warning>,
}

impl Folded {
    pub(super) fn answers(&self) -> Answers {
        self.answers.clone()
    }

    /// Writes it all; says which items changed.
    pub(super) fn write(self, conn: &mut Conn, organization: Key) -> Result<Vec<Changed>> {
        inserts::events(conn, &self.events)?;
        for (event, at) in self.moved {
            events::move_in_time(conn, organization, event, at)?;
        }
        folds::put(conn, &self.states, self.items)
    }
}

impl Work<'_> {
    /// Folds every unit that may come out otherwise, each once; nothing is written.
    pub(super) fn fold_units(&mut self, conn: &mut Conn) -> Result<Folded> {
        let mut touched = std::mem::take(&mut self.units);
        touched.retain(|_, touched| touched.folds);
        self.load_events(conn, &mut touched)?;
        let mut context = Context { zones: std::mem::take(&mut self.zones), ..Context::default() };
        let (mut sites, mut editions) = (BTreeSet::new(), BTreeSet::new());
        for unit in touched.values().filter_map(|touched| touched.unit.as_ref()) {
            sites.extend(unit.sites()?);
            editions.extend(unit.editions());
        }
        context.load(conn, self.organization, sites, editions)?;
        let mut stored: BTreeMap<UnitId, Vec<folds::ItemRow>> = BTreeMap::new();
        let keys: Vec<Key> = touched.keys().map(|id| Key::from(*id)).collect();
        for item in folds::items_of_units(conn, self.organization, &keys)? {
            stored.entry(item.unit_id.id()).or_default().push(item);
        }
        let mut folded = Folded::default();
        let bodies = event_bodies(&self.planned);
        for (id, touched) in &touched {
            let unit =
                touched.unit.as_ref().ok_or_else(|| StoreError::corrupt("plan")(&"a unit is missing"))?;
            let state = units::refold(unit, &context)?;
            let items = Items::stored(stored.remove(id).unwrap_or_default());
            let before = self.known.state(conn, *id)?;
            folded.add(self.organization, self.command.now, before, unit, &state, items)?;
            for event in &unit.events {
                let at = state.instant_of(&event.occurred.when);
                if let Some(body) = bodies.get(&event.id) {
                    folded.answers.placed.insert(event.id, at);
                    folded.events.push(EventRow::new(self.organization, event, at, (*body).clone()));
                } else if unit.stored_at.get(&event.id).is_some_and(|stored| *stored != at) {
                    // A day begins at midnight where the unit stood, which later events and corrections may change.
                    folded.moved.push((event.id, at));
                }
            }
        }
        Ok(folded)
    }

    /// Loads all events of those units that need them and have none yet.
    fn load_events(&self, conn: &mut Conn, touched: &mut BTreeMap<UnitId, Touched>) -> Result<()> {
        let missing = touched.iter().filter(|(_, touched)| touched.unit.is_none());
        let missing = missing.map(|(id, touched)| (*id, touched.fields.clone())).collect();
        for (id, unit) in units::with_events(conn, self.organization, missing)? {
            if let Some(touched) = touched.get_mut(&id) {
                let unit = touched.unit.insert(unit);
                unit.events.append(&mut touched.fresh);
            }
        }
        Ok(())
    }
}

/// The bodies of the events that these rows add.
fn event_bodies(planned: &[Planned]) -> BTreeMap<EventId, &String> {
    let bodies = planned.iter().filter_map(|planned| match &planned.wrote {
        Wrote::Event(event) => Some((event.id, &planned.row.body)),
        _ => None,
    });
    bodies.collect()
}

impl Folded {
    fn add(
        &mut self,
        organization: Key,
        now: Instant,
        before: Option<&StateRow>,
        unit: &Unit,
        state: &UnitState,
        mut items: Items,
    ) -> Result<()> {
        // Clocks of instances differ a little; stored states must not go back in time for that.
        let mut now = now;
        if let Some(before) = before {
            // What time alone has changed is told before what this transaction changes.
            let advanced = folds::advanced(before, now)?;
            let changed_at = advanced.as_ref().map_or(before.changed_at, |(state, _)| state.changed_at);
            if let Some((state, rows)) = advanced {
                items.turn(state.changed_at, rows);
            }
            now = now.max(Instant::from_micros(changed_at));
        }
        let (row, rows) = folds::rows(organization, unit, state, now)?;
        items.turn(row.changed_at, rows);
        self.states.push(row);
        self.items.push(items);
        let warnings = state.set_aside().iter().map(|reading| (reading.event_id, warning(reading.suggested)));
        self.answers.set_aside.extend(warnings);
        Ok(())
    }
}

/// That a reading is not used.
pub(super) fn warning(suggested: Option<Hours>) -> Warning {
    Warning {
        code: "reading_set_aside",
        pointer: "/meter_hours",
        detail: "The reading does not fit the unit's other readings; it is kept, and not used until it is confirmed or others bear it out.".into(),
        suggested_meter_hours: suggested,
    }
}
