//! Whether all is there: one number for each site over the copy, held against what the service says, and what differs found
//! part by part.

use std::collections::{BTreeMap, BTreeSet};

use interval::{Input, Policy, UnitFacts};
use model::{
    Instant, SiteId, UnitId,
    event::ServiceEvent,
    read::{Mode, whole},
    unit::MeterTick,
};
use proof::{Fingerprint, Hash, Prefix};
use serde_json::Value;
use uuid::Uuid;

use crate::{
    disk::{Conn, records},
    error::Result,
    replica,
    wire::{Change, Part, SiteSum},
};

/// A record that a fingerprint covers: its kind, its id, and what is added up of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Covered {
    kind: String,
    id: Uuid,
    hash: Hash,
}

/// What the copy has of each site: its own record, the units at home or standing there that are not retired, and their
/// events.
pub(crate) fn covered(conn: &mut Conn) -> Result<BTreeMap<SiteId, Vec<Covered>>> {
    let sums = records::sums(conn)?;
    let moved: BTreeSet<UnitId> = records::moved_units(conn)?.into_iter().collect();
    let mut sites: BTreeMap<UnitId, BTreeSet<SiteId>> = BTreeMap::new();
    for unit in sums.iter().filter(|sum| sum.kind == "unit" && !sum.retired) {
        let (id, Some(home)) = (UnitId::from_uuid(unit.id), unit.home) else { continue };
        let standing = if moved.contains(&id) { standing(conn, id, home)? } else { home };
        sites.insert(id, BTreeSet::from([home, standing]));
    }
    let mut covered: BTreeMap<SiteId, Vec<Covered>> = BTreeMap::new();
    for sum in sums.into_iter().filter(|sum| !sum.retired) {
        let of = match sum.kind.as_str() {
            "site" => BTreeSet::from([SiteId::from_uuid(sum.id)]),
            "unit" => sites.get(&UnitId::from_uuid(sum.id)).cloned().unwrap_or_default(),
            _ => sum.unit.and_then(|unit| sites.get(&unit)).cloned().unwrap_or_default(),
        };
        for site in of {
            let one = Covered { kind: sum.kind.clone(), id: sum.id, hash: sum.hash };
            covered.entry(site).or_default().push(one);
        }
    }
    Ok(covered)
}

/// Where a unit stands as far as scope goes: its last placement, as the service has it.
fn standing(conn: &mut Conn, unit: UnitId, home: SiteId) -> Result<SiteId> {
    let events = records::events_of(conn, unit)?;
    let events: Vec<ServiceEvent> =
        events.iter().filter(|event| event.moves).filter_map(|event| read(&event.text)).collect();
    let facts = UnitFacts::plain(true, MeterTick::TENTH.hours(), home);
    let (zones, editions, policy) = (BTreeMap::new(), BTreeMap::new(), Policy::standard());
    let input =
        Input { unit, facts: &facts, events: &events, zones: &zones, editions: &editions, policy: &policy };
    Ok(interval::standing_site(&input, Instant::LAST))
}

/// An event as it was told, read; none of one that only a newer program knows.
pub(crate) fn read(text: &str) -> Option<ServiceEvent> {
    let mut event: Value = serde_json::from_str(text).ok()?;
    let members = event.as_object_mut()?;
    // What the service adds, and private text, which may be erased.
    for added in ["author", "recorded_at", "note"] {
        members.remove(added);
    }
    let happened_at = members.remove("happened_at");
    let mut event = whole(&event, Mode::New, ServiceEvent::read).ok()?;
    if let Some(at) = happened_at {
        event.put_right(Instant::parse(at.as_str()?).ok()?);
    }
    Some(event)
}

/// The number of some records.
pub(crate) fn sum<'a>(of: impl IntoIterator<Item = &'a Covered>) -> (u64, Fingerprint) {
    of.into_iter().fold((0, Fingerprint::default()), |(count, mut sum), one| {
        sum.add(one.hash);
        (count + 1, sum)
    })
}

/// The sites of which the copy has something else than the service.
pub(crate) fn differing(conn: &mut Conn, told: &[SiteSum]) -> Result<Vec<SiteId>> {
    let covered = covered(conn)?;
    let differs = |of: &&SiteSum| {
        let own = covered.get(&of.site_id).into_iter().flatten();
        sum(own) != (of.count, of.fingerprint)
    };
    Ok(told.iter().filter(differs).map(|of| of.site_id).collect())
}

/// What is to be done about the parts of a site.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Narrowed {
    /// These have too many records to be fetched: ask for their parts.
    pub(crate) ask: Vec<Prefix>,
    /// The records of these are fetched.
    pub(crate) fetch: Vec<Prefix>,
}

/// A part with so many records at most is fetched rather than narrowed down.
const FEW: u64 = 16;

/// Holds the parts of a site against the copy. What the copy has beyond them is dropped.
pub(crate) fn narrow(conn: &mut Conn, site: SiteId, within: &Prefix, parts: &[Part]) -> Result<Narrowed> {
    let own = covered(conn)?.remove(&site).unwrap_or_default();
    let beyond = own.iter().filter(|one| within.begins(one.id));
    for one in beyond.filter(|one| !parts.iter().any(|part| part.prefix.begins(one.id))) {
        records::forget(conn, &one.kind, one.id)?;
    }
    let mut narrowed = Narrowed::default();
    for part in parts {
        if sum(own.iter().filter(|one| part.prefix.begins(one.id))) == (part.count, part.fingerprint) {
            continue;
        }
        let prefix = part.prefix.clone();
        // One that is no longer than what was asked for would be asked for again and again.
        let is_longer = prefix.as_str().len() > within.as_str().len();
        if part.count > FEW && is_longer { narrowed.ask.push(prefix) } else { narrowed.fetch.push(prefix) }
    }
    Ok(narrowed)
}

/// Takes over the records of a part of a site, and drops what the copy has beyond them; says how many were others.
pub(crate) fn take_over(conn: &mut Conn, site: SiteId, prefix: &Prefix, changes: &[Change]) -> Result<usize> {
    let mut own: BTreeMap<Uuid, Covered> = BTreeMap::new();
    for one in covered(conn)?.remove(&site).unwrap_or_default() {
        own.insert(one.id, one);
    }
    own.retain(|id, _| prefix.begins(*id));
    let mut mended = 0;
    for change in changes {
        let Change::Record { kind, id, unit, text } = change else { continue };
        let before = records::find(conn, kind, *id)?;
        own.remove(id);
        // Also where it says the same: what is noted beside it may be damaged.
        replica::put(conn, kind, *id, *unit, text.clone())?;
        mended += usize::from(before != records::find(conn, kind, *id)?);
    }
    for (id, beyond) in own {
        records::forget(conn, &beyond.kind, id)?;
        mended += 1;
    }
    Ok(mended)
}
