//! What many units are folded with, and which units are stale because it changed.
//!
//! A mass change (a site's zone, an adoption for a model) writes one row of `context` and locks no unit. Every unit
//! keeps in `unit_context` the version of each context that it was folded with, read before what the context says;
//! while one of them is behind, the unit is stale: lists show it as stored, and the advance folds it anew.
//!
//! No stale unit is missed, since `folded_version` is never above the version of any unit's row: it is raised under
//! the organization's counter where no committed row is below, and a row that is committed later belongs to a
//! transaction that takes the counter later, compares, and lowers it again ([`overtaken`]).

mod stale;

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{SiteId, event::UnitModel};

pub(crate) use self::stale::{any_behind, are_behind, pending, settle, stale, stale_of, units_behind};
use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, inserts,
    schema::{context, unit_context},
    units::Unit,
};
use crate::{
    error::{Result, StoreError},
    key::Key,
};

/// Something that many units are folded with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum ContextId {
    /// The zone of a site.
    Site(Key),
    /// The adoptions for a model, named by a digest of maker and model.
    Model(Key),
}

/// Contexts with a version of each: how often it was changed since it began.
pub(crate) type Versions = BTreeMap<ContextId, i64>;

/// What a [`ContextId::Site`] is called.
pub(crate) const SITE: &str = "site";
const MODEL: &str = "model";

impl ContextId {
    pub(crate) fn of_site(site: SiteId) -> Self {
        Self::Site(Key::from(site))
    }

    pub(crate) fn of_model(model: &UnitModel) -> Self {
        let text = serde_json::json!([model.maker, model.model]).to_string();
        let mut digest = [0; 16];
        digest.iter_mut().zip(proof::sha256(text).as_bytes()).for_each(|(to, from)| *to = *from);
        Self::Model(Key(uuid::Builder::from_custom_bytes(digest).into_uuid()))
    }

    /// Everything that the fold of a unit rests on beside its own rows.
    pub(crate) fn of_unit(unit: &Unit) -> Result<BTreeSet<Self>> {
        let mut found: BTreeSet<Self> = unit.sites()?.into_iter().map(Self::of_site).collect();
        found.extend(unit.models().iter().map(Self::of_model));
        Ok(found)
    }

    pub(crate) fn kind(self) -> &'static str {
        match self {
            Self::Site(_) => SITE,
            Self::Model(_) => MODEL,
        }
    }

    pub(crate) fn key(self) -> Key {
        let (Self::Site(key) | Self::Model(key)) = self;
        key
    }

    fn read(kind: &str, key: Key) -> Result<Self> {
        match kind {
            SITE => Ok(Self::Site(key)),
            MODEL => Ok(Self::Model(key)),
            _ => Err(StoreError::corrupt("context")(&kind)),
        }
    }
}

/// The version of each of these contexts; what was never changed is at 0.
pub(crate) fn versions(conn: &mut Conn, organization: Key, of: &BTreeSet<ContextId>) -> Result<Versions> {
    let mut found: Versions = of.iter().map(|context| (*context, 0)).collect();
    for (context, version, _) in rows(conn, organization, of)? {
        found.insert(context, version);
    }
    Ok(found)
}

/// The rows of these contexts: version, and the version that no unit is below.
fn rows(conn: &mut Conn, organization: Key, of: &BTreeSet<ContextId>) -> Result<Vec<(ContextId, i64, i64)>> {
    let all: Vec<Key> = of.iter().map(|context| context.key()).collect();
    let mut found = Vec::new();
    for some in all.chunks(IDS_AT_ONCE) {
        let rows: Vec<(String, Key, i64, i64)> = context::table
            .filter(context::organization.eq(organization))
            .filter(among(context::kind, vec![SITE, MODEL]))
            .filter(among(context::key, some.to_vec()))
            .select((context::kind, context::key, context::version, context::folded_version))
            .load(conn)?;
        for (kind, key, version, folded) in rows {
            found.push((ContextId::read(&kind, key)?, version, folded));
        }
    }
    found.retain(|(context, ..)| of.contains(context));
    Ok(found)
}

/// With which versions these units were folded.
pub(crate) fn of_units(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<BTreeMap<Key, Versions>> {
    let mut found: BTreeMap<Key, Versions> = BTreeMap::new();
    for some in units.chunks(IDS_AT_ONCE) {
        let rows: Vec<(Key, String, Key, i64)> = unit_context::table
            .filter(unit_context::organization.eq(organization))
            .filter(among(unit_context::unit_id, some.to_vec()))
            .select((unit_context::unit_id, unit_context::kind, unit_context::key, unit_context::version))
            .load(conn)?;
        for (unit, kind, key, version) in rows {
            found.entry(unit).or_default().insert(ContextId::read(&kind, key)?, version);
        }
    }
    Ok(found)
}

/// A unit's versions as they were stored and as they are now.
pub(crate) struct Folded {
    pub(crate) unit: Key,
    pub(crate) before: Versions,
    pub(crate) now: Versions,
}

/// With which version of a context a unit was folded, as it is stored.
pub(crate) struct UnitContextRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    pub(crate) kind: String,
    pub(crate) key: Key,
    pub(crate) version: i64,
}

/// Keeps with which versions units were folded; whoever does so takes the counter and calls [`overtaken`] next.
pub(crate) fn keep(conn: &mut Conn, organization: Key, folded: &[Folded]) -> Result<()> {
    let mut written = Vec::new();
    for Folded { unit, before, now } in folded {
        for context in before.keys().filter(|context| !now.contains_key(context)) {
            diesel::delete(unit_context::table.find((organization, *unit, context.kind(), context.key())))
                .execute(conn)?;
        }
        let changed = now.iter().filter(|(context, version)| before.get(context) != Some(version));
        written.extend(changed.map(|(context, version)| UnitContextRow {
            organization,
            unit_id: *unit,
            kind: context.kind().to_owned(),
            key: context.key(),
            version: *version,
        }));
    }
    inserts::unit_contexts(conn, &written)?;
    Ok(())
}

/// Under the counter: what was folded with a version that a mass change has overtaken meanwhile stays to be found. Says
/// whether there is such.
pub(crate) fn overtaken(conn: &mut Conn, organization: Key, folded: &[Folded]) -> Result<bool> {
    let mut least = Versions::new();
    for (context, version) in folded.iter().flat_map(|folded| &folded.now) {
        let known = least.entry(*context).or_insert(*version);
        *known = (*known).min(*version);
    }
    let mut found = false;
    for (context, version, folded_version) in rows(conn, organization, &least.keys().copied().collect())? {
        let Some(least) = least.get(&context).filter(|least| **least < version) else { continue };
        found = true;
        if *least < folded_version {
            diesel::update(context::table.find((organization, context.kind(), context.key())))
                .set(context::folded_version.eq(*least))
                .execute(conn)?;
        }
    }
    Ok(found)
}

/// Under the counter: counts changes of contexts.
pub(crate) fn count(conn: &mut Conn, organization: Key, changes: &Versions) -> Result<()> {
    for (context, changes) in changes {
        diesel::insert_into(context::table)
            .values((
                context::organization.eq(organization),
                context::kind.eq(context.kind()),
                context::key.eq(context.key()),
                context::version.eq(*changes),
                context::folded_version.eq(0),
            ))
            .on_conflict((context::organization, context::kind, context::key))
            .do_update()
            .set(context::version.eq(context::version + *changes))
            .execute(conn)?;
    }
    Ok(())
}

/// Every context with its version and the version that no unit is below; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<BTreeMap<ContextId, (i64, i64)>> {
    let rows: Vec<(String, Key, i64, i64)> = context::table
        .filter(context::organization.eq(organization))
        .select((context::kind, context::key, context::version, context::folded_version))
        .load(conn)?;
    rows.into_iter()
        .map(|(kind, key, version, folded)| Ok((ContextId::read(&kind, key)?, (version, folded))))
        .collect()
}

/// The oldest version of each context that a unit was folded with, and the newest; for the rebuild.
pub(crate) fn range_of_units(conn: &mut Conn, organization: Key) -> Result<BTreeMap<ContextId, (i64, i64)>> {
    let rows: Vec<(String, Key, Option<i64>, Option<i64>)> = unit_context::table
        .filter(unit_context::organization.eq(organization))
        .group_by((unit_context::kind, unit_context::key))
        .select((
            unit_context::kind,
            unit_context::key,
            diesel::dsl::min(unit_context::version),
            diesel::dsl::max(unit_context::version),
        ))
        .load(conn)?;
    rows.into_iter()
        .map(|(kind, key, least, most)| {
            Ok((ContextId::read(&kind, key)?, (least.unwrap_or_default(), most.unwrap_or_default())))
        })
        .collect()
}
