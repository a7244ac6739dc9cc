//! The edits that were written on the device, with where they stand.

use diesel::prelude::*;
use model::{EditId, Instant};
use uuid::Uuid;

use super::{
    Conn,
    device::{At, Device},
    key::Key,
    schema::edit,
};
use crate::{
    error::{Error, Result},
    wire::EditText,
};

/// Where an edit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Written; nobody has answered for it.
    Queued,
    /// The service keeps it, and waits for something else.
    Parked,
    /// Recorded.
    Applied,
    /// Recorded, and somebody else set the same fields.
    Contested,
    /// It waits for a person.
    Held,
    /// It never counts.
    Refused,
}

/// The words for [`State`].
const STATES: &[(&str, State)] = &[
    ("queued", State::Queued),
    ("parked", State::Parked),
    ("applied", State::Applied),
    ("contested", State::Contested),
    ("held", State::Held),
    ("refused", State::Refused),
];

impl State {
    /// The state as the file has it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        STATES.iter().find(|(_, state)| *state == self).map_or("", |(word, _)| *word)
    }

    pub(crate) fn parse(word: &str) -> Result<Self> {
        let found = STATES.iter().find(|(known, _)| *known == word).map(|(_, state)| *state);
        found.ok_or_else(|| Error::corrupt("state")(&word))
    }

    /// Whether it has its last answer, unless a person decides otherwise or the service is restored.
    #[must_use]
    pub fn is_recorded(self) -> bool {
        matches!(self, Self::Applied | Self::Contested)
    }
}

/// An edit in the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredEdit {
    /// Its permanent id.
    pub id: EditId,
    /// Where it stands in the queue.
    pub at: At,
    /// The kind of record that it is about.
    pub kind: String,
    /// The record; of a service event itself.
    pub record: Uuid,
    /// The edit as it is sent: JSON, and never another text.
    pub text: String,
    /// When it was made, by the device's clock.
    pub made_at: Instant,
    /// Where it stands.
    pub state: State,
    /// The version that its record has by it.
    pub version: Option<u64>,
    /// The result as it was told: JSON.
    pub result: Option<String>,
    /// When it was answered last, by the service's clock.
    pub answered_at: Option<Instant>,
    /// When it happened, where its time was put right with its first answer.
    pub(crate) happened_at: Option<Instant>,
}

impl StoredEdit {
    /// When what it says happened, where the time that it tells is put right: with the first answer that is fixed; until then it
    /// goes by what is known of the device's clock.
    pub(crate) fn happened(&self, text: &EditText, device: &Device) -> Option<Instant> {
        if self.result.is_some() { self.happened_at } else { device.happened(&text.body, text.boot) }
    }
}

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = edit)]
struct EditRow {
    id: Key,
    enrolment: i64,
    number: i64,
    kind: String,
    record: Key,
    text: String,
    made_at: i64,
    state: String,
    version: Option<i64>,
    result: Option<String>,
    answered_at: Option<i64>,
    happened_at: Option<i64>,
}

impl EditRow {
    fn stored(self) -> Result<StoredEdit> {
        Ok(StoredEdit {
            id: self.id.id(),
            at: (self.enrolment, self.number),
            kind: self.kind,
            record: self.record.0,
            text: self.text,
            made_at: Instant::from_micros(self.made_at),
            state: State::parse(&self.state)?,
            version: self.version.map(i64::cast_unsigned),
            result: self.result,
            answered_at: self.answered_at.map(Instant::from_micros),
            happened_at: self.happened_at.map(Instant::from_micros),
        })
    }
}

/// Keeps a new edit.
pub(crate) fn add(conn: &mut Conn, new: &StoredEdit) -> Result<()> {
    let row = EditRow {
        id: new.id.into(),
        enrolment: new.at.0,
        number: new.at.1,
        kind: new.kind.clone(),
        record: Key(new.record),
        text: new.text.clone(),
        made_at: new.made_at.micros(),
        state: new.state.as_str().to_owned(),
        version: new.version.map(u64::cast_signed),
        result: new.result.clone(),
        answered_at: new.answered_at.map(Instant::micros),
        happened_at: new.happened_at.map(Instant::micros),
    };
    diesel::insert_into(edit::table).values(row).execute(conn)?;
    Ok(())
}

fn stored(rows: Vec<EditRow>) -> Result<Vec<StoredEdit>> {
    rows.into_iter().map(EditRow::stored).collect()
}

/// All edits in the order in which they were written.
pub(crate) fn all(conn: &mut Conn) -> Result<Vec<StoredEdit>> {
    let rows = edit::table.order((edit::enrolment, edit::number)).select(EditRow::as_select());
    stored(rows.load(conn)?)
}

/// One edit.
pub(crate) fn find(conn: &mut Conn, id: EditId) -> Result<Option<StoredEdit>> {
    let row: Option<EditRow> =
        edit::table.filter(edit::id.eq(Key::from(id))).select(EditRow::as_select()).first(conn).optional()?;
    row.map(EditRow::stored).transpose()
}

/// Edits in one of some states behind a place, in order; so many at most.
pub(crate) fn behind(conn: &mut Conn, states: &[State], after: At, most: usize) -> Result<Vec<StoredEdit>> {
    let later = edit::enrolment.gt(after.0).or(edit::enrolment.eq(after.0).and(edit::number.gt(after.1)));
    let rows = edit::table
        .filter(edit::state.eq_any(states.iter().map(|state| state.as_str())))
        .filter(later)
        .order((edit::enrolment, edit::number))
        .limit(i64::try_from(most).unwrap_or(i64::MAX))
        .select(EditRow::as_select());
    stored(rows.load(conn)?)
}

/// The edits of the records of a kind in the order in which they were written.
pub(crate) fn of_kind(conn: &mut Conn, kind: &str) -> Result<Vec<StoredEdit>> {
    let rows = edit::table
        .filter(edit::kind.eq(kind))
        .order((edit::enrolment, edit::number))
        .select(EditRow::as_select());
    stored(rows.load(conn)?)
}

/// The edits of a record in the order in which they were written.
pub(crate) fn of_record(conn: &mut Conn, kind: &str, record: Uuid) -> Result<Vec<StoredEdit>> {
    let rows = edit::table
        .filter(edit::kind.eq(kind))
        .filter(edit::record.eq(Key(record)))
        .order((edit::enrolment, edit::number))
        .select(EditRow::as_select());
    stored(rows.load(conn)?)
}

/// How many edits have no last answer (queued or parked), and when the oldest of them was made.
pub(crate) fn waiting(conn: &mut Conn) -> Result<(u32, Option<Instant>)> {
    use diesel::dsl::{count_star, min};
    let open = [State::Queued.as_str(), State::Parked.as_str()];
    let (count, oldest): (i64, Option<i64>) = edit::table
        .filter(edit::state.eq_any(open))
        .select((count_star(), min(edit::made_at)))
        .first(conn)?;
    Ok((u32::try_from(count).unwrap_or(u32::MAX), oldest.map(Instant::from_micros)))
}

/// How many edits are in a state.
pub(crate) fn count(conn: &mut Conn, state: State) -> Result<usize> {
    let found: i64 = edit::table.filter(edit::state.eq(state.as_str())).count().get_result(conn)?;
    Ok(usize::try_from(found).unwrap_or_default())
}

/// How many of these nobody has answered for yet.
pub(crate) fn unanswered(conn: &mut Conn, ids: impl Iterator<Item = EditId>) -> Result<usize> {
    let found: i64 = edit::table
        .filter(edit::id.eq_any(ids.map(Key::from)))
        .filter(edit::result.is_null())
        .count()
        .get_result(conn)?;
    Ok(usize::try_from(found).unwrap_or_default())
}

/// An answer about an edit.
pub(crate) struct Answered<'a> {
    pub(crate) state: State,
    pub(crate) version: Option<u64>,
    /// The result as it was told.
    pub(crate) result: &'a str,
    pub(crate) at: Instant,
    /// When it happened, where that is put right.
    pub(crate) happened_at: Option<Instant>,
}

/// Notes what became of an edit.
pub(crate) fn answer(conn: &mut Conn, id: EditId, answered: &Answered<'_>) -> Result<()> {
    diesel::update(edit::table.filter(edit::id.eq(Key::from(id))))
        .set((
            edit::state.eq(answered.state.as_str()),
            edit::version.eq(answered.version.map(u64::cast_signed)),
            edit::result.eq(answered.result),
            edit::answered_at.eq(answered.at.micros()),
            edit::happened_at.eq(answered.happened_at.map(Instant::micros)),
        ))
        .execute(conn)?;
    Ok(())
}

/// Takes an edit out: it is written anew, or was refused and is wanted no more.
pub(crate) fn remove(conn: &mut Conn, id: EditId) -> Result<()> {
    diesel::delete(edit::table.filter(edit::id.eq(Key::from(id)))).execute(conn)?;
    Ok(())
}

/// Puts all that is kept back into the queue; what was told of each stays to be seen until there is another answer.
pub(crate) fn offer_again(conn: &mut Conn) -> Result<()> {
    diesel::update(edit::table).set(edit::state.eq(State::Queued.as_str())).execute(conn)?;
    Ok(())
}

/// Lets go of what was recorded and answered before an instant; says of how many edits.
pub(crate) fn let_go(conn: &mut Conn, before: Instant) -> Result<usize> {
    let recorded = [State::Applied.as_str(), State::Contested.as_str()];
    let old = edit::table.filter(edit::state.eq_any(recorded)).filter(edit::answered_at.lt(before.micros()));
    Ok(diesel::delete(old).execute(conn)?)
}
