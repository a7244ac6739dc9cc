//! What is to be put right in the records of units: rows that the fold writes, and the list of them.

use std::{
    borrow::Cow,
    collections::{BTreeMap, BTreeSet},
};

use diesel::{prelude::*, sql_types::Bool};
use interval::{QualityCode, QualityEntry, UnitState};
use model::{EventId, Instant, SiteId, UnitId};

use super::super::{Conn, dialect::among};
use super::{IDS_AT_ONCE, due, folds::Fold, inserts, schema::data_quality, then};
use crate::{
    error::{Result, StoreError},
    key::Key,
    view::{Folding, Moment, Page, QUALITY_CODES, QualityLine, QualityPlace, QualityQuery, Then, one_more},
};

/// Something to put right, as it is stored.
#[derive(Clone, Debug, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = data_quality)]
pub(crate) struct QualityRow {
    pub(crate) organization: Key,
    pub(crate) unit_id: Key,
    /// Numbers the rows of a unit.
    pub(crate) n: i64,
    pub(crate) code: Cow<'static, str>,
    pub(crate) home_site: Key,
    pub(crate) standing_site: Key,
    pub(crate) from_at: i64,
    pub(crate) until_at: i64,
    /// The events that show it, as a JSON array of ids.
    pub(crate) evidence: String,
}

/// The rows that a unit's fold comes to.
pub(crate) fn rows(organization: Key, fold: &Fold) -> Result<Vec<QualityRow>> {
    let row = |(entry, n): (QualityEntry, i64)| {
        let events: Vec<Key> = entry.event_ids.iter().map(|event| Key::from(*event)).collect();
        let events: Vec<String> = events.iter().map(|key| key.0.hyphenated().to_string()).collect();
        Ok(QualityRow {
            organization,
            unit_id: Key::from(fold.unit),
            n,
            code: word_of(entry.code).into(),
            home_site: Key::from(fold.home_site),
            standing_site: Key::from(fold.standing_site),
            from_at: entry.from.micros(),
            until_at: entry.until.unwrap_or(Instant::LAST).micros(),
            evidence: serde_json::to_string(&events).map_err(|e| StoreError::corrupt("data quality")(&e))?,
        })
    };
    fold.folded.state.quality().into_iter().zip(0..).map(row).collect()
}

/// The rows of some units, in order.
pub(crate) fn of_units(conn: &mut Conn, organization: Key, units: &[Key]) -> Result<Vec<QualityRow>> {
    let mut found = Vec::new();
    for some in units.chunks(IDS_AT_ONCE) {
        found.extend(
            data_quality::table
                .filter(data_quality::organization.eq(organization))
                .filter(among(data_quality::unit_id, some.to_vec()))
                .order((data_quality::unit_id, data_quality::n))
                .select(QualityRow::as_select())
                .load::<QualityRow>(conn)?,
        );
    }
    Ok(found)
}

/// Writes those of the rows that are other than `stored`, and removes what is no more.
pub(crate) fn put(conn: &mut Conn, stored: Vec<QualityRow>, mut rows: Vec<QualityRow>) -> Result<()> {
    let mut gone: BTreeMap<(Key, i64), QualityRow> =
        stored.into_iter().map(|row| ((row.unit_id, row.n), row)).collect();
    rows.retain(|row| gone.remove(&(row.unit_id, row.n)).as_ref() != Some(row));
    inserts::quality(conn, &rows)?;
    for row in gone.into_values() {
        diesel::delete(data_quality::table.find((row.organization, row.unit_id, row.n))).execute(conn)?;
    }
    Ok(())
}

/// The units of which something is to be put right that only a fold of all events can tell: events are not applied to
/// them in order.
pub(crate) fn told_by_all_events(rows: &[QualityRow]) -> BTreeSet<UnitId> {
    let of_all = [QualityCode::ReadingSetAside, QualityCode::SwapNotRecorded, QualityCode::PossibleDuplicate];
    let rows = rows.iter().filter(|row| of_all.iter().any(|code| word_of(*code) == row.code));
    rows.map(|row| row.unit_id.id()).collect()
}

/// One page of what is to be put right at an instant, what has lasted longest first.
pub(crate) fn list(conn: &mut Conn, query: &QualityQuery) -> Result<Page<QualityLine>> {
    let mut rows = Vec::new();
    // One code at a time: the index has the order of a page only within a code.
    for (word, code) in QUALITY_CODES {
        if query.codes.is_empty() || query.codes.contains(code) {
            rows.extend(page(conn, query, word)?);
        }
    }
    rows.sort_by_key(|row| (row.from_at, row.unit_id, row.n));
    let Page { items, more } = Page::cut(rows, query.limit);
    Ok(Page { items: items.into_iter().map(line).collect::<Result<_>>()?, more })
}

type Condition =
    Box<dyn BoxableExpression<data_quality::table, <Conn as Connection>::Backend, SqlType = Bool>>;

fn page(conn: &mut Conn, query: &QualityQuery, code: &str) -> Result<Vec<QualityRow>> {
    let at = query.at.micros();
    let (from, unit, n) = (data_quality::from_at, data_quality::unit_id, data_quality::n);
    let mut all: Condition = Box::new(
        data_quality::organization
            .eq(Key::from(query.of.organization))
            .and(data_quality::code.eq(code.to_owned()))
            .and(from.le(at))
            .and(data_quality::until_at.gt(at)),
    );
    if let Some(asked) = query.of.unit {
        all = Box::new(all.and(unit.eq(Key::from(asked))));
    }
    for sites in due::site_sets(&query.of) {
        let lent = data_quality::home_site
            .ne(data_quality::standing_site)
            .and(data_quality::home_site.eq_any(sites.clone()));
        all = Box::new(all.and(data_quality::standing_site.eq_any(sites).or(lent)));
    }
    if let Some(after) = query.after {
        let (f, u) = (after.from.micros(), Key::from(after.unit));
        let beyond = from.gt(f).or(unit.gt(u)).or(unit.eq(u).and(n.gt(after.n)));
        all = Box::new(all.and(from.ge(f)).and(beyond));
    }
    Ok(data_quality::table
        .filter(all)
        .order((from, unit, n))
        .limit(one_more(query.limit))
        .select(QualityRow::as_select())
        .load(conn)?)
}

/// The same at a moment for which each unit is folded.
pub(crate) fn list_then(
    conn: &mut Conn,
    query: &QualityQuery,
    moment: Moment,
) -> Result<Folding<Page<QualityLine>>> {
    let organization = Key::from(query.of.organization);
    let Some(units) = then::candidates(conn, &query.of, None)? else { return Ok(Folding::TooMany) };
    let known_seq = then::known_seq(conn, organization, moment.known)?;
    let mut lines = Vec::new();
    for (id, unit) in then::units(conn, organization, &units, moment, known_seq)? {
        let sites = (unit.home_site, unit.state.site_at(moment.at));
        if query.of.site.is_none_or(|site| site == sites.0 || site == sites.1) {
            lines.extend(lines_of(id, &unit.state, sites, query));
        }
    }
    lines.sort_by_key(|line| line.place);
    lines.retain(|line| query.after.is_none_or(|after| line.place > after));
    Ok(Folding::Done(Then { known_seq, answer: Page::cut(lines, query.limit) }))
}

/// What holds of a unit at the query's instant.
fn lines_of(
    unit: UnitId,
    state: &UnitState,
    (home_site, standing_site): (SiteId, SiteId),
    query: &QualityQuery,
) -> Vec<QualityLine> {
    let asked = |code: QualityCode| query.codes.is_empty() || query.codes.contains(&code);
    let line = |(entry, n): (QualityEntry, i64)| {
        (entry.holds(query.at) && asked(entry.code)).then(|| QualityLine {
            place: QualityPlace { from: entry.from, unit, n },
            code: entry.code,
            home_site,
            standing_site,
            until: entry.until.unwrap_or(Instant::LAST),
            events: entry.event_ids,
        })
    };
    state.quality().into_iter().zip(0..).filter_map(line).collect()
}

fn line(row: QualityRow) -> Result<QualityLine> {
    let corrupt = StoreError::corrupt("data quality");
    let code = QUALITY_CODES.iter().find(|(word, _)| *word == row.code).map(|(_, code)| *code);
    let events: Vec<String> = serde_json::from_str(&row.evidence).map_err(|e| corrupt(&e))?;
    let events = events.iter().map(|id| EventId::parse(id).map_err(|e| corrupt(&e)));
    Ok(QualityLine {
        place: QualityPlace { from: Instant::from_micros(row.from_at), unit: row.unit_id.id(), n: row.n },
        code: code.ok_or_else(|| corrupt(&row.code))?,
        home_site: row.home_site.id(),
        standing_site: row.standing_site.id(),
        until: Instant::from_micros(row.until_at),
        events: events.collect::<Result<_>>()?,
    })
}

fn word_of(code: QualityCode) -> &'static str {
    QUALITY_CODES.iter().find(|(_, known)| *known == code).map_or("", |(word, _)| *word)
}
