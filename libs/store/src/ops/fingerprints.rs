//! What is told of a unit, and of a site, in one number: kept with each write, so that nobody has to read it all to compare.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{
    SiteId,
    edit::{RecordKind, Target},
};
use proof::{Fingerprint, Hash, Prefix};

use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, inserts,
    log::LogRow,
    records::{self, Stored},
    schema::{unit_sent, unit_state},
    scope::units_at,
    told::{self, Told},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{Among, SiteFingerprint},
};

/// What is told of a unit, as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = unit_sent)]
pub(crate) struct SentRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) home_site: Key,
    pub(crate) standing_site: Key,
    pub(crate) retired: i64,
    /// The hash of its record; none where nothing has been worked out yet.
    pub(crate) record_hash: Option<Vec<u8>>,
    pub(crate) events: i64,
    pub(crate) events_sum: Vec<u8>,
}

impl SentRow {
    fn of_new(organization: Key, unit_id: Key) -> Self {
        Self {
            organization,
            unit_id,
            home_site: Key::NIL,
            standing_site: Key::NIL,
            retired: 0,
            record_hash: None,
            events: 0,
            events_sum: Fingerprint::default().to_bytes().to_vec(),
        }
    }

    fn set_record(&mut self, record: &Record) {
        self.retired = i64::from(record.retired);
        self.record_hash = Some(record.hash.as_bytes().to_vec());
    }

    fn add(&mut self, event: &Told) -> Result<()> {
        let mut sum = self.sum()?;
        sum.add(event.hash());
        self.events += 1;
        self.events_sum = sum.to_bytes().to_vec();
        Ok(())
    }

    fn sum(&self) -> Result<Fingerprint> {
        Fingerprint::from_slice(&self.events_sum)
            .ok_or_else(|| StoreError::corrupt("fingerprint")(&self.unit_id.0))
    }

    fn is_at(&self, site: Key) -> bool {
        self.home_site == site || self.standing_site == site
    }
}

/// What counts of a unit's record.
struct Record {
    retired: bool,
    hash: Hash,
}

/// Adds rows that have just been written about units, and the records of units that they made or changed.
pub(crate) fn add(
    conn: &mut Conn,
    organization: Key,
    records: &[(Key, Stored)],
    events: &[&LogRow],
) -> Result<()> {
    let units = records.iter().map(|(id, _)| *id).chain(events.iter().filter_map(|row| row.unit_id));
    let units: BTreeSet<Key> = units.collect();
    if units.is_empty() {
        return Ok(());
    }
    let (mut rows, unknown) = stored(conn, organization, units)?;
    for (id, record) in of_records(conn, organization, records)? {
        if let Some(row) = rows.get_mut(&id) {
            row.set_record(&record);
        }
    }
    let events = events.iter().filter(|row| row.unit_id.is_some_and(|unit| rows.contains_key(&unit)));
    for event in told::just_written(conn, organization, events.copied())? {
        if let Some(row) = event.unit.and_then(|unit| rows.get_mut(&unit)) {
            row.add(&event)?;
        }
    }
    let rows: Vec<SentRow> = rows.into_values().chain(worked_out(conn, organization, unknown)?).collect();
    inserts::sent(conn, &rows)?;
    Ok(())
}

/// What is stored of some units, with the sites that have them in scope now, new ones included; and apart from that those of
/// which nothing has been worked out.
fn stored(
    conn: &mut Conn,
    organization: Key,
    units: BTreeSet<Key>,
) -> Result<(BTreeMap<Key, SentRow>, Vec<SentRow>)> {
    let (mut known, mut unknown) = (BTreeMap::new(), Vec::new());
    for some in units.into_iter().collect::<Vec<_>>().chunks(IDS_AT_ONCE) {
        let rows: Vec<(Key, Key, Key, Option<SentRow>)> = unit_state::table
            .left_join(
                unit_sent::table.on(unit_sent::organization
                    .eq(unit_state::organization)
                    .and(unit_sent::unit_id.eq(unit_state::unit_id))),
            )
            .filter(unit_state::organization.eq(organization))
            .filter(among(unit_state::unit_id, some.to_vec()))
            .select((
                unit_state::unit_id,
                unit_state::home_site,
                unit_state::standing_site,
                Option::<SentRow>::as_select(),
            ))
            .load(conn)?;
        for (unit, home_site, standing_site, row) in rows {
            let is_unknown = row.as_ref().is_some_and(|row| row.record_hash.is_none());
            let row = row.unwrap_or_else(|| SentRow::of_new(organization, unit));
            let row = SentRow { home_site, standing_site, ..row };
            if is_unknown { unknown.push(row) } else { drop(known.insert(unit, row)) }
        }
    }
    Ok((known, unknown))
}

/// These rows worked out from what is stored of their units.
pub(crate) fn worked_out(conn: &mut Conn, organization: Key, rows: Vec<SentRow>) -> Result<Vec<SentRow>> {
    let mut done = Vec::with_capacity(rows.len());
    for row in rows {
        let target = Target::Unit(row.unit_id.id());
        let found: Vec<(Key, Stored)> = records::find(conn, organization, target)?
            .map(|stored| (row.unit_id, stored))
            .into_iter()
            .collect();
        let mut row = SentRow {
            home_site: row.home_site,
            standing_site: row.standing_site,
            ..SentRow::of_new(organization, row.unit_id)
        };
        for (_, record) in of_records(conn, organization, &found)? {
            row.set_record(&record);
        }
        for event in told::events_of(conn, organization, &[row.unit_id])? {
            row.add(&event)?;
        }
        done.push(row);
    }
    Ok(done)
}

fn of_records(conn: &mut Conn, organization: Key, rows: &[(Key, Stored)]) -> Result<Vec<(Key, Record)>> {
    let told = told::records(conn, organization, RecordKind::Unit, rows)?;
    let record = |(told, (id, stored)): (Told, &(Key, Stored))| {
        (*id, Record { retired: stored.record.is_retired(), hash: told.hash() })
    };
    Ok(told.into_iter().zip(rows).map(record).collect())
}

/// What is stored of some units.
pub(crate) fn of_units(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<Vec<SentRow>> {
    Ok(unit_sent::table
        .filter(unit_sent::organization.eq(organization))
        .filter(among(unit_sent::unit_id, units.to_vec()))
        .select(SentRow::as_select())
        .load(conn)?)
}

/// The fingerprints of sites, none for all of them; nothing where they are more than `most`.
pub(crate) fn of_sites(
    conn: &mut Conn,
    organization: Key,
    sites: Option<&BTreeSet<SiteId>>,
    most: usize,
) -> Result<Option<Vec<SiteFingerprint>>> {
    let records = match sites {
        Some(sites) if sites.len() > most => return Ok(None),
        Some(sites) => {
            let sites: Vec<Key> = sites.iter().map(|site| Key::from(*site)).collect();
            site_records(conn, organization, &sites)?
        }
        None => {
            let limit = most.saturating_add(1);
            let rows = records::stored_after(conn, organization, RecordKind::Site, &Among::All, None, limit)?;
            if rows.len() > most {
                return Ok(None);
            }
            let sites: Vec<Key> = rows.iter().map(|(site, _)| *site).collect();
            told_sites(conn, organization, &sites, rows)?
        }
    };
    let sites: Vec<Key> = records.iter().map(|(site, _)| *site).collect();
    let units = units_at(conn, organization, &sites)?;
    let mut found = Vec::with_capacity(sites.len());
    for (site, own) in records {
        let mut sum: Fingerprint = own.iter().map(Told::hash).collect();
        let mut count = u64::from(own.is_some());
        for unit in units.iter().filter(|unit| unit.retired == 0 && unit.is_at(site)) {
            let record = unit.record_hash.as_deref().and_then(Hash::from_slice);
            sum = sum.plus(unit.sum()?).plus(record.into_iter().collect());
            count += 1 + u64::try_from(unit.events).unwrap_or_default();
        }
        found.push(SiteFingerprint { site: site.id(), count, fingerprint: sum });
    }
    Ok(Some(found))
}

/// The units in scope of sites, all worked out.
fn units_at(conn: &mut Conn, organization: Key, sites: &[Key]) -> Result<Vec<SentRow>> {
    let rows: Vec<SentRow> = units_at!(organization, sites.to_vec())
        .order(unit_sent::unit_id)
        .select(SentRow::as_select())
        .load(conn)?;
    let (known, unknown): (Vec<SentRow>, _) = rows.into_iter().partition(|row| row.record_hash.is_some());
    Ok(known.into_iter().chain(worked_out(conn, organization, unknown)?).collect())
}

/// Sites, each with its record as it is told, where it is there and not retired.
fn site_records(conn: &mut Conn, organization: Key, sites: &[Key]) -> Result<Vec<(Key, Option<Told>)>> {
    let targets = sites.iter().map(|site| Target::Site(site.id())).collect();
    let stored = records::some(conn, organization, &targets)?;
    let rows = stored.into_iter().map(|(target, stored)| (Key(target.uuid()), stored)).collect();
    told_sites(conn, organization, sites, rows)
}

/// The same of those whose rows these are.
fn told_sites(
    conn: &mut Conn,
    organization: Key,
    sites: &[Key],
    mut rows: Vec<(Key, Stored)>,
) -> Result<Vec<(Key, Option<Told>)>> {
    rows.retain(|(_, stored)| !stored.record.is_retired());
    let mut told: BTreeMap<Key, Told> = told::records(conn, organization, RecordKind::Site, &rows)?
        .into_iter()
        .map(|told| (told.id, told))
        .collect();
    Ok(sites.iter().map(|site| (*site, told.remove(site))).collect())
}

/// So many units are read at once where all that is told of a site is gone through.
const UNITS_AT_ONCE: usize = 20;

/// Goes through all that a site's fingerprint covers and whose id begins with a prefix.
pub(crate) fn each(
    conn: &mut Conn,
    organization: Key,
    site: SiteId,
    prefix: &Prefix,
    mut take: impl FnMut(Told) -> bool,
) -> Result<()> {
    let site = Key::from(site);
    let own = site_records(conn, organization, &[site])?.into_iter().filter_map(|(_, own)| own);
    if !own.filter(|own| prefix.begins(own.id.0)).all(&mut take) {
        return Ok(());
    }
    let units: Vec<Key> = units_at(conn, organization, &[site])?
        .iter()
        .filter(|unit| unit.retired == 0)
        .map(|unit| unit.unit_id)
        .collect();
    let (first, last) = prefix.range();
    for some in units.chunks(UNITS_AT_ONCE) {
        let within = some.iter().filter(|unit| prefix.begins(unit.0));
        let targets = within.map(|unit| Target::Unit(unit.id())).collect();
        let stored: Vec<(Key, Stored)> = records::some(conn, organization, &targets)?
            .into_iter()
            .map(|(target, stored)| (Key(target.uuid()), stored))
            .collect();
        let units = told::records(conn, organization, RecordKind::Unit, &stored)?;
        let events = told::events_between(conn, organization, some, (Key(first), Key(last)))?;
        if !units.into_iter().chain(events).all(&mut take) {
            return Ok(());
        }
    }
    Ok(())
}
