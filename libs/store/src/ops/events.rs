//! Service events: facts, added and never changed.

use diesel::prelude::*;
use model::{
    EditionId, EventId, Instant, SiteId, UnitId,
    event::{CorrectionAction, Details, ServiceEvent},
    json,
};
use serde_json::Value;

use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE,
    log::{self, LogRow},
    model_adoptions,
    private_texts::{self, Texts},
    schema::{change_log, service_event},
};
use crate::{
    command::Etag,
    error::{Result, StoreError},
    key::Key,
    stored,
    view::{EventQuery, EventView, Page, one_more},
};

/// A service event as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = service_event)]
pub(crate) struct EventRow {
    pub(crate) organization: Key,
    pub(crate) id: Key,
    pub(crate) unit_id: Key,
    pub(crate) site_id: Option<Key>,
    pub(crate) kind: String,
    pub(crate) occurred_at: i64,
    pub(crate) body: String,
    pub(crate) recorded_at: i64,
    /// Who made it.
    pub(crate) author: Key,
}

impl EventRow {
    /// An event as its row of the log tells it, which stands at `occurred_at` in time.
    pub(crate) fn of(row: &LogRow, event: &ServiceEvent, occurred_at: Instant) -> Self {
        Self {
            organization: row.organization,
            id: row.record_id,
            unit_id: Key::from(event.unit_id),
            site_id: site_of(event).map(Key::from),
            kind: event.kind().as_str().to_owned(),
            occurred_at: occurred_at.micros(),
            recorded_at: row.recorded_at,
            author: row.made_by(),
            body: row.body.clone(),
        }
    }
}

/// The site that an event names.
pub(crate) fn site_of(event: &ServiceEvent) -> Option<SiteId> {
    site_in(&event.details)
}

fn site_in(details: &Details) -> Option<SiteId> {
    match details {
        Details::Commissioning(c) => Some(c.site_id),
        Details::Placement(p) => Some(p.site_id),
        _ => None,
    }
}

/// The sites that an event names, in what it puts in another's place too.
pub(crate) fn sites_of(event: &ServiceEvent) -> impl Iterator<Item = SiteId> {
    std::iter::once(&event.details).chain(replaced(event)).filter_map(site_in)
}

/// The edition that an event adopts, and that which it says another adopts.
pub(crate) fn editions_of(event: &ServiceEvent) -> impl Iterator<Item = EditionId> {
    std::iter::once(&event.details).chain(replaced(event)).filter_map(|details| match details {
        Details::Adoption(adoption) => Some(adoption.edition_id),
        _ => None,
    })
}

/// What an event puts in the place of another's content.
fn replaced(event: &ServiceEvent) -> Option<&Details> {
    let Details::Correction(correction) = &event.details else { return None };
    let CorrectionAction::Amend { replacement, .. } = &correction.action else { return None };
    Some(&replacement.details)
}

/// Moves an event in time, when the zone that its day is counted in was corrected.
pub(crate) fn move_in_time(
    conn: &mut Conn,
    organization: Key,
    id: EventId,
    occurred_at: Instant,
) -> Result<()> {
    diesel::update(service_event::table.find((organization, Key::from(id))))
        .set(service_event::occurred_at.eq(occurred_at.micros()))
        .execute(conn)?;
    Ok(())
}

/// All events of a unit.
pub(crate) fn of_unit(conn: &mut Conn, organization: Key, unit: UnitId) -> Result<Vec<EventRow>> {
    of_units(conn, organization, &[unit])
}

/// All events of some units, those of each unit in the order they happened.
pub(crate) fn of_units(conn: &mut Conn, organization: Key, units: &[UnitId]) -> Result<Vec<EventRow>> {
    let mut rows = Vec::new();
    for some in units.chunks(IDS_AT_ONCE) {
        rows.extend(
            service_event::table
                .filter(service_event::organization.eq(organization))
                .filter(among(service_event::unit_id, some.iter().map(|id| Key::from(*id)).collect()))
                .order((service_event::unit_id, service_event::occurred_at, service_event::id))
                .select(EventRow::as_select())
                .load::<EventRow>(conn)?,
        );
    }
    Ok(rows)
}

/// One event, of a unit or for a model.
pub(crate) fn find(conn: &mut Conn, organization: Key, id: EventId) -> Result<Option<EventView>> {
    let found = with_log(conn, organization, &[Key::from(id)])?;
    match views(conn, organization, found)?.pop() {
        Some(view) => Ok(Some(view)),
        None => model_adoptions::find(conn, organization, id),
    }
}

/// A page of a unit's events in the order they happened.
pub(crate) fn list(conn: &mut Conn, query: &EventQuery) -> Result<Page<EventView>> {
    let organization = Key::from(query.organization);
    let mut ids = service_event::table
        .filter(service_event::organization.eq(organization))
        .filter(service_event::unit_id.eq(Key::from(query.unit)))
        .order((service_event::occurred_at, service_event::id))
        .limit(one_more(query.limit))
        .select(service_event::id)
        .into_boxed();
    if let Some(kind) = query.kind {
        ids = ids.filter(service_event::kind.eq(kind.as_str()));
    }
    if let Some((at, id)) = query.after {
        ids = ids.filter(
            service_event::occurred_at
                .gt(at.micros())
                .or(service_event::occurred_at.eq(at.micros()).and(service_event::id.gt(Key::from(id)))),
        );
    }
    let Page { items, more } = Page::<Key>::cut(ids.load(conn)?, query.limit);
    let found = with_log(conn, organization, &items)?;
    Ok(Page { items: views(conn, organization, found)?, more })
}

/// Who entered an event.
pub(crate) fn author(conn: &mut Conn, organization: Key, id: EventId) -> Result<Option<Key>> {
    Ok(log::of_edits(conn, organization, &[Key::from(id)])?.first().map(LogRow::made_by))
}

/// Reads an event as the log holds it, with the instant that counts: that of a handset's clock may have been put right.
pub(crate) fn read(body: &str, counts_at: Option<i64>) -> Result<ServiceEvent> {
    let mut event = stored::text("service event", body, ServiceEvent::read)?;
    if let Some(counts_at) = counts_at {
        event.put_right(Instant::from_micros(counts_at));
    }
    Ok(event)
}

/// The instant that counts, where it is another than the body says: that of a handset's clock was put right.
pub(crate) fn put_right(body: &Value, counts_at: i64) -> Option<Instant> {
    body.get("occurred_source").filter(|source| *source == "clock")?;
    let told = Instant::parse(body.get("occurred_at")?.as_str()?).ok()?;
    (told.micros() != counts_at).then(|| Instant::from_micros(counts_at))
}

/// An event's body as JSON.
pub(crate) fn parsed(body: &str) -> Result<Value> {
    json::parse(body.as_bytes()).map_err(|e| StoreError::corrupt("service event")(&e))
}

/// What a reader is shown of an event.
pub(crate) struct Found {
    pub(crate) id: Key,
    pub(crate) unit: Option<Key>,
    pub(crate) occurred_at: i64,
    pub(crate) body: Value,
    pub(crate) recorded_at: i64,
    pub(crate) author: Key,
    pub(crate) content_hash: Vec<u8>,
}

fn with_log(conn: &mut Conn, organization: Key, ids: &[Key]) -> Result<Vec<Found>> {
    let mut found = Vec::with_capacity(ids.len());
    for some in ids.chunks(IDS_AT_ONCE) {
        let rows: Vec<(EventRow, Vec<u8>)> = service_event::table
            .inner_join(
                change_log::table.on(change_log::organization
                    .eq(service_event::organization)
                    .and(change_log::edit_id.eq(service_event::id))
                    .and(among(change_log::row_kind, log::ACCEPTED.to_vec()))),
            )
            .filter(service_event::organization.eq(organization))
            .filter(among(service_event::id, some.to_vec()))
            .order((service_event::occurred_at, service_event::id))
            .select((EventRow::as_select(), change_log::content_hash))
            .load(conn)?;
        for (row, content_hash) in rows {
            found.push(Found {
                id: row.id,
                unit: Some(row.unit_id),
                occurred_at: row.occurred_at,
                body: parsed(&row.body)?,
                recorded_at: row.recorded_at,
                author: row.author,
                content_hash,
            });
        }
    }
    Ok(found)
}

/// Events as a reader sees them, private text joined in.
pub(crate) fn views(conn: &mut Conn, organization: Key, found: Vec<Found>) -> Result<Vec<EventView>> {
    let ids: Vec<Key> = found.iter().map(|found| found.id).collect();
    let texts = private_texts::of_edits(conn, organization, &ids)?;
    found.into_iter().map(|found| view(found, &texts)).collect()
}

/// An event as a reader sees it.
pub(crate) fn view(found: Found, texts: &Texts) -> Result<EventView> {
    let mut body = found.body;
    let happened_at = put_right(&body, found.occurred_at);
    let mut erased = false;
    let private = ServiceEvent::private(&body);
    proof::unseal(&mut body, private, |pointer, _| {
        let text = texts.get(&(found.id, pointer.to_owned())).map(|(_, text)| text.clone());
        erased |= text.is_none();
        text
    });
    let Value::Object(body) = body else {
        return Err(StoreError::corrupt("service event")(&"not an object"));
    };
    let hash = proof::Hash::from_slice(&found.content_hash).map(|hash| hash.to_string()).unwrap_or_default();
    let etag = format!("{}{}", hash.get(..24).unwrap_or_default(), if erased { "-erased" } else { "" });
    Ok(EventView {
        id: found.id.id(),
        unit: found.unit.map(Key::id),
        occurred_at: Instant::from_micros(found.occurred_at),
        body,
        happened_at,
        recorded_at: Instant::from_micros(found.recorded_at),
        author: found.author.id(),
        etag: Etag(etag),
    })
}
