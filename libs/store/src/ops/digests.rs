//! Digests of what is due: what they are made of, what became of them, and who gets them.

mod kept;
mod lists;
mod mails;

use std::collections::{BTreeMap, BTreeSet};

use diesel::{
    dsl::{case_when, count_star, sum},
    prelude::*,
    sql_types::Integer,
};
use model::{
    Instant, SiteId, UnitId,
    edit::{RecordKind, Target},
    event::EventKind,
    unit::UnitFields,
};

pub(crate) use self::{
    kept::{keep, made, note_missed},
    lists::{lists, recipients},
    mails::{end_mail, last_mails, mail},
};
use super::super::{Conn, dialect::among};
use super::{
    IDS_AT_ONCE, contexts, due, log, organizations, records,
    schema::{acknowledgement, change_log, service_event, unit_state},
    units,
};
use crate::{
    digests::{Acknowledgement, Entered, Ground, TOLD, TaggedUnit},
    error::{Result, StoreError},
    key::Key,
    view::DueFilter,
};

/// What a digest about these sites is made of.
pub(crate) fn ground(
    conn: &mut Conn,
    organization: Key,
    sites: Option<Vec<SiteId>>,
    now: Instant,
    since: Option<(i64, Instant)>,
) -> Result<Ground> {
    let as_of = due::as_of(conn, organization, now)?;
    let (known_seq, _) = organizations::counter(conn, organization)?.ok_or(StoreError::NoOrganization)?;
    let told = DueFilter { sites, states: TOLD.to_vec(), ..DueFilter::all(organization.id()) };
    let mut items = due::all(conn, &told, as_of)?;
    items.sort_by(|a, b| a.place.cmp(&b.place));
    let pending = contexts::pending(conn, &told)?;
    let entered = since.map(|since| entered(conn, &told, since)).transpose()?.unwrap_or_default();
    Ok(Ground { as_of, known_seq, items, tagged: tagged(conn, &told)?, entered, pending })
}

/// Some units, each folded, with the tags that hang on it at an instant; those that are not there are left out.
pub(crate) fn units(
    conn: &mut Conn,
    organization: Key,
    ids: &BTreeSet<UnitId>,
    at: Instant,
) -> Result<BTreeMap<UnitId, TaggedUnit>> {
    let targets = ids.iter().copied().map(Target::Unit).collect();
    let mut fields = BTreeMap::new();
    for (target, stored) in records::some(conn, organization, &targets)? {
        if let Target::Unit(unit) = target {
            fields.insert(unit, records::fields(&stored.record, UnitFields::read)?);
        }
    }
    let mut loaded = units::with_events(conn, organization, fields)?;
    units::add_kin(conn, organization, loaded.values_mut())?;
    let mut context = units::Context::default();
    context.load(conn, organization, &loaded.values().collect::<Vec<_>>())?;
    let tagged = |(id, unit): (&UnitId, &units::Unit)| {
        let due = units::due_of(unit, &context, None)?;
        // What is retired is not waited for any more.
        let is_retired = unit.fields.retired.is_some();
        let tags = if is_retired { Vec::new() } else { units::tags(unit, &context, at)? };
        Ok((*id, TaggedUnit { due, tags }))
    };
    loaded.iter().map(tagged).collect()
}

/// Units that a digest asks about on which a tag may hang: more were hung than removed, or something was corrected.
fn tagged(conn: &mut Conn, of: &DueFilter) -> Result<Vec<UnitId>> {
    let organization = Key::from(of.organization);
    let tags: Vec<(Key, bool)> = service_event::table
        .filter(service_event::organization.eq(organization))
        .filter(service_event::kind.eq(EventKind::Tag.as_str()))
        .select((service_event::unit_id, service_event::body.like("%\"action\":\"hung\"%")))
        .load(conn)?;
    let mut hanging: BTreeMap<Key, i64> = BTreeMap::new();
    for (unit, is_hung) in tags {
        *hanging.entry(unit).or_default() += if is_hung { 1 } else { -1 };
    }
    let (mut found, removed): (Vec<Key>, Vec<Key>) =
        hanging.keys().copied().partition(|unit| hanging.get(unit).is_some_and(|count| *count > 0));
    for some in removed.chunks(IDS_AT_ONCE) {
        let corrected: Vec<Key> = service_event::table
            .filter(service_event::organization.eq(organization))
            .filter(among(service_event::unit_id, some.to_vec()))
            .filter(service_event::kind.eq(EventKind::Correction.as_str()))
            .select(service_event::unit_id)
            .distinct()
            .load(conn)?;
        found.extend(corrected);
    }
    let mut asked = Vec::new();
    for some in found.chunks(IDS_AT_ONCE) {
        let of_list = unit_state::table
            .filter(due::of_asked_units(of))
            .filter(among(unit_state::unit_id, some.to_vec()))
            .select(unit_state::unit_id);
        asked.extend(of_list.load::<Key>(conn)?);
    }
    Ok(asked.into_iter().map(Key::id).collect())
}

/// What was recorded of the units that a digest asks about after a row, by unit; what happened before `then` is late.
fn entered(
    conn: &mut Conn,
    of: &DueFilter,
    (after, then): (i64, Instant),
) -> Result<BTreeMap<UnitId, Entered>> {
    let (one, nought) = (1.into_sql::<Integer>(), 0.into_sql::<Integer>());
    let late = case_when(change_log::occurred_at.lt(then.micros()), one).otherwise(nought);
    let is_correction = service_event::kind.eq(EventKind::Correction.as_str());
    let correction = case_when(is_correction, one).otherwise(nought);
    let event = service_event::organization
        .eq(change_log::organization)
        .and(service_event::id.eq(change_log::record_id));
    let rows: Vec<(Key, i64, Option<i64>, Option<i64>)> = change_log::table
        .inner_join(service_event::table.on(event))
        .filter(change_log::organization.eq(Key::from(of.organization)))
        .filter(change_log::seq.gt(after))
        .filter(change_log::record_kind.eq(RecordKind::ServiceEvent.as_str()))
        .filter(change_log::row_kind.eq_any([log::EDIT, log::RELEASED]))
        .group_by(service_event::unit_id)
        .select((service_event::unit_id, count_star(), sum(late), sum(correction)))
        .load(conn)?;
    let count = |n: i64| u32::try_from(n).unwrap_or(u32::MAX);
    let counted = rows.into_iter().map(|(unit, events, late, corrections)| {
        let (late, corrections) = (late.unwrap_or(0), corrections.unwrap_or(0));
        let (events, late, corrections) = (count(events), count(late), count(corrections));
        (unit, Entered { events, late, corrections, sites: None })
    });
    let mut by_unit: BTreeMap<Key, Entered> = counted.collect();
    let units: Vec<Key> = by_unit.keys().copied().collect();
    let mut entered = BTreeMap::new();
    for some in units.chunks(IDS_AT_ONCE) {
        let placed: Vec<(Key, Key, Key)> = unit_state::table
            .filter(due::of_asked_units(of))
            .filter(among(unit_state::unit_id, some.to_vec()))
            .select((unit_state::unit_id, unit_state::home_site, unit_state::standing_site))
            .load(conn)?;
        for (unit, home, standing) in placed {
            let of_unit = by_unit.remove(&unit).unwrap_or_default();
            entered.insert(unit.id(), Entered { sites: Some((home.id(), standing.id())), ..of_unit });
        }
    }
    Ok(entered)
}

/// Keeps an acknowledgement in the place of an earlier one.
pub(crate) fn acknowledge(conn: &mut Conn, organization: Key, said: &Acknowledgement) -> Result<()> {
    let values = (
        acknowledgement::until.eq(said.until.micros()),
        acknowledgement::person.eq(Key::from(said.person)),
        acknowledgement::made_at.eq(said.made_at.micros()),
    );
    diesel::insert_into(acknowledgement::table)
        .values((
            acknowledgement::organization.eq(organization),
            acknowledgement::unit_id.eq(Key::from(said.unit)),
            acknowledgement::schedule_id.eq(Key::from(said.schedule)),
            acknowledgement::task.eq(said.task.as_str()),
            values,
        ))
        .on_conflict((
            acknowledgement::organization,
            acknowledgement::unit_id,
            acknowledgement::schedule_id,
            acknowledgement::task,
        ))
        .do_update()
        .set(values)
        .execute(conn)?;
    Ok(())
}

/// The acknowledgements that hold at `now`.
pub(crate) fn acknowledgements(
    conn: &mut Conn,
    organization: Key,
    now: Instant,
) -> Result<Vec<Acknowledgement>> {
    let rows: Vec<(Key, Key, String, i64, Key, i64)> = acknowledgement::table
        .filter(acknowledgement::organization.eq(organization))
        .filter(acknowledgement::until.gt(now.micros()))
        .order((acknowledgement::unit_id, acknowledgement::schedule_id, acknowledgement::task))
        .select((
            acknowledgement::unit_id,
            acknowledgement::schedule_id,
            acknowledgement::task,
            acknowledgement::until,
            acknowledgement::person,
            acknowledgement::made_at,
        ))
        .load(conn)?;
    let read = |(unit, schedule, task, until, person, made_at): (Key, Key, String, i64, Key, i64)| {
        let corrupt = StoreError::corrupt("acknowledgement");
        Ok(Acknowledgement {
            unit: unit.id(),
            schedule: schedule.id(),
            task: model::Code::parse(&task).map_err(|e| corrupt(&e))?,
            until: Instant::from_micros(until),
            person: person.id(),
            made_at: Instant::from_micros(made_at),
        })
    };
    rows.into_iter().map(read).collect()
}
