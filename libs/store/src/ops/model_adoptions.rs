//! Adoptions for a model: service events that are of no one unit.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use model::{
    EventId, Instant, Zone,
    event::{ModelAdoption, UnitModel},
    time::When,
};

use super::super::Conn;
use super::{
    IDS_AT_ONCE,
    contexts::ContextId,
    events::{self, Found},
    log,
    schema::{change_log, model_adoption},
};
use crate::{error::Result, key::Key, stored, view::EventView};

/// Adds an adoption, whose text is as the log has it.
pub(crate) fn add(conn: &mut Conn, organization: Key, adoption: &ModelAdoption, body: &str) -> Result<()> {
    diesel::insert_into(model_adoption::table)
        .values((
            model_adoption::organization.eq(organization),
            model_adoption::id.eq(Key::from(adoption.id)),
            model_adoption::model.eq(ContextId::of_model(&adoption.of).key()),
            model_adoption::body.eq(body),
        ))
        .execute(conn)?;
    Ok(())
}

/// All adoptions for these models, in order of id.
pub(crate) fn of_models(
    conn: &mut Conn,
    organization: Key,
    models: &BTreeSet<UnitModel>,
) -> Result<Vec<ModelAdoption>> {
    let keys: Vec<Key> = models.iter().map(|model| ContextId::of_model(model).key()).collect();
    let mut found = Vec::new();
    for some in keys.chunks(IDS_AT_ONCE) {
        let bodies: Vec<String> = model_adoption::table
            .filter(model_adoption::organization.eq(organization))
            .filter(model_adoption::model.eq_any(some.to_vec()))
            .order(model_adoption::id)
            .select(model_adoption::body)
            .load(conn)?;
        for body in bodies {
            found.push(read(&body)?);
        }
    }
    found.retain(|adoption| models.contains(&adoption.of));
    Ok(found)
}

/// One adoption as a reader sees it.
pub(crate) fn find(conn: &mut Conn, organization: Key, id: EventId) -> Result<Option<EventView>> {
    let found: Option<(String, i64, Key, Vec<u8>)> = model_adoption::table
        .inner_join(
            change_log::table.on(change_log::organization
                .eq(model_adoption::organization)
                .and(change_log::edit_id.eq(model_adoption::id))
                .and(change_log::row_kind.eq(log::EDIT))),
        )
        .filter(model_adoption::organization.eq(organization))
        .filter(model_adoption::id.eq(Key::from(id)))
        .select((model_adoption::body, change_log::recorded_at, change_log::author, change_log::content_hash))
        .first(conn)
        .optional()?;
    let Some((body, recorded_at, author, content_hash)) = found else { return Ok(None) };
    let occurred_at = place_of(&read(&body)?).micros();
    let found = Found {
        id: Key::from(id),
        unit: None,
        occurred_at,
        body: events::parsed(&body)?,
        recorded_at,
        author,
        content_hash,
    };
    events::views(conn, organization, vec![found]).map(|mut views| views.pop())
}

/// Where an adoption for a model stands in time. A day is counted at each unit's site; here it has to be some instant.
pub(crate) fn place_of(adoption: &ModelAdoption) -> Instant {
    match adoption.occurred.when {
        When::At { instant, .. } => instant,
        When::On(date) => Zone::utc().midnight(date),
    }
}

/// The model's key and the text of every adoption; for the rebuild.
pub(crate) fn all(conn: &mut Conn, organization: Key) -> Result<BTreeMap<Key, (Key, String)>> {
    let rows: Vec<(Key, Key, String)> = model_adoption::table
        .filter(model_adoption::organization.eq(organization))
        .select((model_adoption::id, model_adoption::model, model_adoption::body))
        .load(conn)?;
    Ok(rows.into_iter().map(|(id, model, body)| (id, (model, body))).collect())
}

/// Reads an adoption for a model as the log holds it.
pub(crate) fn read(body: &str) -> Result<ModelAdoption> {
    stored::text("adoption for a model", body, ModelAdoption::read)
}
