//! Folding the units that a transaction changed, all of them with a few statements.

use std::{
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use model::{
    EventId, Instant, SiteId, UnitId,
    event::{Details, ServiceEvent},
    unit::UnitFields,
};

use super::super::super::Conn;
use super::super::{
    contexts::{self, ContextId, Versions},
    events,
    folds::{self, Changed, Fold, Items, StateRow},
    quality::{self, QualityRow},
    readiness, scope,
    units::{self, Context, Unit},
};
use super::{Planned, Work, Wrote};
use crate::{
    command::Warning,
    error::{Result, StoreError},
    key::Key,
    view::ItemChange,
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
    moved: Vec<(EventId, Instant)>,
    /// What was to be put right of the units, and what is.
    quality: (Vec<QualityRow>, Vec<QualityRow>),
    with: Vec<contexts::Folded>,
    /// Units whose fields are set though nothing that is due follows from them.
    unfolded: Vec<Key>,
    answers: Answers,
}

/// What an event's author is told of the fold.
#[derive(Clone, Default)]
pub(super) struct Answers {
    /// Where each new event stands in time.
    pub(super) placed: BTreeMap<EventId, Instant>,
    /// What is doubtful about events.
    pub(super) doubts: BTreeMap<EventId, Vec<Warning>>,
    /// Due items that become other than they were.
    pub(super) changes: Vec<ItemChange>,
}

impl Answers {
    /// Notes what is doubtful about an event, once though each unit of a machine comes to it.
    fn doubt(&mut self, event: EventId, warning: Warning) {
        let known = self.doubts.entry(event).or_default();
        if !known.contains(&warning) {
            known.push(warning);
        }
    }
}

impl Folded {
    /// Stored events that it puts elsewhere in time.
    pub(super) fn moved(&self) -> &[(EventId, Instant)] {
        &self.moved
    }

    /// What the authors of the events are told.
    pub(super) fn answers(&self) -> &Answers {
        &self.answers
    }

    /// Writes it all; says which items changed, and with which versions of their contexts the units were folded.
    pub(super) fn write(
        self,
        conn: &mut Conn,
        organization: Key,
    ) -> Result<(Vec<Changed>, Vec<contexts::Folded>)> {
        for (event, at) in self.moved {
            events::move_in_time(conn, organization, event, at)?;
        }
        contexts::keep(conn, organization, &self.with)?;
        quality::put(conn, self.quality.0, self.quality.1)?;
        readiness::units_wait(conn, organization, &self.unfolded)?;
        Ok((folds::put(conn, &self.states, self.items)?, self.with))
    }
}

impl Work<'_> {
    /// Folds every unit that may come out otherwise, each once; nothing is written.
    pub(super) fn fold_units(&mut self, conn: &mut Conn) -> Result<Folded> {
        let mut touched = std::mem::take(&mut self.units);
        let unfolded = touched.iter().filter(|(_, touched)| !touched.folds);
        let unfolded = unfolded.map(|(id, _)| Key::from(*id)).collect();
        touched.retain(|_, touched| touched.folds);
        let keys: Vec<Key> = touched.keys().map(|id| Key::from(*id)).collect();
        let mut with = contexts::of_units(conn, self.organization, &keys)?;
        let mut context = self.brought();
        let poor = quality::of_units(conn, self.organization, &keys)?;
        let mut applied = self.apply(conn, &touched, &with, &poor, &mut context)?;
        self.load_events(conn, &mut touched, &applied)?;
        self.give_kin(&mut touched);
        let units: Vec<&Unit> = touched.values().filter_map(|touched| touched.unit.as_ref()).collect();
        context.load(conn, self.organization, &units)?;
        let mut folded = Folded { quality: (poor, Vec::new()), unfolded, ..Folded::default() };
        let new = new_events(&self.planned);
        for (id, touched) in &touched {
            let key = Key::from(*id);
            let before = with.remove(&key).unwrap_or_default();
            let (fold, events, now) = match (applied.remove(id), &touched.unit) {
                (Some(fold), _) => (fold, &touched.fresh, before.clone()),
                (None, Some(unit)) => {
                    let fold = units::fold(unit, &context)?;
                    folded.moved.extend(unit.moved(&fold.folded.state));
                    folded.doubt(unit, &context, |id| new.contains(id))?;
                    (fold, &unit.events, context.versions_of(unit)?)
                }
                (None, None) => return Err(StoreError::corrupt("plan")(&"a unit is missing")),
            };
            for event in events.iter().filter(|event| new.contains(&event.id)) {
                let at = fold.folded.state.instant_of(&event.occurred.when);
                folded.answers.placed.insert(event.id, at);
            }
            let state = self.known.state(conn, *id)?;
            let stored = state.map(|state| folds::items_in(conn, state)).transpose()?;
            let items = Items::stored(stored.unwrap_or_default());
            folded.add(self.organization, self.command.now, state, &fold, items)?;
            folded.with.push(contexts::Folded { unit: key, before, now });
        }
        Ok(folded)
    }

    /// Folds the new events of those units for which they are enough: nothing else of them has changed, and what was
    /// kept of the earlier ones can take them.
    fn apply(
        &mut self,
        conn: &mut Conn,
        touched: &BTreeMap<UnitId, Touched>,
        with: &BTreeMap<Key, Versions>,
        poor: &[QualityRow],
        context: &mut Context,
    ) -> Result<BTreeMap<UnitId, Fold>> {
        let named: BTreeSet<ContextId> = with.values().flat_map(BTreeMap::keys).copied().collect();
        context.load_versions(conn, self.organization, named)?;
        let (mut sites, mut editions) = (BTreeSet::new(), BTreeSet::new());
        let mut kept = Vec::new();
        let whole = quality::told_by_all_events(poor);
        let few = |(id, touched): &(&UnitId, &Touched)| touched.unit.is_none() && !whole.contains(id);
        for (id, touched) in touched.iter().filter(few) {
            let Some(state) = self.known.state(conn, *id)? else { continue };
            let is_current = |(id, version): (&ContextId, &i64)| context.versions.get(id) == Some(version);
            let known = with.get(&state.unit_id).is_some_and(|versions| versions.iter().all(is_current));
            if !known || state.folded_with != folds::folded_with() {
                continue;
            }
            let Some(compact) = folds::kept(state) else { continue };
            sites.extend(compact.sites());
            editions.extend(compact.editions());
            kept.push((*id, touched, compact));
        }
        context.load_named(conn, self.organization, sites, editions)?;
        let mut applied = BTreeMap::new();
        for (id, touched, compact) in kept {
            let Some(state) = self.known.state(conn, id)? else { continue };
            let fold = units::apply(state, &compact, &touched.fields, &touched.fresh, context)?;
            applied.extend(fold.map(|fold| (id, fold)));
        }
        Ok(applied)
    }

    /// What this transaction itself brings of what units are folded with.
    fn brought(&mut self) -> Context {
        let mut brought = Context {
            zones: std::mem::take(&mut self.zones),
            changes: self.changes.clone(),
            ..Context::default()
        };
        for planned in &self.planned {
            match &planned.wrote {
                Wrote::ModelAdoption(adoption) => {
                    brought.adoptions.entry(adoption.of.clone()).or_default().push((**adoption).clone());
                }
                Wrote::Edition(view) => {
                    drop(brought.editions.insert(view.id, Arc::new(view.edition.clone())));
                }
                Wrote::Record(..) | Wrote::Event(_) | Wrote::Held(_) | Wrote::Refusal => {}
            }
        }
        brought
    }

    /// Loads all events of those units that need them and have none yet.
    fn load_events(
        &self,
        conn: &mut Conn,
        touched: &mut BTreeMap<UnitId, Touched>,
        applied: &BTreeMap<UnitId, Fold>,
    ) -> Result<()> {
        let missing =
            touched.iter().filter(|(id, touched)| touched.unit.is_none() && !applied.contains_key(id));
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

/// The events that these rows add.
fn new_events(planned: &[Planned]) -> BTreeSet<EventId> {
    let events = planned.iter().filter_map(|planned| match &planned.wrote {
        Wrote::Event(event) => Some(event.id),
        _ => None,
    });
    events.collect()
}

/// Whether an event of this kind may say against others in another way than by its reading.
pub(super) fn bears_on_others(details: &Details) -> bool {
    matches!(
        details,
        Details::Storage(_)
            | Details::Component(_)
            | Details::Run(_)
            | Details::Commissioning(_)
            | Details::Placement(_)
            | Details::Adoption(_)
    )
}

impl Folded {
    fn add(
        &mut self,
        organization: Key,
        now: Instant,
        before: Option<&StateRow>,
        fold: &Fold,
        mut items: Items,
    ) -> Result<()> {
        // Clocks of instances differ a little; stored states must not go back in time for that.
        let mut now = now;
        if let Some(before) = before {
            // What time alone has changed is told before what this transaction changes.
            let advanced = folds::advanced(before, now, &mut items)?;
            let changed_at = advanced.map_or(before.changed_at, |state| state.changed_at);
            now = now.max(Instant::from_micros(changed_at));
        }
        let (row, rows) = folds::rows(organization, fold, now)?;
        items.turn(row.changed_at, rows);
        self.answers.changes.extend(items.changes()?);
        self.quality.1.extend(quality::rows(organization, fold)?);
        self.states.push(row);
        self.items.push(items);
        let set_aside = fold.folded.state.set_aside().iter();
        for reading in set_aside {
            self.answers.doubt(reading.event_id, Warning::of_reading(reading));
        }
        Ok(())
    }

    /// Notes what is doubtful about the new events of a unit.
    fn doubt(&mut self, unit: &Unit, context: &Context, is_new: impl Fn(&EventId) -> bool) -> Result<()> {
        let told = |event: &ServiceEvent| is_new(&event.id) && bears_on_others(&event.details);
        if !unit.events.iter().any(told) {
            return Ok(());
        }
        for (event, doubt) in units::doubts(unit, context)? {
            self.answers.doubt(event, Warning::of_event(doubt));
        }
        Ok(())
    }
}
