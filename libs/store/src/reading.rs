//! What readers ask for: each question is one transaction, whose answers are all of one moment.

use std::collections::{BTreeMap, BTreeSet};

use interval::Bundle;
use model::{
    EditId, EditionId, EventId, HandsetId, Instant, OrganizationId, PersonId, PromiseId, ScheduleId, SiteId,
    UnitId,
    edit::{RecordKind, Target},
    outage::PromiseFields,
    person::GrantFields,
    schedule::Pack,
    unit::UnitFields,
};

use proof::{Part, Prefix};

use crate::{
    Result, Store,
    key::Key,
    sent::Held,
    through,
    view::{
        Among, Change, ChangesQuery, ContestedRecord, DueChanges, DueFilter, DueQuery, DueRow, EditionView,
        EventQuery, EventView, ExternalQuery, Fields, Folding, HandsetView, Known, Look, Mark, Moment, Page,
        Pull, Pulled, QualityLine, QualityQuery, RecordView, SiteQuery, SiteRow, SiteStory, SiteThenQuery,
        Then, ThenQuery, UnitDue, UnitStory,
    },
};

impl Store {
    /// Somebody's grants, those not in force included.
    pub async fn grants(&self, organization: OrganizationId, person: PersonId) -> Result<Vec<GrantFields>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::records::grants_of(conn, key, person))
    }

    /// One record, with what its asker may do and the sites that have it in scope, as they were at one moment.
    pub async fn look(&self, organization: OrganizationId, person: PersonId, target: Target) -> Result<Look> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::records::look(conn, key, person, target))
    }

    /// One record, if it is there.
    pub async fn record(&self, organization: OrganizationId, target: Target) -> Result<Option<RecordView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let stored = ops::records::find(conn, key, target)?;
            stored.map(|stored| ops::records::view(conn, key, target, &stored)).transpose()
        })
    }

    /// A page of edits that wait for a person, the oldest first; only those about units in scope of `sites` where given.
    pub async fn held(
        &self,
        organization: OrganizationId,
        sites: Option<Vec<SiteId>>,
        after: i64,
        limit: usize,
    ) -> Result<Page<Held>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::held::list(conn, key, sites.as_deref(), after, limit))
    }

    /// One edit that was held, also one that somebody has decided about.
    pub async fn held_edit(&self, organization: OrganizationId, edit: EditId) -> Result<Option<Held>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::held::find(conn, key, edit))
    }

    /// The edits of its group with which an edit that was held is decided about, itself among them.
    pub async fn held_with(&self, organization: OrganizationId, held: Held) -> Result<Vec<Held>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::held::with(conn, key, held))
    }

    /// A page of contested fields of records of a kind, by id and name, `limit` of them together; only of records in scope
    /// of one site of each of `sets`. A record may have further ones on the page before or after.
    pub async fn contested(
        &self,
        organization: OrganizationId,
        kind: RecordKind,
        sets: Vec<Vec<SiteId>>,
        after: Option<(uuid::Uuid, String)>,
        limit: usize,
    ) -> Result<Page<ContestedRecord>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            ops::contested::list(conn, key, kind, &sets, after.as_ref(), limit)
        })
    }

    /// A page of sites by id; only `among` these where given.
    pub async fn sites(
        &self,
        organization: OrganizationId,
        among: Option<BTreeSet<SiteId>>,
        after: Option<SiteId>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        let among =
            among.map_or(Among::All, |sites| Among::Ids(sites.into_iter().map(SiteId::uuid).collect()));
        through!(self, read for key, |conn, ops| {
            let after = after.map(SiteId::uuid);
            ops::records::list(conn, key, RecordKind::Site, &among, after, limit)
        })
    }

    /// A page of units by id; only those at home at, or standing at, one site of each of `sets`.
    pub async fn units(
        &self,
        organization: OrganizationId,
        sets: Vec<Vec<SiteId>>,
        after: Option<UnitId>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        let among = Among::UnitsOf(sets);
        through!(self, read for key, |conn, ops| {
            let after = after.map(UnitId::uuid);
            ops::records::list(conn, key, RecordKind::Unit, &among, after, limit)
        })
    }

    /// A page of records of a kind by id, whoever may see them; only those that belong to `owner` where given.
    pub async fn records(
        &self,
        organization: OrganizationId,
        kind: RecordKind,
        owner: Option<uuid::Uuid>,
        after: Option<uuid::Uuid>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        let among = owner.map_or(Among::All, Among::Of);
        through!(self, read for key, |conn, ops| ops::records::list(conn, key, kind, &among, after, limit))
    }

    /// A page of incidents or promises by id: those of the whole organization, and those at a site that may be seen; none means all.
    pub async fn outages(
        &self,
        organization: OrganizationId,
        kind: RecordKind,
        sees: Option<Vec<SiteId>>,
        after: Option<uuid::Uuid>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        let sees: Option<BTreeSet<SiteId>> = sees.map(|sites| sites.into_iter().collect());
        through!(self, read for key, |conn, ops| ops::outages::list(conn, key, kind, sees.as_ref(), after, limit))
    }

    /// The fields of some units and sites, private text sealed; those that are not there are left out.
    pub async fn fields(
        &self,
        organization: OrganizationId,
        units: BTreeSet<UnitId>,
        sites: BTreeSet<SiteId>,
    ) -> Result<Fields> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::outages::fields(conn, key, &units, &sites))
    }

    /// The promises that are not taken back, by id, private text sealed; of one spare where it is given.
    pub async fn promises(
        &self,
        organization: OrganizationId,
        spare: Option<UnitId>,
    ) -> Result<Vec<(PromiseId, PromiseFields)>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::outages::promises(conn, key, spare))
    }

    /// A page of sites or units that have an id in another system: one, or more that handsets gave it to.
    pub async fn records_with(&self, query: ExternalQuery) -> Result<Page<RecordView>> {
        through!(self, read for Key::from(query.organization), |conn, ops| ops::external_ids::list(conn, &query))
    }

    /// The sites in whose scope a unit is: home, and where it stands; none where there is no such unit.
    pub async fn sites_of_unit(
        &self,
        organization: OrganizationId,
        unit: UnitId,
    ) -> Result<BTreeSet<SiteId>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::folds::scope_of(conn, key, unit))
    }

    /// What people call these units.
    pub async fn labels(
        &self,
        organization: OrganizationId,
        units: BTreeSet<UnitId>,
    ) -> Result<BTreeMap<UnitId, String>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::units::labels(conn, key, &units))
    }

    /// A page of schedules by id.
    pub async fn schedules(
        &self,
        organization: OrganizationId,
        after: Option<ScheduleId>,
        limit: usize,
    ) -> Result<Page<RecordView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let after = after.map(ScheduleId::uuid);
            ops::records::list(conn, key, RecordKind::Schedule, &Among::All, after, limit)
        })
    }

    /// A page of the editions of a schedule by id.
    pub async fn editions(
        &self,
        organization: OrganizationId,
        schedule: ScheduleId,
        after: Option<EditionId>,
        limit: usize,
    ) -> Result<Page<EditionView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::editions::of_schedule(
            conn,
            key,
            schedule,
            after,
            limit
        ))
    }

    /// One edition, if it is there.
    pub async fn edition(&self, organization: OrganizationId, id: EditionId) -> Result<Option<EditionView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::editions::find(conn, key, id))
    }

    /// One service event, if it is there.
    pub async fn event(&self, organization: OrganizationId, id: EventId) -> Result<Option<EventView>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::events::find(conn, key, id))
    }

    /// A page of a unit's events in the order they happened.
    pub async fn events(&self, query: EventQuery) -> Result<Page<EventView>> {
        through!(self, read for Key::from(query.organization), |conn, ops| ops::events::list(conn, &query))
    }

    /// A unit's state, folded afresh; none where there is no such unit.
    pub async fn unit_due(&self, organization: OrganizationId, unit: UnitId) -> Result<Option<UnitDue>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::units::due(conn, key, unit))
    }

    /// How much a service on a unit did of what was asked of it, worked out afresh; nothing where nothing was.
    pub async fn bundle(
        &self,
        organization: OrganizationId,
        unit: UnitId,
        service: EventId,
        known: Known,
    ) -> Result<Option<Then<Option<Bundle>>>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::then::bundle(conn, key, unit, service, known))
    }

    /// The fields of a unit by what was known, private text sealed; none where there was no such unit.
    pub async fn unit_fields(
        &self,
        organization: OrganizationId,
        unit: UnitId,
        known: Known,
    ) -> Result<Option<Then<UnitFields>>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::then::unit_fields(conn, key, unit, known))
    }

    /// A unit's state at a moment; none where there was no such unit then.
    pub async fn unit_then(
        &self,
        organization: OrganizationId,
        unit: UnitId,
        moment: Moment,
    ) -> Result<Option<Then<UnitDue>>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::then::unit(conn, key, unit, moment))
    }

    /// A unit with all that happened to it, at a moment; none where there was no such unit then.
    pub async fn unit_story(
        &self,
        organization: OrganizationId,
        unit: UnitId,
        moment: Moment,
    ) -> Result<Option<Then<UnitStory>>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::story::unit(conn, key, unit, moment))
    }

    /// A site with the units that stood there at a moment, or where `standing` is not asked for ever did by then, of those that
    /// `filter` lets the asker see; none where there was no such site then.
    pub async fn site_story(
        &self,
        filter: DueFilter,
        site: SiteId,
        moment: Moment,
        standing: bool,
    ) -> Result<Option<Folding<SiteStory>>> {
        through!(self, read for Key::from(filter.organization), |conn, ops| {
            ops::story::site(conn, &filter, site, moment, standing)
        })
    }

    /// All units that `filter` asks about with all that happened to them, `most` at most.
    pub async fn fleet_story(
        &self,
        filter: DueFilter,
        moment: Moment,
        most: usize,
    ) -> Result<Folding<Vec<UnitStory>>> {
        through!(self, read for Key::from(filter.organization), |conn, ops| {
            ops::story::fleet(conn, &filter, moment, most)
        })
    }

    /// A page of what is to be put right, and how many of the units asked about are stale.
    pub async fn quality(&self, query: QualityQuery) -> Result<(Page<QualityLine>, usize)> {
        through!(self, read for Key::from(query.of.organization), |conn, ops| {
            Ok((ops::quality::list(conn, &query)?, ops::contexts::pending(conn, &query.of)?))
        })
    }

    /// A page of what was to be put right at a moment, for which each unit asked about is folded.
    pub async fn quality_then(
        &self,
        query: QualityQuery,
        moment: Moment,
    ) -> Result<Folding<Page<QualityLine>>> {
        through!(self, read for Key::from(query.of.organization), |conn, ops| {
            ops::quality::list_then(conn, &query, moment)
        })
    }

    /// Units beside one of which a reading of it may be, those at `site` first, each folded; of those that `filter` lets
    /// the asker see.
    pub async fn beside(
        &self,
        filter: DueFilter,
        unit: UnitId,
        site: SiteId,
        moment: Moment,
    ) -> Result<BTreeMap<UnitId, UnitDue>> {
        through!(self, read for Key::from(filter.organization), |conn, ops| {
            ops::others::beside(conn, &filter, unit, site, moment)
        })
    }

    /// The units that stand at a site at a moment, each folded, of those that `filter` lets the asker see.
    pub async fn standing_then(
        &self,
        filter: DueFilter,
        site: SiteId,
        moment: Moment,
    ) -> Result<Folding<BTreeMap<UnitId, UnitDue>>> {
        through!(self, read for Key::from(filter.organization), |conn, ops| {
            ops::then::standing(conn, &filter, site, moment)
        })
    }

    /// The units that ever stood at one of some sites, each with all that happened to it, of those that `filter` lets the asker see; at any site where none
    /// are named.
    pub async fn ever_standing(
        &self,
        filter: DueFilter,
        sites: Option<BTreeSet<SiteId>>,
        moment: Moment,
    ) -> Result<Folding<Vec<UnitStory>>> {
        through!(self, read for Key::from(filter.organization), |conn, ops| {
            ops::story::ever_standing(conn, &filter, sites.as_ref(), moment)
        })
    }

    /// A page of due items at a moment, for which each unit asked about is folded.
    pub async fn due_then(&self, query: ThenQuery) -> Result<Folding<Page<DueRow>>> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| ops::due::list_then(conn, &query))
    }

    /// The policy packs that name some editions, by edition.
    pub async fn packs(
        &self,
        organization: OrganizationId,
        editions: BTreeSet<EditionId>,
    ) -> Result<BTreeMap<EditionId, Pack>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let found = ops::editions::some(conn, key, &editions)?;
            Ok(found.into_iter().filter_map(|(id, (_, edition))| Some((id, edition.pack.clone()?))).collect())
        })
    }

    /// A page of the items of a list that are not what they were, for which each unit that may have changed is folded.
    pub async fn due_changes(&self, query: ChangesQuery) -> Result<Folding<DueChanges>> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| ops::due::changes(conn, &query))
    }

    /// A page of sites with how many due items stand there at a moment, for which each unit asked about is folded.
    pub async fn due_by_site_then(&self, query: SiteThenQuery) -> Result<Folding<Page<SiteRow>>> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| ops::due::by_site_then(conn, &query))
    }

    /// The instant that a new list of due items is about.
    pub async fn due_as_of(&self, organization: OrganizationId, now: Instant) -> Result<Instant> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::due::as_of(conn, key, now))
    }

    /// A page of due items, and how many of the units asked about are stale.
    pub async fn due(&self, query: DueQuery) -> Result<(Page<DueRow>, usize)> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| {
            Ok((ops::due::list(conn, &query)?, ops::contexts::pending(conn, &query.filter)?))
        })
    }

    /// A page of sites with how many due items stand there, in each state, and how many of the units asked about are
    /// stale.
    pub async fn due_by_site(&self, query: SiteQuery) -> Result<(Page<SiteRow>, usize)> {
        through!(self, read for Key::from(query.filter.organization), |conn, ops| {
            Ok((ops::due::by_site(conn, &query)?, ops::contexts::pending(conn, &query.filter)?))
        })
    }

    /// What is known of a handset, if it is enrolled, and of the grants of whoever has it in hand; then the page that `ask`
    /// wants when it has seen them, and what else it says.
    pub async fn visit<T: Send + 'static>(
        &self,
        organization: OrganizationId,
        person: PersonId,
        handset: HandsetId,
        ask: impl FnOnce(Option<HandsetView>, Vec<GrantFields>) -> (T, Option<Pull>) + Send + 'static,
    ) -> Result<(T, Option<Pulled>)> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let (found, grants) = ops::handsets::visited(conn, key, person, handset)?;
            let (said, pull) = ask(found, grants);
            let pulled = pull.map(|pull| ops::feed::pull(conn, &pull)).transpose()?;
            Ok((said, pulled))
        })
    }

    /// A page of the feed.
    pub async fn pull(&self, pull: Pull) -> Result<Pulled> {
        through!(self, read for Key::from(pull.organization), |conn, ops| ops::feed::pull(conn, &pull))
    }

    /// Whether the log still has the row that a cursor knows; if not, the database was restored.
    pub async fn fits(&self, organization: OrganizationId, mark: Mark) -> Result<bool> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| ops::feed::fits(conn, key, mark))
    }

    /// What is told of a site and is not retired, of the ids that begin with `prefix`, in parts.
    pub async fn parts(
        &self,
        organization: OrganizationId,
        site: SiteId,
        prefix: Prefix,
    ) -> Result<BTreeMap<Prefix, Part>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let mut hashes = Vec::new();
            ops::fingerprints::each(conn, key, site, &prefix, |told| {
                hashes.push((told.id.0, told.hash()));
                true
            })?;
            Ok(proof::narrowed(&prefix, hashes))
        })
    }

    /// The same itself; nothing where it is more than `most`.
    pub async fn part(
        &self,
        organization: OrganizationId,
        site: SiteId,
        prefix: Prefix,
        most: usize,
    ) -> Result<Option<Vec<Change>>> {
        let key = Key::from(organization);
        through!(self, read for key, |conn, ops| {
            let mut found = Vec::new();
            ops::fingerprints::each(conn, key, site, &prefix, |told| {
                found.push(told);
                found.len() <= most
            })?;
            let few = (found.len() <= most).then_some(found);
            Ok(few.map(|found| found.into_iter().map(|told| told.change()).collect()))
        })
    }
}
