//! How much may be on its way, or have come with no event that names it, so that nobody fills the disk with what comes to
//! nothing.

use diesel::prelude::*;
use model::Instant;

use super::super::super::{Conn, dialect};
use super::super::{
    IDS_AT_ONCE,
    schema::{attachment, blob_unnamed, blob_upload},
};
use super::{AttachmentRow, length, stored, take_upload, upload};
use crate::{
    blobs::{Blob, NoRoom, ORGANIZATION_ROOM, PERSON_ROOM, Sender, Upload},
    error::Result,
    key::Key,
};

/// However small one is, it counts as so many bytes: it takes a folder and a file, and so there are not too many to add up.
const COUNTS_AS_LEAST: u64 = 1 << 20;
/// So many rows are read at a time.
const AT_ONCE: i64 = 1000;

/// Begins an upload, if there is room for it, or goes on with it where it is.
pub(crate) fn begin(
    conn: &mut Conn,
    organization: Key,
    new: Upload,
    now: Instant,
) -> Result<std::result::Result<Upload, NoRoom>> {
    let known = upload(conn, organization, new.person, &new.sha256)?.map_or(0, |known| known.bytes);
    if new.bytes > known
        && let Some(lacking) = lacking(conn, organization, &new, counted(new.bytes) - counted(known))?
    {
        return Ok(Err(lacking));
    }
    take_upload(conn, organization, new, now).map(Ok)
}

/// So that what is left is not given twice, and an event and its photo that come together know of each other. It is taken before
/// any row of these tables.
pub(super) fn lock(conn: &mut Conn, organization: Key) -> Result<()> {
    dialect::lock(conn, organization, &[("blob", organization)])
}

/// Which room is too small for so much more.
fn lacking(conn: &mut Conn, organization: Key, new: &Upload, more: u64) -> Result<Option<NoRoom>> {
    lock(conn, organization)?;
    let mut taken = Taken { person: Key::from(new.person), own: more, all: more };
    add_open(conn, organization, &mut taken)?;
    add_unnamed(conn, organization, &mut taken)?;
    Ok(if taken.own > PERSON_ROOM {
        Some(NoRoom::Person)
    } else if taken.all > ORGANIZATION_ROOM {
        Some(NoRoom::Organization)
    } else {
        None
    })
}

fn counted(bytes: u64) -> u64 {
    // What is nobody's has none, and is about to go.
    if bytes == 0 { 0 } else { bytes.max(COUNTS_AS_LEAST) }
}

/// How much room is taken.
struct Taken {
    person: Key,
    own: u64,
    all: u64,
}

impl Taken {
    fn add(&mut self, person: Key, bytes: i64) -> Result<()> {
        let bytes = counted(length(bytes)?);
        self.all = self.all.saturating_add(bytes);
        if person == self.person {
            self.own = self.own.saturating_add(bytes);
        }
        Ok(())
    }

    /// Nothing has to be read any more.
    fn is_too_much(&self) -> bool {
        self.all > ORGANIZATION_ROOM
    }
}

/// Adds what is on its way.
fn add_open(conn: &mut Conn, organization: Key, taken: &mut Taken) -> Result<()> {
    let mut after = (Vec::new(), Key::NIL);
    while !taken.is_too_much() {
        let (sha256, person) = after;
        let beyond = blob_upload::sha256.gt(sha256.clone()).or(blob_upload::person.gt(person));
        let some: Vec<(Vec<u8>, Key, i64)> = blob_upload::table
            .filter(blob_upload::organization.eq(organization))
            .filter(blob_upload::sha256.ge(sha256))
            .filter(beyond)
            .order((blob_upload::sha256, blob_upload::person))
            .limit(AT_ONCE)
            .select((blob_upload::sha256, blob_upload::person, blob_upload::bytes))
            .load(conn)?;
        let Some((sha256, person, _)) = some.last() else { return Ok(()) };
        after = (sha256.clone(), *person);
        some.into_iter().try_for_each(|(_, person, bytes)| taken.add(person, bytes))?;
    }
    Ok(())
}

/// Adds what has come and no event names.
fn add_unnamed(conn: &mut Conn, organization: Key, taken: &mut Taken) -> Result<()> {
    let mut after = Vec::new();
    while !taken.is_too_much() {
        let some: Vec<(Vec<u8>, Key, i64)> = blob_unnamed::table
            .filter(blob_unnamed::organization.eq(organization))
            .filter(blob_unnamed::sha256.gt(after))
            .order(blob_unnamed::sha256)
            .limit(AT_ONCE)
            .select((blob_unnamed::sha256, blob_unnamed::person, blob_unnamed::bytes))
            .load(conn)?;
        let Some((sha256, _, _)) = some.last() else { return Ok(()) };
        after = sha256.clone();
        some.into_iter().try_for_each(|(_, person, bytes)| taken.add(person, bytes))?;
    }
    Ok(())
}

/// Whether an event names a blob.
pub(super) fn is_in_event(conn: &mut Conn, organization: Key, sha256: &[u8]) -> Result<bool> {
    let event: Option<Key> = attachment::table
        .filter(attachment::organization.eq(organization))
        .filter(attachment::sha256.eq(sha256))
        .select(attachment::event_id)
        .first(conn)
        .optional()?;
    Ok(event.is_some())
}

/// Counts a blob that has come, unless an event names it already; with the lock taken.
pub(super) fn count(conn: &mut Conn, sender: &Sender, new: &Blob) -> Result<()> {
    let (organization, sha256) = (Key::from(sender.organization), new.sha256.as_bytes().as_slice());
    if is_in_event(conn, organization, sha256)? {
        return Ok(());
    }
    diesel::insert_into(blob_unnamed::table)
        .values((
            blob_unnamed::organization.eq(organization),
            blob_unnamed::sha256.eq(sha256),
            blob_unnamed::person.eq(Key::from(sender.person)),
            blob_unnamed::bytes.eq(stored(new.bytes)?),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(())
}

/// Counts no longer what events name from now on.
pub(crate) fn name(conn: &mut Conn, named: &[AttachmentRow]) -> Result<()> {
    let Some(organization) = named.first().map(|row| row.organization) else { return Ok(()) };
    lock(conn, organization)?;
    for some in named.chunks(IDS_AT_ONCE) {
        no_longer(conn, organization, some.iter().map(|row| row.sha256.clone()).collect())?;
    }
    Ok(())
}

/// Counts blobs no longer.
pub(super) fn no_longer(conn: &mut Conn, organization: Key, hashes: Vec<Vec<u8>>) -> Result<()> {
    let counted = blob_unnamed::table.filter(blob_unnamed::organization.eq(organization));
    diesel::delete(counted.filter(blob_unnamed::sha256.eq_any(hashes))).execute(conn)?;
    Ok(())
}
