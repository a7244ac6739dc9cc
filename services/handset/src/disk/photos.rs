//! Photos and papers in the file: their bytes in pieces, and which edits name them.

use diesel::prelude::*;
use model::{BlobHash, EditId, Instant, MediaType, PersonId, UnitId};

use super::{
    Conn, State,
    key::Key,
    schema::{edit, photo, photo_piece, photo_use, record},
};
use crate::error::{Error, Result};

/// A piece has so many bytes: as many as the service loses at most where a line breaks off.
pub(crate) const PIECE: usize = 256 << 10;

/// Where a photo stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum PhotoState {
    /// It has still to be sent.
    Waiting,
    /// The service has it.
    Sent,
    /// The service does not take it.
    Refused,
    /// It is another's, and has still to be fetched.
    Wished,
    /// It is another's, and here.
    Fetched,
}

/// The words for [`PhotoState`].
const STATES: &[(&str, PhotoState)] = &[
    ("waiting", PhotoState::Waiting),
    ("sent", PhotoState::Sent),
    ("refused", PhotoState::Refused),
    ("wished", PhotoState::Wished),
    ("fetched", PhotoState::Fetched),
];

impl PhotoState {
    /// The state as the file has it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        STATES.iter().find(|(_, state)| *state == self).map_or("", |(word, _)| *word)
    }

    fn parse(word: &str) -> Result<Self> {
        let found = STATES.iter().find(|(known, _)| *known == word).map(|(_, state)| *state);
        found.ok_or_else(|| Error::corrupt("state of a photo")(&word))
    }
}

/// A photo or paper in the file, without its bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredPhoto {
    /// Its name.
    pub sha256: BlobHash,
    /// What it is; of another's nothing before it is here.
    pub media_type: Option<MediaType>,
    /// How many bytes it has; of another's nothing before that was told.
    pub bytes: Option<u64>,
    /// Where it stands.
    pub state: PhotoState,
    /// Who took it; nobody who is known here, of another's.
    pub author: Option<PersonId>,
    /// What is in its way: a problem as it was told, JSON.
    pub problem: Option<String>,
    /// Since when it is at the service for good, or here from there, by the service's clock.
    pub settled_at: Option<Instant>,
}

#[derive(Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = photo, treat_none_as_null = true, treat_none_as_default_value = false)]
struct PhotoRow {
    sha256: Vec<u8>,
    media_type: Option<String>,
    bytes: Option<i64>,
    state: String,
    author: Option<Key>,
    problem: Option<String>,
    settled_at: Option<i64>,
}

impl PhotoRow {
    fn of(photo: &StoredPhoto) -> Self {
        Self {
            sha256: name(&photo.sha256),
            media_type: photo.media_type.map(|media_type| media_type.as_str().to_owned()),
            bytes: photo.bytes.map(u64::cast_signed),
            state: photo.state.as_str().to_owned(),
            author: photo.author.map(Key::from),
            problem: photo.problem.clone(),
            settled_at: photo.settled_at.map(Instant::micros),
        }
    }

    fn stored(self) -> Result<StoredPhoto> {
        Ok(StoredPhoto {
            sha256: BlobHash::from_slice(&self.sha256)
                .ok_or_else(|| Error::corrupt("name of a photo")(&"its length"))?,
            media_type: self.media_type.as_deref().and_then(MediaType::parse),
            bytes: self.bytes.map(i64::cast_unsigned),
            state: PhotoState::parse(&self.state)?,
            author: self.author.map(Key::id),
            problem: self.problem,
            settled_at: self.settled_at.map(Instant::from_micros),
        })
    }
}

fn name(sha256: &BlobHash) -> Vec<u8> {
    sha256.as_bytes().to_vec()
}

/// All of them, as they came into the file.
pub(crate) fn all(conn: &mut Conn) -> Result<Vec<StoredPhoto>> {
    let rows: Vec<PhotoRow> = photo::table
        .order(diesel::dsl::sql::<diesel::sql_types::BigInt>("rowid"))
        .select(PhotoRow::as_select())
        .load(conn)?;
    rows.into_iter().map(PhotoRow::stored).collect()
}

/// One of them.
pub(crate) fn find(conn: &mut Conn, sha256: &BlobHash) -> Result<Option<StoredPhoto>> {
    let row: Option<PhotoRow> =
        photo::table.find(name(sha256)).select(PhotoRow::as_select()).first(conn).optional()?;
    row.map(PhotoRow::stored).transpose()
}

/// Keeps what is known of one.
pub(crate) fn save(conn: &mut Conn, of: &StoredPhoto) -> Result<()> {
    let row = PhotoRow::of(of);
    diesel::insert_into(photo::table)
        .values(&row)
        .on_conflict(photo::sha256)
        .do_update()
        .set(&row)
        .execute(conn)?;
    Ok(())
}

/// Keeps what is known of one, if it is still there.
pub(crate) fn update(conn: &mut Conn, of: &StoredPhoto) -> Result<()> {
    diesel::update(photo::table.find(name(&of.sha256))).set(PhotoRow::of(of)).execute(conn)?;
    Ok(())
}

/// Keeps all bytes of one, in the place of what is there.
pub(crate) fn fill(conn: &mut Conn, sha256: &BlobHash, bytes: &[u8]) -> Result<()> {
    empty(conn, sha256)?;
    for (n, piece) in bytes.chunks(PIECE).enumerate() {
        keep(conn, sha256, offset(n.saturating_mul(PIECE))?, piece)?;
    }
    Ok(())
}

/// Keeps a piece, unless it is here: another run may have fetched it meanwhile.
pub(crate) fn keep(conn: &mut Conn, sha256: &BlobHash, first: u64, bytes: &[u8]) -> Result<()> {
    diesel::insert_into(photo_piece::table)
        .values((
            photo_piece::sha256.eq(name(sha256)),
            photo_piece::first.eq(first.cast_signed()),
            photo_piece::bytes.eq(bytes),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(())
}

/// Drops all bytes of one.
pub(crate) fn empty(conn: &mut Conn, sha256: &BlobHash) -> Result<()> {
    diesel::delete(photo_piece::table.filter(photo_piece::sha256.eq(name(sha256)))).execute(conn)?;
    Ok(())
}

/// The bytes of one from `first` up to the end of the piece in which that is; none behind its end.
pub(crate) fn piece(conn: &mut Conn, sha256: &BlobHash, first: u64) -> Result<Vec<u8>> {
    let found: Option<(i64, Vec<u8>)> = photo_piece::table
        .filter(photo_piece::sha256.eq(name(sha256)))
        .filter(photo_piece::first.le(first.cast_signed()))
        .order(photo_piece::first.desc())
        .select((photo_piece::first, photo_piece::bytes))
        .first(conn)
        .optional()?;
    let Some((begins, mut bytes)) = found else { return Ok(Vec::new()) };
    let skip = usize::try_from(first.cast_signed() - begins).map_err(|e| Error::corrupt("photo")(&e))?;
    Ok(if skip >= bytes.len() { Vec::new() } else { bytes.split_off(skip) })
}

/// All bytes of one that are here.
pub(crate) fn bytes(conn: &mut Conn, sha256: &BlobHash) -> Result<Vec<u8>> {
    let pieces: Vec<Vec<u8>> = photo_piece::table
        .filter(photo_piece::sha256.eq(name(sha256)))
        .order(photo_piece::first)
        .select(photo_piece::bytes)
        .load(conn)?;
    Ok(pieces.concat())
}

/// How many bytes of one are here: they came in order.
pub(crate) fn length(conn: &mut Conn, sha256: &BlobHash) -> Result<u64> {
    let last: Option<(i64, Vec<u8>)> = photo_piece::table
        .filter(photo_piece::sha256.eq(name(sha256)))
        .order(photo_piece::first.desc())
        .select((photo_piece::first, photo_piece::bytes))
        .first(conn)
        .optional()?;
    let Some((first, bytes)) = last else { return Ok(0) };
    Ok(first.cast_unsigned().saturating_add(offset(bytes.len())?))
}

fn offset(bytes: usize) -> Result<u64> {
    u64::try_from(bytes).map_err(|e| Error::Unwritable(e.to_string()))
}

/// Notes that an edit about a unit names it.
pub(crate) fn note_use(conn: &mut Conn, sha256: &BlobHash, by: EditId, unit: UnitId) -> Result<()> {
    diesel::insert_into(photo_use::table)
        .values((
            photo_use::sha256.eq(name(sha256)),
            photo_use::edit.eq(Key::from(by)),
            photo_use::unit.eq(Key::from(unit)),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(())
}

/// An edit that names a photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Use {
    /// The unit that it is about.
    pub(crate) unit: UnitId,
    /// Where it stands; nothing where it was recorded so long ago that it is let go of.
    pub(crate) state: Option<State>,
}

/// The edits that name one.
pub(crate) fn uses(conn: &mut Conn, sha256: &BlobHash) -> Result<Vec<Use>> {
    let rows: Vec<(Key, Option<String>)> = photo_use::table
        .left_join(edit::table.on(edit::id.eq(photo_use::edit)))
        .filter(photo_use::sha256.eq(name(sha256)))
        .select((photo_use::unit, edit::state.nullable()))
        .load(conn)?;
    let of = |(unit, state): (Key, Option<String>)| {
        Ok(Use { unit: unit.id(), state: state.as_deref().map(State::parse).transpose()? })
    };
    rows.into_iter().map(of).collect()
}

/// The service may have lost them: they are offered again.
pub(crate) fn offer_again(conn: &mut Conn) -> Result<()> {
    diesel::update(photo::table.filter(photo::state.eq(PhotoState::Sent.as_str())))
        .set((photo::state.eq(PhotoState::Waiting.as_str()), photo::settled_at.eq(None::<i64>)))
        .execute(conn)?;
    Ok(())
}

/// An edit is there no more, though it was never recorded; so are photos of ours that it alone named.
pub(crate) fn forget_use(conn: &mut Conn, by: EditId) -> Result<()> {
    diesel::delete(photo_use::table.filter(photo_use::edit.eq(Key::from(by)))).execute(conn)?;
    let ours = [PhotoState::Waiting.as_str(), PhotoState::Refused.as_str()];
    let named = photo_use::table.select(photo_use::sha256);
    let unnamed = photo::table.filter(photo::state.eq_any(ours)).filter(photo::sha256.ne_all(named));
    diesel::delete(unnamed).execute(conn)?;
    Ok(())
}

/// Lets go of those that were settled before an instant, and of others' photos of units that are out of sight.
pub(crate) fn let_go(conn: &mut Conn, before: Instant) -> Result<()> {
    diesel::delete(photo::table.filter(photo::settled_at.lt(before.micros()))).execute(conn)?;
    let seen = photo_use::table
        .inner_join(record::table.on(record::kind.eq("unit").and(record::id.eq(photo_use::unit))))
        .select(photo_use::sha256);
    let others = [PhotoState::Wished.as_str(), PhotoState::Fetched.as_str()];
    let unseen = photo::table.filter(photo::state.eq_any(others)).filter(photo::sha256.ne_all(seen));
    diesel::delete(unseen).execute(conn)?;
    Ok(())
}
