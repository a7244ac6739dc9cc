//! Handsets: what is known of them beside their records, who has signed in on them, and which edits they have sent.

use std::collections::{BTreeMap, BTreeSet};

use diesel::prelude::*;
use merge::{Record, told_at};
use model::{
    EditId, HandsetId, Instant, PersonId,
    edit::Target,
    handset::{HandsetFields, HandsetNumber},
    person::GrantFields,
};

use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, inserts,
    records::{self, Stored},
    schema::{handset_edit, handset_person, handset_state},
};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{HandsetState, HandsetView, Page, one_more},
};

/// The state of a handset as a row.
#[derive(Clone, Debug, Queryable, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = handset_state, primary_key(organization, handset), treat_none_as_null = true)]
struct StateRow {
    organization: Key,
    handset: Key,
    number: i64,
    chain: String,
    last_seen_at: Option<i64>,
    offset_micros: Option<i64>,
    boot: Option<i64>,
    waiting: i64,
    oldest_waiting_at: Option<i64>,
    emptied_at: Option<i64>,
}

/// Which edit came under a number of a handset's counter, as a row.
pub(crate) struct NumberRow {
    pub(crate) organization: Key,
    pub(crate) handset: Key,
    pub(crate) number: i64,
    pub(crate) edit_id: Key,
    /// The version that its record came to by it, if the handset can do it by itself.
    pub(crate) version: Option<i64>,
}

/// What is known of a handset; nothing where it was never enrolled. Whoever writes has locked its record.
pub(crate) fn load(conn: &mut Conn, organization: Key, handset: HandsetId) -> Result<Option<HandsetState>> {
    Ok(find(conn, organization, handset)?.map(|view| view.state))
}

/// One handset; nothing where it was never enrolled.
pub(crate) fn find(conn: &mut Conn, organization: Key, handset: HandsetId) -> Result<Option<HandsetView>> {
    let Some((row, people)) = of_id(conn, organization, handset)? else { return Ok(None) };
    let stored = records::find(conn, organization, Target::Handset(handset))?;
    view(&row, stored.as_ref(), people).map(Some)
}

/// One handset, and somebody's grants.
pub(crate) fn visited(
    conn: &mut Conn,
    organization: Key,
    person: PersonId,
    handset: HandsetId,
) -> Result<(Option<HandsetView>, Vec<GrantFields>)> {
    let looked = records::looked(conn, organization, person, Target::Handset(handset))?;
    let found = of_id(conn, organization, handset)?;
    let found = found.map(|(row, people)| view(&row, looked.record.as_ref(), people)).transpose()?;
    Ok((found, looked.grants))
}

/// The state of one handset, and who has signed in on it.
fn of_id(
    conn: &mut Conn,
    organization: Key,
    handset: HandsetId,
) -> Result<Option<(StateRow, BTreeSet<PersonId>)>> {
    let rows: Vec<(StateRow, Option<Key>)> = handset_state::table
        .left_join(
            handset_person::table.on(handset_person::organization
                .eq(handset_state::organization)
                .and(handset_person::handset.eq(handset_state::handset))),
        )
        .filter(handset_state::organization.eq(organization))
        .filter(handset_state::handset.eq(Key::from(handset)))
        .select((StateRow::as_select(), handset_person::person.nullable()))
        .load(conn)?;
    let people = rows.iter().filter_map(|(_, person)| person.map(Key::id)).collect();
    Ok(rows.into_iter().next().map(|(row, _)| (row, people)))
}

/// A page of handsets by id; only those on which `person` has signed in, where given.
pub(crate) fn list(
    conn: &mut Conn,
    organization: Key,
    person: Option<PersonId>,
    after: Option<HandsetId>,
    limit: usize,
) -> Result<Page<HandsetView>> {
    let mut query = handset_state::table
        .filter(handset_state::organization.eq(organization))
        .order(handset_state::handset)
        .limit(one_more(limit))
        .select(StateRow::as_select())
        .into_boxed();
    if let Some(after) = after {
        query = query.filter(handset_state::handset.gt(Key::from(after)));
    }
    if let Some(person) = person {
        let own = handset_person::table
            .filter(handset_person::organization.eq(organization))
            .filter(handset_person::person.eq(Key::from(person)))
            .select(handset_person::handset);
        query = query.filter(handset_state::handset.eq_any(own));
    }
    let Page { items, more } = Page::cut(query.load(conn)?, limit);
    Ok(Page { items: views(conn, organization, items)?, more })
}

/// Joins records and people to states, which stay in order.
fn views(conn: &mut Conn, organization: Key, rows: Vec<StateRow>) -> Result<Vec<HandsetView>> {
    let target = |row: &StateRow| Target::Handset(row.handset.id());
    let records = records::some(conn, organization, &rows.iter().map(target).collect())?;
    let ids: Vec<Key> = rows.iter().map(|row| row.handset).collect();
    let mut people: BTreeMap<Key, BTreeSet<PersonId>> = BTreeMap::new();
    if !ids.is_empty() {
        let signed_in: Vec<(Key, Key)> = handset_person::table
            .filter(handset_person::organization.eq(organization))
            .filter(handset_person::handset.eq_any(ids))
            .select((handset_person::handset, handset_person::person))
            .load(conn)?;
        for (handset, person) in signed_in {
            people.entry(handset).or_default().insert(person.id());
        }
    }
    let mut signed_in = |row: &StateRow| people.remove(&row.handset).unwrap_or_default();
    rows.iter().map(|row| view(row, records.get(&target(row)), signed_in(row))).collect()
}

fn view(row: &StateRow, stored: Option<&Stored>, signed_in: BTreeSet<PersonId>) -> Result<HandsetView> {
    let record = &stored.ok_or_else(|| StoreError::corrupt("handset")(&"its record is missing"))?.record;
    let state = HandsetState { revoked_at: revoked_at(record), signed_in, ..row.state()? };
    Ok(HandsetView { fields: records::fields(record, HandsetFields::read)?, state })
}

/// Writes what is known of a handset, new or changed; not whether it is revoked, nor who has signed in.
pub(crate) fn store(conn: &mut Conn, organization: Key, state: &HandsetState) -> Result<()> {
    let row = StateRow::of(organization, state)?;
    let there = handset_state::table.find((row.organization, row.handset));
    if diesel::update(there).set(&row).execute(conn)? == 0 {
        diesel::insert_into(handset_state::table).values(&row).execute(conn)?;
    }
    Ok(())
}

/// Notes that somebody has signed in on a handset; the first time is kept.
pub(crate) fn sign_in(
    conn: &mut Conn,
    organization: Key,
    handset: HandsetId,
    person: PersonId,
    now: Instant,
) -> Result<()> {
    diesel::insert_into(handset_person::table)
        .values((
            handset_person::organization.eq(organization),
            handset_person::handset.eq(Key::from(handset)),
            handset_person::person.eq(Key::from(person)),
            handset_person::first_seen_at.eq(now.micros()),
        ))
        .on_conflict_do_nothing()
        .execute(conn)?;
    Ok(())
}

/// Which edits came under these numbers of a handset's counter; of numbers that never came nothing.
pub(crate) fn edits_under(
    conn: &mut Conn,
    organization: Key,
    handset: HandsetId,
    numbers: &[i64],
) -> Result<BTreeMap<i64, EditId>> {
    let mut found = BTreeMap::new();
    for some in numbers.chunks(IDS_AT_ONCE) {
        let rows: Vec<(i64, Key)> = handset_edit::table
            .filter(handset_edit::organization.eq(organization))
            .filter(handset_edit::handset.eq(Key::from(handset)))
            .filter(among(handset_edit::number, some.to_vec()))
            .select((handset_edit::number, handset_edit::edit_id))
            .load(conn)?;
        found.extend(rows.into_iter().map(|(number, edit)| (number, edit.id())));
    }
    Ok(found)
}

/// Notes which edits came under which numbers, each with the version that its record came to by it if its handset can do it
/// by itself; the first under a number stays.
pub(crate) fn note_edits(
    conn: &mut Conn,
    organization: Key,
    handset: HandsetId,
    edits: &[(i64, EditId, Option<i64>)],
) -> Result<()> {
    let handset = Key::from(handset);
    let row = |(number, edit, version): &(i64, EditId, Option<i64>)| NumberRow {
        organization,
        handset,
        number: *number,
        edit_id: Key::from(*edit),
        version: *version,
    };
    let rows: Vec<NumberRow> = edits.iter().map(row).collect();
    inserts::handset_edits(conn, &rows)?;
    Ok(())
}

/// Since when a handset is revoked, as its record says.
fn revoked_at(record: &Record) -> Option<Instant> {
    record.register("revoked").map(|register| told_at(register.top().effective))
}

impl StateRow {
    fn of(organization: Key, state: &HandsetState) -> Result<Self> {
        let micros = |at: Option<Instant>| at.map(Instant::micros);
        let corrupt = StoreError::corrupt("handset");
        Ok(Self {
            organization,
            handset: Key::from(state.handset),
            number: state.number.get().into(),
            chain: serde_json::to_string(&state.chain).map_err(|e| corrupt(&e))?,
            last_seen_at: micros(state.last_seen_at),
            offset_micros: state.offset_micros,
            // A count of starts beyond 63 bits is no count; it is as good as unknown.
            boot: state.boot.and_then(|boot| i64::try_from(boot).ok()),
            waiting: i64::try_from(state.waiting).unwrap_or(i64::MAX),
            oldest_waiting_at: micros(state.oldest_waiting_at),
            emptied_at: micros(state.emptied_at),
        })
    }

    fn state(&self) -> Result<HandsetState> {
        let corrupt = StoreError::corrupt("handset");
        let number = u32::try_from(self.number).ok().and_then(HandsetNumber::new);
        let at = |micros: Option<i64>| micros.map(Instant::from_micros);
        Ok(HandsetState {
            chain: serde_json::from_str(&self.chain).map_err(|e| corrupt(&e))?,
            last_seen_at: at(self.last_seen_at),
            offset_micros: self.offset_micros,
            boot: self.boot.and_then(|boot| u64::try_from(boot).ok()),
            waiting: u64::try_from(self.waiting).unwrap_or_default(),
            oldest_waiting_at: at(self.oldest_waiting_at),
            emptied_at: at(self.emptied_at),
            ..HandsetState::new(self.handset.id(), number.ok_or_else(|| corrupt(&"its number is none"))?)
        })
    }
}
