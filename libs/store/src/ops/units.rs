//! All that the fold of one unit reads.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
    sync::Arc,
};

use interval::{Bundle, Compact, Doubt, Happened, HungTag, Input, Policy, Stayed, UnitFacts, UnitState};
use model::{
    EditionId, EventId, Instant, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    event::{ModelAdoption, ServiceEvent, UnitModel},
    schedule::Edition,
    site::SiteFields,
    unit::UnitFields,
};

use super::super::Conn;
use super::{
    contexts::{self, ContextId, Versions},
    editions, events,
    folds::{Fold, StateRow},
    kin, model_adoptions, records, scope,
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{Among, UnitDue},
};

/// A unit with its events, as they are stored and as a write changes them.
#[derive(Clone, Debug)]
pub(crate) struct Unit {
    pub(crate) id: UnitId,
    pub(crate) fields: UnitFields,
    pub(crate) events: Vec<ServiceEvent>,
    /// Where each stored event stands in time.
    pub(crate) stored_at: BTreeMap<EventId, Instant>,
    /// The other units of its group, each with its own events; none of them has any here.
    pub(crate) kin: Vec<Unit>,
}

impl Unit {
    pub(crate) fn new(id: UnitId, fields: UnitFields, events: Vec<ServiceEvent>) -> Self {
        Self { id, fields, events, stored_at: BTreeMap::new(), kin: Vec::new() }
    }

    pub(crate) fn home_site(&self) -> Result<SiteId> {
        Ok(self.facts()?.home_site)
    }

    /// The unit and its kin.
    fn all(&self) -> impl Iterator<Item = &Self> {
        std::iter::once(self).chain(&self.kin)
    }

    /// Every site that the fields and events of the unit and its kin name.
    pub(crate) fn sites(&self) -> Result<BTreeSet<SiteId>> {
        let mut sites: BTreeSet<SiteId> =
            self.all().flat_map(|unit| &unit.events).flat_map(events::sites_of).collect();
        for unit in self.all() {
            sites.insert(unit.home_site()?);
        }
        Ok(sites)
    }

    /// Every edition that the events of the unit and its kin adopt.
    pub(crate) fn editions(&self) -> BTreeSet<EditionId> {
        self.all().flat_map(|unit| &unit.events).flat_map(events::editions_of).collect()
    }

    /// The models of the unit and its kin.
    pub(crate) fn models(&self) -> BTreeSet<UnitModel> {
        self.all().filter_map(|unit| UnitModel::of(&unit.fields)).collect()
    }

    pub(crate) fn facts(&self) -> Result<UnitFacts> {
        facts(&self.fields)
    }

    /// Stored events that a fold puts elsewhere in time: a day begins at midnight where the unit stood, which a
    /// corrected zone, later events and corrections may change.
    pub(crate) fn moved(&self, state: &UnitState) -> Vec<(EventId, Instant)> {
        let placed = self.events.iter().map(|event| (event.id, state.instant_of(&event.occurred.when)));
        placed.filter(|(id, at)| self.stored_at.get(id).is_some_and(|stored| stored != at)).collect()
    }
}

/// What of a unit's fields bears on what is due.
pub(crate) fn facts(fields: &UnitFields) -> Result<UnitFacts> {
    UnitFacts::of(fields).ok_or_else(|| StoreError::corrupt("unit")(&"no home site"))
}

/// Loads a unit with all its events.
pub(crate) fn load(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Option<Unit>> {
    let Some(stored) = records::find(conn, organization, Target::Unit(id))? else { return Ok(None) };
    let fields = records::fields(&stored.record, UnitFields::read)?;
    let mut units = with_events(conn, organization, [(id, fields)].into())?;
    add_kin(conn, organization, units.values_mut())?;
    Ok(units.into_values().next())
}

/// Loads the other units of these units' groups.
pub(crate) fn add_kin<'u>(
    conn: &mut Conn,
    organization: Key,
    units: impl IntoIterator<Item = &'u mut Unit>,
) -> Result<()> {
    let mut units: Vec<&mut Unit> = units.into_iter().collect();
    let groups = kin::of_units(conn, organization, &units.iter().map(|unit| unit.id).collect())?;
    let members: BTreeSet<Target> =
        units.iter().filter_map(|unit| groups.of(unit.id)).flatten().copied().map(Target::Unit).collect();
    if members.is_empty() {
        return Ok(());
    }
    let mut fields = BTreeMap::new();
    for (target, stored) in records::some(conn, organization, &members)? {
        if let Target::Unit(id) = target {
            fields.insert(id, records::fields(&stored.record, UnitFields::read)?);
        }
    }
    let loaded = with_events(conn, organization, fields)?;
    for unit in &mut units {
        let others = groups.of(unit.id).into_iter().flatten().filter(|other| **other != unit.id);
        unit.kin = others.filter_map(|other| loaded.get(other).cloned()).collect();
    }
    Ok(())
}

/// Loads all events of units whose fields are known.
pub(crate) fn with_events(
    conn: &mut Conn,
    organization: Key,
    fields: BTreeMap<UnitId, UnitFields>,
) -> Result<BTreeMap<UnitId, Unit>> {
    let ids: Vec<UnitId> = fields.keys().copied().collect();
    let mut units: BTreeMap<UnitId, Unit> =
        fields.into_iter().map(|(id, fields)| (id, Unit::new(id, fields, Vec::new()))).collect();
    for row in events::of_units(conn, organization, &ids)? {
        if let Some(unit) = units.get_mut(&row.unit_id.id()) {
            unit.events.push(events::read(&row.body, Some(row.occurred_at))?);
            unit.stored_at.insert(row.id.id(), Instant::from_micros(row.occurred_at));
        }
    }
    Ok(units)
}

/// What units are folded with beside their own rows.
#[derive(Default)]
pub(crate) struct Context {
    pub(crate) zones: BTreeMap<SiteId, Zone>,
    /// The adoptions for their models.
    pub(crate) adoptions: BTreeMap<UnitModel, Vec<ModelAdoption>>,
    pub(crate) editions: BTreeMap<EditionId, Arc<Edition>>,
    /// How often this transaction itself changes each context.
    pub(crate) changes: Versions,
    /// How often each context had been changed before it was read, this transaction's changes counted in.
    pub(crate) versions: Versions,
}

impl Context {
    /// What one unit is folded with.
    pub(crate) fn of_unit(conn: &mut Conn, organization: Key, unit: &Unit) -> Result<Self> {
        let mut context = Self::default();
        context.load(conn, organization, &[unit])?;
        Ok(context)
    }

    /// What these units are folded with, beside what is here already because this transaction brings it.
    pub(crate) fn load(&mut self, conn: &mut Conn, organization: Key, units: &[&Unit]) -> Result<()> {
        let (mut named, mut sites) = (BTreeSet::new(), BTreeSet::new());
        for unit in units {
            named.extend(ContextId::of_unit(unit)?);
            sites.extend(unit.sites()?);
        }
        self.load_versions(conn, organization, named)?;
        let models: BTreeSet<UnitModel> = units.iter().flat_map(|unit| unit.models()).collect();
        let adopted = |model: &UnitModel| self.versions.get(&ContextId::of_model(model)) > Some(&0);
        let models = models.into_iter().filter(adopted).collect();
        for adoption in model_adoptions::of_models(conn, organization, &models)? {
            self.adoptions.entry(adoption.of.clone()).or_default().push(adoption);
        }
        let mut editions: BTreeSet<EditionId> = units.iter().flat_map(|unit| unit.editions()).collect();
        editions.extend(self.adoptions.values().flatten().map(|adoption| adoption.adoption.edition_id));
        self.load_named(conn, organization, sites, editions)
    }

    /// The version of each of these contexts, as far as it is not here yet. It always comes before what the context says:
    /// that may then be newer, and the unit is folded once more; never older.
    pub(crate) fn load_versions(
        &mut self,
        conn: &mut Conn,
        organization: Key,
        mut of: BTreeSet<ContextId>,
    ) -> Result<()> {
        of.retain(|context| !self.versions.contains_key(context));
        for (context, version) in contexts::versions(conn, organization, &of)? {
            let changes = self.changes.get(&context).copied().unwrap_or_default();
            self.versions.insert(context, version + changes);
        }
        Ok(())
    }

    /// The zones of these sites and these editions, as far as they are not here yet.
    pub(crate) fn load_named(
        &mut self,
        conn: &mut Conn,
        organization: Key,
        mut sites: BTreeSet<SiteId>,
        mut editions: BTreeSet<EditionId>,
    ) -> Result<()> {
        sites.retain(|site| !self.zones.contains_key(site));
        self.load_versions(conn, organization, sites.iter().copied().map(ContextId::of_site).collect())?;
        let sites = sites.into_iter().map(Target::Site).collect();
        for (target, stored) in records::some(conn, organization, &sites)? {
            if let (Target::Site(site), Some(zone)) =
                (target, records::fields(&stored.record, SiteFields::read)?.zone)
            {
                self.zones.insert(site, zone);
            }
        }
        editions.retain(|id| !self.editions.contains_key(id));
        let found = editions::some(conn, organization, &editions)?;
        self.editions.extend(found.into_iter().map(|(id, (_, edition))| (id, edition)));
        Ok(())
    }

    /// The adoptions for a unit's model, as events of the unit.
    fn adoptions_for(&self, unit: &Unit) -> impl Iterator<Item = ServiceEvent> {
        let adoptions = UnitModel::of(&unit.fields).and_then(|model| self.adoptions.get(&model));
        adoptions.into_iter().flatten().map(|adoption| adoption.for_unit(unit.id))
    }

    /// The version of each context of one unit.
    pub(crate) fn versions_of(&self, unit: &Unit) -> Result<Versions> {
        let version = |id| (id, self.versions.get(&id).copied().unwrap_or_default());
        Ok(ContextId::of_unit(unit)?.into_iter().map(version).collect())
    }
}

/// Folds all events of a unit, to be asked about any instant.
pub(crate) fn refold(unit: &Unit, context: &Context) -> Result<UnitState> {
    let subject = Subject::of(unit, context)?;
    Ok(interval::refold(&subject.input(unit.id, context)))
}

/// Folds all events of a unit, to be stored. Of units that are one machine, the first in use has its due items; none
/// of those with kin can take an event without all others.
pub(crate) fn fold(unit: &Unit, context: &Context) -> Result<Fold> {
    let subject = Subject::of(unit, context)?;
    let mut folded = interval::refold_compact(&subject.input(unit.id, context));
    if !unit.kin.is_empty() {
        folded.compact = None;
    }
    let (home_site, standing_site) = (unit.home_site()?, scope::standing(unit)?);
    Ok(Fold { unit: unit.id, home_site, standing_site, folded })
}

/// What is doubtful about a unit's events.
pub(crate) fn doubts(unit: &Unit, context: &Context) -> Result<Vec<(EventId, Doubt)>> {
    let subject = Subject::of(unit, context)?;
    Ok(interval::doubts(&subject.input(unit.id, context)))
}

/// The machine that a unit is, and all events that bear on it.
struct Subject<'u> {
    /// Of the units that are the machine, that which stands for it: the machine goes by its fields.
    machine: &'u Unit,
    facts: UnitFacts,
    events: Cow<'u, [ServiceEvent]>,
}

impl<'u> Subject<'u> {
    fn of(unit: &'u Unit, context: &Context) -> Result<Self> {
        let mut events = Cow::Borrowed(unit.events.as_slice());
        let mut machine = unit;
        if !unit.kin.is_empty() {
            events = unit.all().flat_map(|unit| &unit.events).cloned().collect();
            let units = interval::machine(&input(unit.id, &unit.facts()?, &events, context));
            let those = unit.all().filter(|unit| units.contains(&unit.id));
            let head = those.min_by_key(|unit| interval::stands_for(unit.id, unit.fields.retired.is_some()));
            machine = head.unwrap_or(unit);
        }
        let mut adoptions = context.adoptions_for(machine).peekable();
        if adoptions.peek().is_some() {
            events.to_mut().extend(adoptions);
        }
        Ok(Self { machine, facts: machine.facts()?, events })
    }

    /// What `unit` is folded from: where it is not the one that the machine goes by, or is retired, it has no items.
    fn input<'a>(&'a self, unit: UnitId, context: &'a Context) -> Input<'a> {
        let whole = input(unit, &self.facts, &self.events, context);
        let has_items = unit == self.machine.id && self.machine.fields.retired.is_none();
        if has_items { whole } else { Input { editions: &NO_EDITIONS, ..whole } }
    }
}

static NO_EDITIONS: BTreeMap<EditionId, Arc<Edition>> = BTreeMap::new();

/// Folds the events that are new on what is stored of a unit; nothing if all of them have to be folded.
pub(crate) fn apply(
    state: &StateRow,
    compact: &Compact,
    fields: &UnitFields,
    new: &[ServiceEvent],
    context: &Context,
) -> Result<Option<Fold>> {
    let facts = facts(fields)?;
    let mut input = input(state.unit_id.id(), &facts, new, context);
    if fields.retired.is_some() {
        input.editions = &NO_EDITIONS;
    }
    let applied = compact.apply(&input).ok();
    Ok(applied.map(|folded| Fold {
        unit: state.unit_id.id(),
        home_site: facts.home_site,
        standing_site: state.standing_site.id(),
        folded,
    }))
}

fn input<'a>(
    unit: UnitId,
    facts: &'a UnitFacts,
    events: &'a [ServiceEvent],
    context: &'a Context,
) -> Input<'a> {
    Input { unit, facts, events, zones: &context.zones, editions: &context.editions, policy: &POLICY }
}

const POLICY: Policy = Policy::standard();

/// A unit's state, folded afresh.
pub(crate) fn due(conn: &mut Conn, organization: Key, id: UnitId) -> Result<Option<UnitDue>> {
    let Some(unit) = load(conn, organization, id)? else { return Ok(None) };
    let context = Context::of_unit(conn, organization, &unit)?;
    due_of(&unit, &context, None).map(Some)
}

/// How much a service did of what was asked of it.
pub(crate) fn bundle(unit: &Unit, context: &Context, service: EventId) -> Result<Option<Bundle>> {
    let subject = Subject::of(unit, context)?;
    Ok(interval::bundle(&subject.input(subject.machine.id, context), service))
}

/// A unit's state by these events, of which those after `until` are left out where it is given.
pub(crate) fn due_of(unit: &Unit, context: &Context, until: Option<Instant>) -> Result<UnitDue> {
    let subject = Subject::of(unit, context)?;
    let input = subject.input(subject.machine.id, context);
    let state = match until {
        Some(until) => interval::refold_until(&input, until),
        None => interval::refold(&input),
    };
    Ok(UnitDue {
        machine: subject.machine.id,
        home_site: unit.home_site()?,
        label: unit.fields.label.as_ref().map(ToString::to_string),
        state,
        evidence: evidence(unit, context)?,
    })
}

/// A digest of all that a fold rests on: it changes whenever an answer could change for another reason than time.
fn evidence(unit: &Unit, context: &Context) -> Result<String> {
    let all = || unit.all();
    let mut events: Vec<EventId> = all().flat_map(|unit| &unit.events).map(|event| event.id).collect();
    events.extend(all().flat_map(|unit| context.adoptions_for(unit)).map(|adoption| adoption.id));
    let zones: Vec<(&SiteId, &str)> = context.zones.iter().map(|(site, zone)| (site, zone.name())).collect();
    let fields: Vec<&UnitFields> = all().map(|unit| &unit.fields).collect();
    let fields = serde_json::to_value(&fields).map_err(|e| StoreError::corrupt("unit")(&e))?;
    let all = serde_json::json!([events, zones, fields, super::folds::folded_with()]);
    Ok(proof::sha256(all.to_string()).to_string())
}

/// What people call these units.
pub(crate) fn labels(
    conn: &mut Conn,
    organization: Key,
    units: &BTreeSet<UnitId>,
) -> Result<BTreeMap<UnitId, String>> {
    let among: BTreeSet<uuid::Uuid> = units.iter().map(|unit| unit.uuid()).collect();
    let page = records::list(conn, organization, RecordKind::Unit, &Among::Ids(among), None, units.len())?;
    let label = |view: crate::view::RecordView| {
        let text = view.fields.get("label").and_then(serde_json::Value::as_str)?.to_owned();
        Some((UnitId::from_uuid(view.id), text))
    };
    Ok(page.items.into_iter().filter_map(label).collect())
}

/// What of a unit is told beside what is due on it.
pub(crate) struct Told {
    pub(crate) fields: UnitFields,
    pub(crate) happened: Vec<Happened>,
    pub(crate) stayed: Vec<Stayed>,
    pub(crate) tags: Vec<HungTag>,
    /// The first instant after it at which something that is recorded happens.
    pub(crate) ahead: Option<Instant>,
}

/// What happened to a unit by an instant, where it stood, and what hangs on it.
pub(crate) fn told(unit: &Unit, context: &Context, at: Instant) -> Result<Told> {
    let subject = Subject::of(unit, context)?;
    let input = subject.input(subject.machine.id, context);
    let mut happened = interval::happened(&input, Instant::LAST);
    let later = happened.split_off(happened.partition_point(|event| event.at <= at));
    Ok(Told {
        fields: subject.machine.fields.clone(),
        ahead: later.first().map(|event| event.at),
        happened,
        stayed: interval::stayed(&input, at),
        tags: interval::tags(&input, at),
    })
}

/// The tags that hang on a unit at an instant.
pub(crate) fn tags(unit: &Unit, context: &Context, at: Instant) -> Result<Vec<HungTag>> {
    let subject = Subject::of(unit, context)?;
    Ok(interval::tags(&subject.input(subject.machine.id, context), at))
}
