//! What sites, units and tasks are called in a mail.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::Result;
use model::{Label, OrganizationId, ScheduleId, SiteId, UnitId, Zone};
use report::digest::{SiteRef, TaskRef, UnitRef};
use store::{Store, view::DueRow};

use super::lines;

/// So many records are read at a time.
const PAGE: usize = 500;

/// What is told of a site.
struct Site {
    name: Label,
    zone: Zone,
    /// Units may still stand there until somebody fetches them.
    is_retired: bool,
}

/// What things are called.
pub(crate) struct Names {
    sites: BTreeMap<SiteId, Site>,
    units: BTreeMap<UnitId, Label>,
    schedules: BTreeMap<ScheduleId, Label>,
}

impl Names {
    /// Reads the names of the sites that a list is about, of these units, and of all schedules.
    pub(crate) async fn read(
        store: &Store,
        organization: OrganizationId,
        units: BTreeSet<UnitId>,
    ) -> Result<Self> {
        let labels = store.labels(organization, units).await?;
        let units = labels.into_iter().filter_map(|(unit, label)| Some((unit, Label::parse(&label).ok()?)));
        Ok(Self {
            sites: sites(store, organization).await?,
            units: units.collect(),
            schedules: schedules(store, organization).await?,
        })
    }

    /// The sites that are not given up.
    pub(crate) fn sites(&self) -> impl Iterator<Item = SiteId> {
        self.sites.iter().filter(|(_, site)| !site.is_retired).map(|(id, _)| *id)
    }

    pub(crate) fn site(&self, id: SiteId) -> Option<SiteRef> {
        self.sites.get(&id).map(|site| SiteRef { id, name: site.name.clone() })
    }

    pub(crate) fn site_name(&self, id: SiteId) -> &str {
        self.sites.get(&id).map_or("", |site| site.name.as_str())
    }

    pub(crate) fn zone<'z>(&'z self, site: SiteId, otherwise: &'z Zone) -> &'z Zone {
        self.sites.get(&site).map_or(otherwise, |site| &site.zone)
    }

    pub(crate) fn unit(&self, id: UnitId) -> Option<UnitRef> {
        self.units.get(&id).map(|label| UnitRef { id, label: label.clone() })
    }

    pub(crate) fn task(&self, row: &DueRow) -> Option<TaskRef> {
        self.task_of(row.place.schedule, &row.place.task)
    }

    pub(crate) fn task_of(&self, schedule: ScheduleId, code: &model::Code) -> Option<TaskRef> {
        let title = lines::titled(code)?;
        Some(TaskRef { code: code.clone(), title, schedule: self.schedules.get(&schedule).cloned() })
    }
}

async fn sites(store: &Store, organization: OrganizationId) -> Result<BTreeMap<SiteId, Site>> {
    let (mut found, mut after) = (BTreeMap::new(), None);
    loop {
        let page = store.sites(organization, None, after, PAGE).await?;
        for view in &page.items {
            let id = SiteId::from_uuid(view.id);
            after = Some(id);
            let text = |member: &str| view.fields.get(member).and_then(|value| value.as_str());
            let is_retired = view.fields.contains_key("retired");
            if let (Some(name), Some(zone)) = (text("name"), text("zone"))
                && let (Ok(name), Ok(zone)) = (Label::parse(name), Zone::parse(zone))
            {
                found.insert(id, Site { name, zone, is_retired });
            }
        }
        if !page.more {
            return Ok(found);
        }
    }
}

async fn schedules(store: &Store, organization: OrganizationId) -> Result<BTreeMap<ScheduleId, Label>> {
    let (mut found, mut after) = (BTreeMap::new(), None);
    loop {
        let page = store.schedules(organization, after, PAGE).await?;
        for view in &page.items {
            let id = ScheduleId::from_uuid(view.id);
            after = Some(id);
            let name = view.fields.get("title").and_then(|value| value.as_str());
            if let Some(name) = name.and_then(|name| Label::parse(name).ok()) {
                found.insert(id, name);
            }
        }
        if !page.more {
            return Ok(found);
        }
    }
}
