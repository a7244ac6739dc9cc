//! From what was read for a list to the facts for one audience.

use std::collections::{BTreeMap, BTreeSet};

use anyhow::{Context, Result, anyhow};
use interval::{DueItem, DueState};
use model::{
    Code, Instant, Label, LocalDate, OrganizationId, ScheduleId, SiteId, UnitId, Zone,
    edit::{RecordKind, Target},
    mail::MailListFields,
    person::{Role, SiteScope},
};
use report::digest::{
    Acknowledged, Escalated, Facts, HashLine, ItemRef, Line, LinesHash, ListFacts, OutOfService, QualityLine,
    SiteFacts, WEEKS, Waiting, WebAddress, Week, lines_hash,
};
use store::{
    Store,
    digests::{Acknowledgement, Digest, Ground, MailList, Outcome, TaggedUnit},
    view::{DueFilter, DueRow, QUALITY_CODES, QualityLine as Quality, QualityQuery},
};

use super::{
    audience::{Audience, Reach},
    changes, lines,
    names::Names,
    snapshot::Snapshot,
};
use crate::settings::Sender;

/// So many items are worked out in full, of each state those that are due first; a mail shows no more lines of a section.
const WORKED_OUT: usize = 250;
/// So many things to put right are read, for all that see a part of the list's sites.
const QUALITY_MOST: usize = 20_000;
/// So many edits that wait are counted.
const HELD_MOST: usize = 1000;
/// A handset that has not been heard of for so long is silent.
const SILENT_SECONDS: i64 = 7 * 24 * 3600;
/// So many records are read at a time.
const PAGE: usize = 500;

/// What was read for all of a list.
pub(crate) struct Gathered {
    pub(crate) ground: Ground,
    pub(crate) organization: OrganizationId,
    pub(crate) before: Option<Snapshot>,
    pub(crate) names: Names,
    pub(crate) units: BTreeMap<UnitId, WorkedOut>,
    organization_name: Label,
    list: MailListFields,
    list_id: uuid::Uuid,
    zone: Zone,
    date: LocalDate,
    link_base: WebAddress,
    history: Vec<Digest>,
    acknowledged: Vec<Acknowledgement>,
    quality: Vec<Quality>,
}

/// A unit that was worked out in full.
pub(crate) struct WorkedOut {
    pub(crate) unit: TaggedUnit,
    pub(crate) items: Vec<DueItem>,
}

impl WorkedOut {
    /// Where it is at home, and where it stands at an instant.
    pub(crate) fn sites(&self, at: Instant) -> [SiteId; 2] {
        [self.unit.due.home_site, self.unit.due.state.site_at(at)]
    }

    /// One of its items.
    pub(crate) fn item(&self, schedule: ScheduleId, task: &Code) -> Option<&DueItem> {
        self.items.iter().find(|item| item.schedule_id == schedule && item.task == *task)
    }
}

/// Facts, a text of all that makes another mail necessary, and the hash of the lines.
pub(crate) struct Telling {
    pub(crate) facts: Facts,
    pub(crate) told: String,
    pub(crate) hash: LinesHash,
}

impl Gathered {
    /// Reads what a list tells of at `now`.
    pub(crate) async fn read(
        store: &Store,
        sender: &Sender,
        organization: OrganizationId,
        list: &MailList,
        date: LocalDate,
        now: Instant,
    ) -> Result<Self> {
        let sites = match list.fields.sites.clone().ok_or_else(|| anyhow!("the list has no sites"))? {
            SiteScope::All => None,
            SiteScope::Only(sites) => Some(sites.into_iter().collect::<Vec<_>>()),
        };
        let weeks = i32::try_from(WEEKS).unwrap_or(0);
        let (history, lines) =
            store.digests(organization, list.id, monday(date).plus_days(-7 * weeks)).await?;
        let last = history.iter().rev().find(|digest| digest.outcome == Outcome::Mailed);
        let since = last.map(|digest| (digest.known_seq, digest.made_at));
        let ground = store.digest_ground(organization, sites.clone(), now, since).await?;
        let before = lines.map(|bytes| Snapshot::from_bytes(&bytes)).transpose()?;
        let of = DueFilter { sites, ..DueFilter::all(organization) };
        let asked = QualityQuery { of, codes: Vec::new(), at: now, after: None, limit: QUALITY_MOST };
        let (quality, _) = store.quality(asked).await?;
        let wanted = units_to_work_out(&ground, before.as_ref());
        let units = store.tagged_units(organization, wanted, ground.as_of).await?;
        let worked_out = |(id, unit): (UnitId, TaggedUnit)| {
            let items = unit.due.state.items_at(ground.as_of);
            (id, WorkedOut { unit, items })
        };
        let units: BTreeMap<UnitId, WorkedOut> = units.into_iter().map(worked_out).collect();
        let named = units_named(&ground, &quality.items, before.as_ref(), units.keys().copied());
        let names = Names::read(store, organization, named).await?;
        let record = store.record(organization, Target::Organization(organization)).await?;
        let name = record.as_ref().and_then(|view| view.fields.get("name")?.as_str());
        Ok(Self {
            organization,
            before,
            names,
            units,
            organization_name: name
                .and_then(|name| Label::parse(name).ok())
                .ok_or_else(|| anyhow!("the organization has no name"))?,
            list: list.fields.clone(),
            list_id: list.id.uuid(),
            zone: list.fields.zone.clone().ok_or_else(|| anyhow!("the list has no zone"))?,
            date,
            link_base: sender.public.clone(),
            history,
            acknowledged: store.acknowledgements(organization, now).await?,
            quality: quality.items,
            ground,
        })
    }

    /// How many items are overdue at each site.
    pub(crate) fn overdue_by_site(&self) -> BTreeMap<SiteId, u32> {
        let mut by_site = BTreeMap::new();
        for row in self.ground.items.iter().filter(|row| row.state == DueState::Overdue) {
            *by_site.entry(row.standing_site).or_insert(0) += 1;
        }
        by_site
    }

    /// The facts for one audience.
    pub(crate) async fn told_to(
        &self,
        store: &Store,
        audience: &Audience,
        is_heartbeat_day: bool,
    ) -> Result<Telling> {
        let as_of = self.ground.as_of;
        let rows: Vec<&DueRow> = self
            .ground
            .items
            .iter()
            .filter(|row| audience.sees([row.standing_site, row.home_site]))
            .collect();
        let mut sites: BTreeMap<SiteId, Vec<Line>> = BTreeMap::new();
        for row in rows.iter().filter(|row| self.acknowledgement(row).is_none()) {
            let site = audience.place(row.standing_site, row.home_site);
            if let Some(line) = self.line(row) {
                sites.entry(site).or_default().push(line);
            }
        }
        let out_of_service = self.out_of_service(audience);
        let (escalated, acknowledged) = self.escalated(&rows, audience);
        let changed = changes::since(self, audience);
        let hash = lines_hash(sites.iter().flat_map(|(site, lines)| {
            let site = self.names.site_name(*site);
            lines.iter().map(move |line| HashLine {
                site,
                unit: line.unit.label.as_str(),
                task: &line.task.code,
                state: line.state,
                date: line.due_on,
            })
        }));
        let escalations: Vec<String> =
            escalated.iter().map(|e| format!("{}/{}", e.item.unit.id, e.item.task.code)).collect();
        let tags: Vec<String> =
            out_of_service.iter().map(|out| format!("{}/{}", out.unit.id, out.reason)).collect();
        let told = format!("{hash}|{}|{}", escalations.join(","), tags.join(","));
        let quality = self.quality_lines(audience);
        let mut with_something: BTreeSet<SiteId> = sites.keys().copied().collect();
        with_something.extend(out_of_service.iter().map(|out| out.site.id));
        with_something.extend(acknowledged.iter().map(|known| known.item.site.id));
        with_something.extend(quality.iter().map(|line| line.site.id));
        let clear_sites =
            self.names.sites().filter(|site| audience.sees([*site]) && !with_something.contains(site));
        let clear_sites = clear_sites.filter_map(|site| self.names.site(site)).collect();
        let of_site = |(site, lines)| Some(SiteFacts { site: self.names.site(site)?, lines });
        let previous = self.history.iter().rev().find(|digest| digest.outcome == Outcome::Mailed);
        let nothing_new = previous.is_some() && changed.lines.is_empty();
        let facts = Facts {
            organization_id: self.organization,
            organization_name: self.organization_name.clone(),
            list: ListFacts {
                id: self.list_id,
                name: self.list.name.clone().context("the list has no name")?,
                role: self.list.role.unwrap_or(Role::Viewer),
            },
            local_date: self.date,
            zone: self.zone.clone(),
            as_of,
            due_by: self.date.plus_days(7),
            link_base: Some(self.link_base.clone()),
            previous: previous.map(|digest| digest.date),
            heartbeat: is_heartbeat_day && nothing_new,
            missed_dates: self.missed(),
            pending: self.ground.pending > 0,
            sites: sites.into_iter().filter_map(of_site).collect(),
            clear_sites,
            out_of_service,
            changed,
            quality,
            waiting: match &audience.held {
                Some(reach) => Some(waiting(store, self.organization, reach).await?),
                None => None,
            },
            silent_handsets: if audience.sees_handsets {
                Some(silent_handsets(store, self.organization, as_of).await?)
            } else {
                None
            },
            escalated,
            acknowledged,
            weeks: self.weeks(audience, &rows),
        };
        Ok(Telling { facts, told, hash })
    }

    /// A line of the mail, in full where the unit was worked out.
    fn line(&self, row: &DueRow) -> Option<Line> {
        let zone = self.names.zone(row.standing_site, &self.zone);
        let (unit, task) = (self.names.unit(row.place.unit)?, self.names.task(row)?);
        let line = lines::plain(row, unit, task, zone);
        let Some(folded) = self.units.get(&row.place.unit) else { return Some(line) };
        Some(match folded.item(row.place.schedule, &row.place.task) {
            Some(item) => lines::worked_out(line, item, &folded.unit.due.state, self.ground.as_of, zone),
            None => line,
        })
    }

    fn out_of_service(&self, audience: &Audience) -> Vec<OutOfService> {
        let mut found = Vec::new();
        for (unit, folded) in &self.units {
            let (home, standing) =
                (folded.unit.due.home_site, folded.unit.due.state.site_at(self.ground.as_of));
            if !audience.sees([home, standing]) {
                continue;
            }
            let site = audience.place(standing, home);
            let zone = self.names.zone(site, &self.zone);
            for tag in &folded.unit.tags {
                let word = match tag.tag {
                    model::event::TagWord::OutOfService => "out_of_service",
                    model::event::TagWord::LockedOut => "locked_out",
                };
                let (Some(site), Some(unit), Ok(reason)) =
                    (self.names.site(site), self.names.unit(*unit), Code::parse(word))
                else {
                    continue;
                };
                found.push(OutOfService { site, unit, since: zone.date(tag.since), reason });
            }
        }
        found
    }

    /// What has been overdue for so long that others are told, and what somebody has said that he knows of.
    fn escalated(&self, rows: &[&DueRow], audience: &Audience) -> (Vec<Escalated>, Vec<Acknowledged>) {
        let (mut escalated, mut acknowledged) = (Vec::new(), Vec::new());
        let after = match self.list.role {
            Some(Role::Coordinator) => Some((7, Role::Coordinator)),
            Some(Role::Planner) => Some((14, Role::Planner)),
            _ => None,
        };
        for row in rows.iter().filter(|row| row.state == DueState::Overdue) {
            let zone = self.names.zone(row.standing_site, &self.zone);
            let Some(item) = self.item(row, audience) else { continue };
            if let Some(said) = self.acknowledgement(row) {
                // By whom is a name of a person, which not everybody sees.
                acknowledged.push(Acknowledged {
                    item,
                    until: zone.date(said.until.plus_seconds(-1)),
                    by: None,
                });
                continue;
            }
            let overdue_days = zone.date(self.ground.as_of).days_since(zone.date(self.overdue_since(row)));
            if let Some((days, to)) = after
                && overdue_days >= days
            {
                escalated.push(Escalated { item, overdue_days, to });
            }
        }
        (escalated, acknowledged)
    }

    /// That somebody knows of an overdue item, if he has said so and it still holds.
    fn acknowledgement(&self, row: &DueRow) -> Option<&Acknowledgement> {
        if row.state != DueState::Overdue {
            return None;
        }
        let place = (row.place.unit, row.place.schedule, &row.place.task);
        let said = self.acknowledged.iter().find(|said| (said.unit, said.schedule, &said.task) == place)?;
        // Once the work was done, nobody has said that he knows of it being overdue again.
        (self.overdue_since(row) <= said.made_at).then_some(said)
    }

    fn overdue_since(&self, row: &DueRow) -> Instant {
        let folded = self.units.get(&row.place.unit);
        let since = folded.and_then(|folded| {
            let item = folded.item(row.place.schedule, &row.place.task)?;
            lines::since(item, &folded.unit.due.state, self.ground.as_of)
        });
        since.unwrap_or(row.place.due_at)
    }

    fn item(&self, row: &DueRow, audience: &Audience) -> Option<ItemRef> {
        let site = audience.place(row.standing_site, row.home_site);
        Some(ItemRef {
            site: self.names.site(site)?,
            unit: self.names.unit(row.place.unit)?,
            task: self.line(row)?.task,
        })
    }

    fn quality_lines(&self, audience: &Audience) -> Vec<QualityLine> {
        let line = |line: &Quality| {
            let site = audience.place(line.standing_site, line.home_site);
            let word = QUALITY_CODES.iter().find(|(_, code)| *code == line.code).map(|(word, _)| *word)?;
            Some(QualityLine {
                site: self.names.site(site)?,
                unit: self.names.unit(line.place.unit)?,
                code: Code::parse(word).ok()?,
                since: self.names.zone(site, &self.zone).date(line.place.from),
            })
        };
        let seen = self.quality.iter().filter(|line| audience.sees([line.standing_site, line.home_site]));
        seen.filter_map(line).collect()
    }

    /// Dates since the mail before on which nobody looked whether there should be one.
    fn missed(&self) -> Vec<LocalDate> {
        let since = self.history.iter().rev().take_while(|digest| digest.outcome != Outcome::Mailed);
        let missed = since.filter(|digest| digest.outcome == Outcome::Missed);
        let mut dates: Vec<LocalDate> = missed.map(|digest| digest.date).collect();
        dates.reverse();
        dates
    }

    /// Overdue at the end of each of the last weeks, as far as it was counted; of this week, now.
    fn weeks(&self, audience: &Audience, rows: &[&DueRow]) -> [Week; WEEKS] {
        let this_monday = monday(self.date);
        std::array::from_fn(|n| {
            let back = i32::try_from(WEEKS - 1 - n).unwrap_or(0);
            let start = this_monday.plus_days(-7 * back);
            let counted = self.history.iter().rev().find(|digest| {
                digest.outcome != Outcome::Missed && digest.date >= start && digest.date < start.plus_days(7)
            });
            let overdue = if back == 0 {
                let now = rows.iter().filter(|row| row.state == DueState::Overdue).count();
                Some(u32::try_from(now).unwrap_or(u32::MAX))
            } else {
                counted.map(|digest| {
                    let seen = digest.overdue.iter().filter(|(site, _)| audience.sees([**site]));
                    seen.map(|(_, count)| count).sum()
                })
            };
            Week { monday: start, overdue }
        })
    }
}

/// The Monday of a date's week.
fn monday(date: LocalDate) -> LocalDate {
    let back = (0..7).find(|back| date.plus_days(-back).weekday() == model::mail::Weekday::Monday);
    date.plus_days(-back.unwrap_or(0))
}

/// Units of lines that a mail shows, of lines that changed, and those on which a tag may hang.
fn units_to_work_out(ground: &Ground, before: Option<&Snapshot>) -> BTreeSet<UnitId> {
    let mut units: BTreeSet<UnitId> = ground.tagged.iter().copied().collect();
    for state in
        [DueState::Overdue, DueState::Due, DueState::ComingDue, DueState::Deferred, DueState::Unknown]
    {
        let of_state = ground.items.iter().filter(|row| row.state == state);
        units.extend(of_state.take(WORKED_OUT).map(|row| row.place.unit));
    }
    if let Some(before) = before {
        units.extend(changes::units(ground, before).take(WORKED_OUT));
    }
    units
}

/// Every unit that a mail may name.
fn units_named(
    ground: &Ground,
    quality: &[Quality],
    before: Option<&Snapshot>,
    others: impl Iterator<Item = UnitId>,
) -> BTreeSet<UnitId> {
    let mut units: BTreeSet<UnitId> = others.collect();
    units.extend(ground.items.iter().map(|row| row.place.unit));
    units.extend(quality.iter().map(|line| line.place.unit));
    units.extend(before.into_iter().flat_map(|before| before.items().keys().map(|item| item.0)));
    units
}

async fn waiting(store: &Store, organization: OrganizationId, reach: &Reach) -> Result<Waiting> {
    let sites = reach.sites();
    let held = store.held(organization, sites.clone(), 0, HELD_MOST).await?.items.len();
    let sets = sites.into_iter().collect();
    let contested = store.contested(organization, RecordKind::Unit, sets, None, HELD_MOST).await?;
    let contested: usize = contested.items.iter().map(|record| record.fields.len()).sum();
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    Ok(Waiting { held: count(held), contested: count(contested) })
}

async fn silent_handsets(store: &Store, organization: OrganizationId, now: Instant) -> Result<u32> {
    let (mut silent, mut after) = (0, None);
    loop {
        let page = store.handsets(organization, None, after, PAGE).await?;
        for handset in &page.items {
            let state = &handset.state;
            let heard = state.last_seen_at.is_none_or(|at| at > now.plus_seconds(-SILENT_SECONDS));
            silent += u32::from(!heard && handset.fields.revoked.is_none());
            after = Some(state.handset);
        }
        if !page.more {
            return Ok(silent);
        }
    }
}
