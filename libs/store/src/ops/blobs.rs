//! Photos and papers: which are there, on their way, named by events.

mod room;
mod strays;
mod waiting;

use std::collections::BTreeSet;

use diesel::{prelude::*, upsert::excluded};
use model::{BlobHash, Instant, MediaType, PersonId, SiteId, event::ServiceEvent};
use uuid::Uuid;

pub(crate) use self::{
    room::{begin, name},
    strays::{has_any, strays},
};
use super::super::Conn;
use super::{
    log::LogRow,
    schema::{attachment, blob, blob_sender, blob_upload, unit_state},
};
use crate::{
    blobs::{Blob, Orphans, Sender, Upload},
    error::{Result, StoreError},
    key::Key,
};

/// So many are looked up for the night shift at a time.
const SOME: i64 = 100;

/// That an event names a blob.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Queryable, Selectable)]
#[diesel(table_name = attachment)]
pub(crate) struct AttachmentRow {
    pub(crate) organization: Key,
    pub(crate) sha256: Vec<u8>,
    pub(crate) event_id: Key,
    pub(crate) unit_id: Key,
    pub(crate) author: Key,
}

/// What an event names, whose row of the log is `row`.
pub(crate) fn attachments_of(row: &LogRow, event: &ServiceEvent) -> Vec<AttachmentRow> {
    let named = event.attachments.iter().map(|attachment| AttachmentRow {
        organization: row.organization,
        sha256: attachment.sha256.as_bytes().to_vec(),
        event_id: row.record_id,
        unit_id: Key::from(event.unit_id),
        author: row.made_by(),
    });
    named.collect()
}

/// What the events of a unit name; for the rebuild.
pub(crate) fn attachments(conn: &mut Conn, organization: Key, unit: Key) -> Result<Vec<AttachmentRow>> {
    let mut rows: Vec<AttachmentRow> = attachment::table
        .filter(attachment::organization.eq(organization))
        .filter(attachment::unit_id.eq(unit))
        .select(AttachmentRow::as_select())
        .load(conn)?;
    rows.sort();
    Ok(rows)
}

/// A blob as it is stored.
#[derive(Queryable, Selectable)]
#[diesel(table_name = blob)]
struct BlobRow {
    sha256: Vec<u8>,
    media_type: String,
    bytes: i64,
    place: Key,
    kept_at: i64,
}

impl BlobRow {
    fn blob(self) -> Result<Blob> {
        let media_type = MediaType::parse(&self.media_type);
        Ok(Blob {
            sha256: hash(&self.sha256)?,
            media_type: media_type.ok_or_else(|| StoreError::corrupt("blob")(&self.media_type))?,
            bytes: length(self.bytes)?,
            place: self.place.0,
            kept_at: Instant::from_micros(self.kept_at),
        })
    }
}

fn hash(bytes: &[u8]) -> Result<BlobHash> {
    BlobHash::from_slice(bytes).ok_or_else(|| StoreError::corrupt("blob")(&"its name"))
}

fn length(bytes: i64) -> Result<u64> {
    u64::try_from(bytes).map_err(|e| StoreError::corrupt("blob")(&e))
}

fn stored(bytes: u64) -> Result<i64> {
    i64::try_from(bytes).map_err(|e| StoreError::corrupt("blob")(&e))
}

pub(crate) fn find(conn: &mut Conn, organization: Key, sha256: &BlobHash) -> Result<Option<Blob>> {
    let row: Option<BlobRow> = blob::table
        .find((organization, sha256.as_bytes().as_slice()))
        .select(BlobRow::as_select())
        .first(conn)
        .optional()?;
    row.map(BlobRow::blob).transpose()
}

/// A blob that `reader` may read.
pub(crate) fn seen(conn: &mut Conn, reader: &Sender, sha256: &BlobHash) -> Result<Option<Blob>> {
    let organization = Key::from(reader.organization);
    let Some(blob) = find(conn, organization, sha256)? else { return Ok(None) };
    let senders: Vec<(Key, Option<String>)> = blob_sender::table
        .filter(blob_sender::organization.eq(organization))
        .filter(blob_sender::sha256.eq(sha256.as_bytes().as_slice()))
        .select((blob_sender::person, blob_sender::sites))
        .load(conn)?;
    if senders.iter().any(|(person, _)| *person == Key::from(reader.person)) {
        return Ok(Some(blob));
    }
    for (sender, sites) in senders {
        let sites = sites.as_deref().map(read_sites).transpose()?;
        if opens(conn, reader, sha256, sender, sites)? {
            return Ok(Some(blob));
        }
    }
    Ok(None)
}

/// Whether an event of a unit that `reader` sees names the blob, and `sender`, who saw units at `sites`, has made it or saw
/// the unit, too.
fn opens(
    conn: &mut Conn,
    reader: &Sender,
    sha256: &BlobHash,
    sender: Key,
    sites: Option<BTreeSet<SiteId>>,
) -> Result<bool> {
    let unit = unit_state::organization
        .eq(attachment::organization)
        .and(unit_state::unit_id.eq(attachment::unit_id));
    let mut naming = attachment::table
        .inner_join(unit_state::table.on(unit))
        .filter(attachment::organization.eq(Key::from(reader.organization)))
        .filter(attachment::sha256.eq(sha256.as_bytes().as_slice()))
        .select(attachment::event_id)
        .into_boxed();
    if let Some(visible) = reader.sites.as_ref().map(keys) {
        let home = unit_state::home_site.eq_any(visible.clone());
        naming = naming.filter(home.or(unit_state::standing_site.eq_any(visible)));
    }
    if let Some(sites) = sites.as_ref().map(keys) {
        let there = unit_state::home_site.eq_any(sites.clone()).or(unit_state::standing_site.eq_any(sites));
        naming = naming.filter(attachment::author.eq(sender).or(there));
    }
    let found: Option<Key> = naming.first(conn).optional()?;
    Ok(found.is_some())
}

fn keys(sites: &BTreeSet<SiteId>) -> Vec<Key> {
    sites.iter().map(|site| Key::from(*site)).collect()
}

fn read_sites(text: &str) -> Result<BTreeSet<SiteId>> {
    let sites = text.split_ascii_whitespace().map(SiteId::parse);
    sites.collect::<std::result::Result<_, _>>().map_err(|e| StoreError::corrupt("sender of a blob")(&e))
}

fn sites_text(sites: &BTreeSet<SiteId>) -> String {
    sites.iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
}

/// An upload that has not ended.
pub(crate) fn upload(
    conn: &mut Conn,
    organization: Key,
    person: PersonId,
    sha256: &BlobHash,
) -> Result<Option<Upload>> {
    let found: Option<(Key, i64)> = blob_upload::table
        .find((organization, sha256.as_bytes().as_slice(), Key::from(person)))
        .select((blob_upload::place, blob_upload::bytes))
        .first(conn)
        .optional()?;
    let upload = |(place, bytes): (Key, i64)| {
        Ok(Upload { person, sha256: *sha256, place: place.0, bytes: length(bytes)? })
    };
    found.map(upload).transpose()
}

/// Begins an upload, or goes on with it where it is.
fn take_upload(conn: &mut Conn, organization: Key, upload: Upload, now: Instant) -> Result<Upload> {
    let place: Key = diesel::insert_into(blob_upload::table)
        .values((
            blob_upload::organization.eq(organization),
            blob_upload::sha256.eq(upload.sha256.as_bytes().as_slice()),
            blob_upload::person.eq(Key::from(upload.person)),
            blob_upload::place.eq(Key(upload.place)),
            blob_upload::bytes.eq(stored(upload.bytes)?),
            blob_upload::last_at.eq(now.micros()),
        ))
        .on_conflict((blob_upload::organization, blob_upload::sha256, blob_upload::person))
        .do_update()
        .set((
            blob_upload::bytes.eq(excluded(blob_upload::bytes)),
            blob_upload::last_at.eq(excluded(blob_upload::last_at)),
        ))
        .returning(blob_upload::place)
        .get_result(conn)?;
    Ok(Upload { place: place.0, ..upload })
}

/// Keeps a blob and who has sent it; gives where it is. One that is there is kept for longer, which also holds off whoever
/// would forget it. Without an upload that still stands there may be no bytes, so that only what is there is kept.
pub(crate) fn keep(conn: &mut Conn, sender: &Sender, new: &Blob, lost: Option<Uuid>) -> Result<Option<Uuid>> {
    let (organization, person) = (Key::from(sender.organization), Key::from(sender.person));
    let sha256 = new.sha256.as_bytes().as_slice();
    room::lock(conn, organization)?;
    let upload =
        blob_upload::table.find((organization, sha256, person)).filter(blob_upload::place.eq(Key(new.place)));
    let place = if diesel::delete(upload).execute(conn)? > 0 {
        if let Some(lost) = lost {
            find_again(conn, organization, new, lost)?;
        }
        let place = add(conn, organization, new)?;
        room::count(conn, sender, new)?;
        Some(place)
    } else {
        diesel::update(blob::table.find((organization, sha256)))
            .set(blob::kept_at.eq(new.kept_at.micros()))
            .returning(blob::place)
            .get_result(conn)
            .optional()?
    };
    let Some(place): Option<Key> = place else { return Ok(None) };
    note_sender(conn, sender, sha256)?;
    Ok(Some(place.0))
}

/// Says of a blob whose bytes are gone where they are now.
fn find_again(conn: &mut Conn, organization: Key, new: &Blob, lost: Uuid) -> Result<()> {
    diesel::update(blob::table.find((organization, new.sha256.as_bytes().as_slice())))
        .filter(blob::place.eq(Key(lost)))
        .set((
            blob::place.eq(Key(new.place)),
            blob::bytes.eq(stored(new.bytes)?),
            blob::media_type.eq(new.media_type.as_str()),
        ))
        .execute(conn)?;
    Ok(())
}

/// Adds a blob, or keeps the one that is there; gives where it is.
fn add(conn: &mut Conn, organization: Key, new: &Blob) -> Result<Key> {
    Ok(diesel::insert_into(blob::table)
        .values((
            blob::organization.eq(organization),
            blob::sha256.eq(new.sha256.as_bytes().as_slice()),
            blob::media_type.eq(new.media_type.as_str()),
            blob::bytes.eq(stored(new.bytes)?),
            blob::place.eq(Key(new.place)),
            blob::kept_at.eq(new.kept_at.micros()),
        ))
        .on_conflict((blob::organization, blob::sha256))
        .do_update()
        .set(blob::kept_at.eq(excluded(blob::kept_at)))
        .returning(blob::place)
        .get_result(conn)?)
}

/// Notes who has sent a blob.
fn note_sender(conn: &mut Conn, sender: &Sender, sha256: &[u8]) -> Result<()> {
    let (organization, person) = (Key::from(sender.organization), Key::from(sender.person));
    let sites = saw(conn, sender, sha256)?;
    diesel::insert_into(blob_sender::table)
        .values((
            blob_sender::organization.eq(organization),
            blob_sender::sha256.eq(sha256),
            blob_sender::person.eq(person),
            blob_sender::sites.eq(sites.as_ref().map(sites_text)),
        ))
        .on_conflict((blob_sender::organization, blob_sender::sha256, blob_sender::person))
        .do_update()
        .set(blob_sender::sites.eq(excluded(blob_sender::sites)))
        .execute(conn)?;
    Ok(())
}

/// The sites at which somebody saw units when they sent a blob, now or before.
fn saw(conn: &mut Conn, sender: &Sender, sha256: &[u8]) -> Result<Option<BTreeSet<SiteId>>> {
    let Some(now) = &sender.sites else { return Ok(None) };
    let before: Option<Option<String>> = blob_sender::table
        .find((Key::from(sender.organization), sha256, Key::from(sender.person)))
        .select(blob_sender::sites)
        .first(conn)
        .optional()?;
    match before {
        None => Ok(Some(now.clone())),
        Some(None) => Ok(None),
        Some(Some(before)) => Ok(Some(now.union(&read_sites(&before)?).copied().collect())),
    }
}

/// Ends an upload that comes to nothing, unless something came of it since.
pub(crate) fn end_upload(
    conn: &mut Conn,
    organization: Key,
    upload: &Upload,
    idle_since: Option<Instant>,
) -> Result<bool> {
    let until = idle_since.map_or(i64::MAX, Instant::micros);
    let ended = blob_upload::table
        .filter(blob_upload::organization.eq(organization))
        .filter(blob_upload::sha256.eq(upload.sha256.as_bytes().as_slice()))
        .filter(blob_upload::person.eq(Key::from(upload.person)))
        .filter(blob_upload::place.eq(Key(upload.place)))
        .filter(blob_upload::last_at.le(until));
    Ok(diesel::delete(ended).execute(conn)? > 0)
}

/// Makes an upload nobody's, unless something came of it since.
pub(crate) fn disown(
    conn: &mut Conn,
    organization: Key,
    upload: &Upload,
    idle_since: Instant,
) -> Result<Option<Upload>> {
    if !end_upload(conn, organization, upload, Some(idle_since))? {
        return Ok(None);
    }
    leave_to_nobody(conn, organization, upload.sha256, upload.place).map(Some)
}

/// A place whose bytes are to go: that of an idle upload by nobody, and of no other upload either, since the place is as good as a
/// name.
fn leave_to_nobody(conn: &mut Conn, organization: Key, sha256: BlobHash, place: Uuid) -> Result<Upload> {
    let nobodys = Upload { person: Key(place).id(), sha256, place, bytes: 0 };
    take_upload(conn, organization, nobodys, Instant::from_micros(0))
}

/// Some uploads of which nothing came since.
pub(crate) fn idle_uploads(conn: &mut Conn, organization: Key, since: Instant) -> Result<Vec<Upload>> {
    let found: Vec<(Vec<u8>, Key, Key, i64)> = blob_upload::table
        .filter(blob_upload::organization.eq(organization))
        .filter(blob_upload::last_at.le(since.micros()))
        .order(blob_upload::last_at)
        .limit(SOME)
        .select((blob_upload::sha256, blob_upload::person, blob_upload::place, blob_upload::bytes))
        .load(conn)?;
    let upload = |(sha256, person, place, bytes): (Vec<u8>, Key, Key, i64)| {
        Ok(Upload { person: person.id(), sha256: hash(&sha256)?, place: place.0, bytes: length(bytes)? })
    };
    found.into_iter().map(upload).collect()
}

/// Of some blobs that were sent before, those that no event names, nor an edit that waits. Looked up one by one, so that no plan
/// reads all there are to find the few.
pub(crate) fn orphans(
    conn: &mut Conn,
    organization: Key,
    before: Instant,
    after: Option<(Instant, BlobHash)>,
) -> Result<Orphans> {
    let mut old = blob::table
        .filter(blob::organization.eq(organization))
        .filter(blob::kept_at.le(before.micros()))
        .order((blob::kept_at, blob::sha256))
        .limit(SOME)
        .select(BlobRow::as_select())
        .into_boxed();
    if let Some((kept_at, sha256)) = after {
        let beyond = blob::kept_at.gt(kept_at.micros()).or(blob::sha256.gt(sha256.as_bytes().to_vec()));
        old = old.filter(blob::kept_at.ge(kept_at.micros())).filter(beyond);
    }
    let rows: Vec<BlobRow> = old.load(conn)?;
    let blobs: Vec<Blob> = rows.into_iter().map(BlobRow::blob).collect::<Result<_>>()?;
    let (mut found, next) = (Vec::new(), blobs.last().map(|blob| (blob.kept_at, blob.sha256)));
    for blob in blobs {
        if !is_named(conn, organization, &blob.sha256)? {
            found.push(blob);
        }
    }
    waiting::leave_parked(conn, organization, &mut found)?;
    Ok(Orphans { found, next })
}

fn is_named(conn: &mut Conn, organization: Key, sha256: &BlobHash) -> Result<bool> {
    Ok(room::is_in_event(conn, organization, sha256.as_bytes().as_slice())?
        || waiting::is_in_held(conn, organization, sha256)?)
}

/// Forgets one of them, if it is still one. An event that names it at this very moment is like one that comes before its
/// photo: the handset is told that it is not there, and sends it again. The same goes for one that is parked meanwhile.
pub(crate) fn forget_orphan(
    conn: &mut Conn,
    organization: Key,
    orphan: &Blob,
    before: Instant,
) -> Result<()> {
    if is_named(conn, organization, &orphan.sha256)? {
        return Ok(());
    }
    let sha256 = orphan.sha256.as_bytes().as_slice();
    let still = blob::table
        .filter(blob::organization.eq(organization))
        .filter(blob::sha256.eq(sha256))
        .filter(blob::place.eq(Key(orphan.place)))
        .filter(blob::kept_at.le(before.micros()));
    if diesel::delete(still).execute(conn)? == 0 {
        return Ok(());
    }
    let senders = blob_sender::table
        .filter(blob_sender::organization.eq(organization))
        .filter(blob_sender::sha256.eq(sha256));
    diesel::delete(senders).execute(conn)?;
    room::no_longer(conn, organization, vec![sha256.to_vec()])?;
    leave_to_nobody(conn, organization, orphan.sha256, orphan.place).map(drop)
}
