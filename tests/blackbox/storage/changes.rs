//! Whatever somebody changes behind the service's back is noticed and named by `rebuild --check`.

use std::collections::BTreeSet;

use blackbox::{Backend, Database, none_failed, on_both};

use super::{lively, rebuild};

on_both!(a_rebuild_notices_every_change_by_hand);

/// A change by hand: its name, the table, the fold that `rebuild --check` has to name, and the SQL.
struct Change {
    name: &'static str,
    table: &'static str,
    named: &'static str,
    sql: String,
}

const LOG: (&str, &str) = ("change_log", "organization, seq");
const EVENT: (&str, &str) = ("service_event", "organization, id");
const FEED: (&str, &str) = ("feed", "organization, site_id, seq");
const TEXT: (&str, &str) = ("private_text", "organization, edit_id, pointer");
const RECORD: (&str, &str) = ("record", "organization, kind, id");
const STATE: (&str, &str) = ("unit_state", "organization, unit_id");
const ITEM: (&str, &str) = ("due_item", "organization, unit_id, schedule_id, task");
const QUALITY: (&str, &str) = ("data_quality", "organization, unit_id, n");
const EDITION: (&str, &str) = ("edition", "organization, id");

fn update(
    name: &'static str,
    (table, key): (&'static str, &str),
    set: &str,
    which: &str,
    named: &'static str,
) -> Change {
    let sql = format!("UPDATE {table} SET {set} WHERE {}", first(table, key, which));
    Change { name, table, named, sql }
}

fn delete(
    name: &'static str,
    (table, key): (&'static str, &str),
    which: &str,
    named: &'static str,
) -> Change {
    let sql = format!("DELETE FROM {table} WHERE {}", first(table, key, which));
    Change { name, table, named, sql }
}

/// A copy of one row with other values in some columns.
fn add(
    name: &'static str,
    table: &'static str,
    columns: &str,
    values: &str,
    from: &str,
    named: &'static str,
) -> Change {
    let sql = format!("INSERT INTO {table} ({columns}) SELECT {values} FROM {from} LIMIT 1");
    Change { name, table, named, sql }
}

/// One row of those that are meant.
fn first(table: &str, key: &str, which: &str) -> String {
    format!("({key}) IN (SELECT {key} FROM {table} WHERE {which} ORDER BY {key} LIMIT 1)")
}

const EVENT_COLUMNS: &str =
    "organization, id, unit_id, site_id, kind, occurred_at, body, recorded_at, author";
const STATE_COLUMNS: &str =
    "organization, unit_id, home_site, standing_site, folded_at, folded_with, changed_at, next_at, steps";
const ITEM_COLUMNS: &str =
    "organization, unit_id, schedule_id, task, home_site, standing_site, state, due_at";
const FEED_COLUMNS: &str = "organization, site_id, seq, unit_id, kind, record_id";

fn of_the_log() -> Vec<Change> {
    const READING: &str = "record_kind = 'service_event' AND body LIKE '%\"reading\"%'";
    // A row whose number is the highest of its organization.
    const LAST: &str =
        "seq = (SELECT max(seq) FROM change_log other WHERE other.organization = change_log.organization)";
    const LATE: &str = "seq > 20";
    vec![
        update(
            "a log row's body",
            LOG,
            "body = replace(body, ':11', ':12')",
            "body LIKE '%\"meter_hours\":11%'",
            "leaf hash",
        ),
        // What cannot be read is a difference like any other: the row is named, and the rest is checked.
        update(
            "a log row's body of no known kind",
            LOG,
            "body = replace(body, 'reading', 'reeding')",
            READING,
            "leaf hash",
        ),
        update("a log row's body that is no JSON", LOG, "body = '{'", READING, "leaf hash"),
        update("a log row's recorded_at", LOG, "recorded_at = recorded_at + 1", LATE, "leaf hash"),
        update("a log row's recorded_at, long ago", LOG, "recorded_at = 0", LATE, "leaf hash"),
        update("a log row's author", LOG, "author = edit_id", LATE, "leaf hash"),
        update("a log row's stamp", LOG, "stamp_effective = '00000000000000000001'", "seq = 25", "leaf hash"),
        update("a log row's channel", LOG, "channel = 'sync'", LATE, "leaf hash"),
        update("a log row's content hash", LOG, "content_hash = leaf_hash", LATE, "content hash"),
        update("a log row's leaf hash", LOG, "leaf_hash = content_hash", LATE, "leaf hash"),
        delete("a log row in the middle", LOG, READING, "change log"),
        delete("the last log row", LOG, &format!("{LAST} AND {LATE}"), "change log"),
        update(
            "the counter",
            ("organization", "id"),
            "next_seq = next_seq + 1",
            "next_seq > 25",
            "change log",
        ),
        update(
            "the counter's time",
            ("organization", "id"),
            "last_recorded_at = last_recorded_at - 1",
            "next_seq > 25",
            "change log",
        ),
        update("a private text", TEXT, "content = content || '!'", "pointer = '/note'", "private text"),
        update(
            "a private text's salt",
            TEXT,
            "salt = (SELECT p.salt FROM private_text p WHERE p.edit_id <> private_text.edit_id LIMIT 1)",
            "pointer = '/note'",
            "private text",
        ),
        update("a private text's place", TEXT, "pointer = '/notes'", "pointer = '/note'", "private text"),
        delete("a deleted private text", TEXT, "pointer = '/reason'", "private text"),
        add(
            "an extra private text",
            "private_text",
            "organization, edit_id, pointer, salt, content",
            "organization, edit_id, '/extra', salt, content",
            "private_text",
            "private text",
        ),
    ]
}

fn of_records() -> Vec<Change> {
    vec![
        update(
            "a record's registers",
            RECORD,
            "registers = replace(registers, 'FS-1', 'FS-9')",
            "registers LIKE '%FS-1%'",
            "record",
        ),
        update("a record's version", RECORD, "version = version + 1", "kind = 'site'", "record"),
        update("a record's belongs_to", RECORD, "belongs_to = id", "kind = 'grant'", "record"),
        update("a unit's belongs_to", RECORD, "belongs_to = id", "kind = 'unit'", "record"),
        delete("a deleted record", RECORD, "kind = 'grant'", "record"),
        add(
            "an extra record",
            "record",
            "organization, kind, id, version, belongs_to, registers",
            "organization, 'grant', id, version, belongs_to, registers",
            "record WHERE kind = 'site'",
            "record",
        ),
        update(
            "an edition's body",
            EDITION,
            "body = replace(body, '100', '1000')",
            "body LIKE '%100%'",
            "editions",
        ),
        update("an edition's schedule", EDITION, "schedule_id = id", "1 = 1", "editions"),
        delete("a deleted edition", EDITION, "1 = 1", "editions"),
        add("an extra job", "job", "organization, code", "organization, 'never_named'", "job", "jobs"),
        delete("a deleted job", ("job", "organization, code"), "code = 'oil_and_filter'", "jobs"),
    ]
}

fn of_units() -> Vec<Change> {
    // A unit with steps: those of an item begin with their first instant, in microseconds.
    const STEPPED: &str = "steps LIKE '%,[1%'";
    vec![
        delete("a deleted service event", EVENT, "kind = 'reading'", "service events"),
        update(
            "a service event's body",
            EVENT,
            "body = replace(body, 'reading', 'reeding')",
            "kind = 'reading'",
            "service events",
        ),
        update(
            "a service event's occurred_at",
            EVENT,
            "occurred_at = occurred_at + 1",
            "kind = 'reading'",
            "service events",
        ),
        update(
            "when a service event was recorded",
            EVENT,
            "recorded_at = recorded_at + 1",
            "kind = 'reading'",
            "service events",
        ),
        update("who made a service event", EVENT, "author = unit_id", "kind = 'reading'", "service events"),
        update("a service event's site", EVENT, "site_id = unit_id", "kind = 'placement'", "service events"),
        update("a service event's unit", EVENT, "unit_id = id", "kind = 'reading'", "service events"),
        add(
            "an extra service event",
            "service_event",
            EVENT_COLUMNS,
            "organization, unit_id, unit_id, site_id, kind, occurred_at, body, recorded_at, author",
            "service_event WHERE kind = 'reading'",
            "service events",
        ),
        add(
            "a service event of no unit",
            "service_event",
            EVENT_COLUMNS,
            "organization, unit_id, organization, site_id, kind, occurred_at, body, recorded_at, author",
            "service_event WHERE kind = 'reading'",
            "service events",
        ),
        update("a unit state's steps", STATE, "steps = replace(steps, ',[1', ',[2')", STEPPED, "unit state"),
        update("a unit state's standing site", STATE, "standing_site = unit_id", "1 = 1", "unit state"),
        update("a unit state's next step", STATE, "next_at = next_at + 1", STEPPED, "unit state"),
        // A unit of which nothing is kept is folded from its events; what is kept must come to the same.
        update(
            "what is kept of a unit, unreadable",
            STATE,
            "compact = substr(compact, 2)",
            "compact IS NOT NULL",
            "unit state",
        ),
        update(
            "what is kept of another unit",
            STATE,
            "compact = (SELECT s.compact FROM unit_state s WHERE s.unit_id <> unit_state.unit_id AND s.compact IS NOT NULL LIMIT 1)",
            "compact IS NOT NULL",
            "unit state",
        ),
        delete("a deleted unit state", STATE, "1 = 1", "unit state"),
        add(
            "a state of no unit",
            "unit_state",
            STATE_COLUMNS,
            "organization, organization, home_site, standing_site, folded_at, folded_with, changed_at, next_at, steps",
            "unit_state",
            "unit state",
        ),
        update("a due item's state", ITEM, "state = 'deferred'", "task = 'oil_change'", "due items"),
        update("a due item's due_at", ITEM, "due_at = due_at + 1", "task = 'oil_change'", "due items"),
        update("a due item's site", ITEM, "standing_site = unit_id", "task = 'oil_change'", "due items"),
        delete("a deleted due item", ITEM, "task = 'oil_change'", "due items"),
        update("a quality row's start", QUALITY, "from_at = from_at + 1", "true", "data quality"),
        delete("a deleted quality row", QUALITY, "true", "data quality"),
        add(
            "an extra due item",
            "due_item",
            ITEM_COLUMNS,
            "organization, unit_id, schedule_id, 'never_named', home_site, standing_site, state, due_at",
            "due_item",
            "due items",
        ),
        add(
            "a due item of no unit",
            "due_item",
            ITEM_COLUMNS,
            "organization, organization, schedule_id, task, home_site, standing_site, state, due_at",
            "due_item",
            "due items",
        ),
    ]
}

/// Which units are stale follows from these.
fn of_contexts() -> Vec<Change> {
    const CONTEXT: (&str, &str) = ("context", "organization, kind, key");
    const UNIT: (&str, &str) = ("unit_context", "organization, unit_id, kind, key");
    const ADOPTION: (&str, &str) = ("model_adoption", "organization, id");
    const COLUMNS: &str = "organization, unit_id, kind, key, version";
    vec![
        update("a context's version", CONTEXT, "version = version + 1", "kind = 'model'", "contexts"),
        update(
            "a version past all units",
            CONTEXT,
            "folded_version = version + 1",
            "kind = 'site'",
            "contexts",
        ),
        delete("a deleted context", CONTEXT, "kind = 'site'", "contexts"),
        add(
            "an extra context",
            "context",
            "organization, kind, key, version, folded_version",
            "organization, 'model', organization, 1, 1",
            "context",
            "contexts",
        ),
        update("a unit's version that never was", UNIT, "version = version + 1", "kind = 'site'", "contexts"),
        update("a unit's version that is passed", UNIT, "version = version - 1", "version > 0", "contexts"),
        delete("a deleted unit context", UNIT, "kind = 'site'", "unit contexts"),
        add(
            "a unit context of another site",
            "unit_context",
            COLUMNS,
            "organization, unit_id, 'site', unit_id, 0",
            "unit_context",
            "unit contexts",
        ),
        add(
            "a unit context of no unit",
            "unit_context",
            COLUMNS,
            "organization, organization, kind, key, version",
            "unit_context",
            "unit contexts",
        ),
        update(
            "an adoption's body",
            ADOPTION,
            "body = replace(body, 'P7', 'P8')",
            "1 = 1",
            "adoptions for a model",
        ),
        update("an adoption's model", ADOPTION, "model = id", "1 = 1", "adoptions for a model"),
        delete("a deleted adoption", ADOPTION, "1 = 1", "adoptions for a model"),
        add(
            "kin that nobody named",
            "unit_kin",
            "organization, unit_id, head",
            "organization, unit_id, unit_id",
            "unit_state",
            "kin of units",
        ),
    ]
}

/// The feed decides what each handset may see: a line too few hides, a line too many gives away.
fn of_the_feed() -> Vec<Change> {
    const OF_UNIT: &str = "kind = 'service_event' AND unit_id IS NOT NULL";
    // An adoption for a model.
    const FOR_ALL: &str = "kind = 'service_event' AND unit_id IS NULL";
    const TWICE: &str = "(SELECT count(*) FROM feed other WHERE other.organization = feed.organization AND other.seq = feed.seq) = 2";
    let other_site = |site: &str| format!("organization, {site}, seq, unit_id, kind, record_id");
    vec![
        delete("a deleted feed line", FEED, "kind = 'service_event'", "feed"),
        delete("one of two feed lines", FEED, &format!("kind = 'service_event' AND {TWICE}"), "feed"),
        delete("a deleted line of entering", FEED, "kind = 'enter'", "feed"),
        delete("a deleted line of leaving", FEED, "kind = 'leave'", "feed"),
        update("a feed line's record", FEED, "record_id = organization", OF_UNIT, "feed"),
        update("a feed line's site", FEED, "site_id = organization", OF_UNIT, "feed"),
        update("the site of a line for all", FEED, "site_id = record_id", FOR_ALL, "feed"),
        delete("a deleted line for all", FEED, FOR_ALL, "feed"),
        update(
            "a feed line that enters instead",
            FEED,
            "kind = 'enter', record_id = unit_id",
            OF_UNIT,
            "feed",
        ),
        add(
            "a feed line at another site",
            "feed",
            FEED_COLUMNS,
            &other_site("organization"),
            "feed WHERE kind = 'service_event'",
            "feed",
        ),
        add(
            "a feed line of another site's record",
            "feed",
            FEED_COLUMNS,
            &other_site("organization"),
            "feed WHERE kind = 'site'",
            "feed",
        ),
        add(
            "a feed line beyond the log",
            "feed",
            FEED_COLUMNS,
            "organization, site_id, seq + 100000, unit_id, kind, record_id",
            "feed",
            "feed",
        ),
        add(
            "a feed line just past the log",
            "feed",
            FEED_COLUMNS,
            "organization, site_id, seq + 1, unit_id, kind, record_id",
            "feed ORDER BY seq DESC",
            "feed",
        ),
    ]
}

fn a_rebuild_notices_every_change_by_hand(backend: Backend) {
    let mut world = lively(backend);
    world.service.kill();
    let database = &world.database;
    let (code, said) = rebuild(database);
    assert_eq!(code, Some(0), "before anything was changed: {said}");
    let (mut failures, mut spare) = (Vec::new(), BTreeSet::new());
    if backend == Backend::Postgres {
        database.sql("CREATE SCHEMA spare");
    }
    for change in [of_the_log(), of_records(), of_units(), of_contexts(), of_the_feed()].into_iter().flatten()
    {
        let Change { name, table, named, sql } = change;
        if spare.insert(table) {
            database.sql(&format!("CREATE TABLE {} AS SELECT * FROM {table}", copy_of(database, table)));
        }
        let touched = database.sql(&sql);
        let (code, said) = rebuild(database);
        if touched != 1 {
            failures.push(format!("{name}: changed {touched} rows: {sql}"));
        } else if code != Some(1) || !said.lines().any(|line| line.contains(&format!(": {named}: "))) {
            failures.push(format!("{name}: exit code {code:?}, should name {named:?}: {said}"));
        }
        put_back(database, table);
    }
    let (code, said) = rebuild(database);
    assert_eq!(code, Some(0), "after all was put back: {said}");
    none_failed(&failures);
}

/// Where a table's rows are kept meanwhile: on PostgreSQL not among tables behind the fence, which it would break.
fn copy_of(database: &Database, table: &str) -> String {
    match database.backend() {
        Backend::Sqlite => format!("spare_{table}"),
        Backend::Postgres => format!("spare.{table}"),
    }
}

fn put_back(database: &Database, table: &str) {
    let copy = copy_of(database, table);
    // The log refers to organizations, so these cannot go away even for a moment.
    if table == "organization" {
        let value =
            |column: &str| format!("{column} = (SELECT {column} FROM {copy} s WHERE s.id = organization.id)");
        database.sql(&format!(
            "UPDATE organization SET {}, {}",
            value("next_seq"),
            value("last_recorded_at")
        ));
    } else {
        database.sql(&format!("DELETE FROM {table}"));
        database.sql(&format!("INSERT INTO {table} SELECT * FROM {copy}"));
    }
}
