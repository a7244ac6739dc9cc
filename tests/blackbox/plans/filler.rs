//! Rows that a planner could meet in a large installation; nobody reads them.

use blackbox::{Backend, Database};

use super::ground::now;

/// An id that a town, a site, a unit and more have in it.
pub(super) const LARGE: &str = "00000000-0000-0000-0000-000000000001";

/// Fills a database's tables, so that its planner has a choice.
///
/// SQLite's has none to make: its figures about due items come with the migration, about anything else there are none,
/// and it does not look at rows.
pub(super) fn fill(database: &Database) {
    if database.backend() == Backend::Sqlite {
        return;
    }
    for statement in STATEMENTS {
        database.sql(&statement.replace("@now", &now().micros().to_string()));
    }
    database.sql("VACUUM ANALYZE");
}

/// An id is its number, written with 32 digits. Ids of two organizations are the same, as nothing keeps them apart.
const STATEMENTS: &[&str] = &[
    "CREATE FUNCTION id(n bigint) RETURNS uuid IMMUTABLE LANGUAGE sql AS $$ SELECT lpad(n::text, 32, '0')::uuid $$",
    "CREATE VIEW town AS SELECT id(n) AS town FROM generate_series(1, 2) n",
    "INSERT INTO organization SELECT town, 1, 0 FROM town",
    "INSERT INTO organization_list SELECT town FROM town",
    "INSERT INTO record SELECT town, kind, id(n), 1, CASE kind WHEN 'unit' THEN id(n % 300) WHEN 'grant' THEN id(n % 700) \
     WHEN 'promise' THEN id(n % 300) END, \
     repeat('x', 600) FROM town, (VALUES ('site', 300), ('unit', 3000), ('schedule', 400), ('person', 700), ('grant', 1000), ('handset', 2000), \
     ('incident', 400), ('promise', 900)) \
     AS kinds (kind, many), generate_series(1, many) n",
    "INSERT INTO external_id SELECT town, kind, 'gis', kind || n, id(n) FROM town, (VALUES ('site'), ('unit')) AS kinds (kind), \
     generate_series(1, 3000) n",
    "INSERT INTO import_job SELECT town, id(n), id(n % 700), @now - n * 1000000::bigint, @now + (2000 - n) * 1000000::bigint, \
     CASE n WHEN 1 THEN 'running' WHEN 2 THEN 'queued' ELSE 'done' END, 'units', '{}', 0, 0, NULL, id(n), 0, 0, 0, 0, 0, 0, 0, 3, NULL, 0, \
     NULL, NULL, NULL, 0 FROM town, generate_series(1, 3000) n",
    "INSERT INTO import_file SELECT town, id(n), 0 FROM town, generate_series(1, 3000) n",
    "INSERT INTO import_chunk SELECT town, id(n / 4), n % 4, '\\x00' FROM town, generate_series(1, 12000) n",
    "INSERT INTO import_row SELECT town, id(n / 4), n % 4, n, NULL, 'refused', 'x', 'x', NULL FROM town, generate_series(1, 12000) n",
    "INSERT INTO blob SELECT town, decode(lpad(to_hex(n), 64, '0'), 'hex'), 'image/jpeg', 1000, id(n), @now - n * 1000000::bigint \
     FROM town, generate_series(1, 20000) n",
    "INSERT INTO blob_sender SELECT town, decode(lpad(to_hex(n), 64, '0'), 'hex'), id(n % 700), NULL FROM town, generate_series(1, 20000) n",
    "INSERT INTO blob_upload SELECT town, decode(lpad(to_hex(n), 64, '0'), 'hex'), id(n % 700), id(n), 1000, @now - n * 1000000::bigint \
     FROM town, generate_series(1, 3000) n",
    "INSERT INTO blob_unnamed SELECT town, decode(lpad(to_hex(n), 64, '0'), 'hex'), id(n % 700), 1000 FROM town, generate_series(1, 3000) n",
    "INSERT INTO attachment SELECT town, decode(lpad(to_hex(n), 64, '0'), 'hex'), id(n), id(n % 3000), id(1) FROM town, \
     generate_series(1, 20000) n",
    "INSERT INTO handset_state SELECT town, id(n), n, '{\"through\":0}', NULL, NULL, NULL, 0, NULL, NULL FROM town, generate_series(1, 2000) n",
    "INSERT INTO handset_person SELECT town, id(n), id(n % 500), 0 FROM town, generate_series(1, 2000) n",
    "INSERT INTO edition SELECT town, id(n), id(n % 400), repeat('x', 3000) FROM town, generate_series(1, 2000) n",
    "INSERT INTO job SELECT town, 'job_' || n FROM town, generate_series(1, 200) n",
    "INSERT INTO service_event SELECT town, id(n), id(n % 3000), NULL, (ARRAY['reading', 'service', 'run'])[n % 3 + 1], \
     @now - n * 1000000::bigint, repeat('x', 200), n, id(1) FROM town, generate_series(1, 20000) n",
    "INSERT INTO change_log SELECT town, n, n, 'edit', 'rest', id(n), NULL, 1, 'service_event', id(n), id(n % 3000), NULL, \
     id(1), NULL, NULL, NULL, '0', '0', NULL, NULL, NULL, NULL, repeat('x', 200), '\\x00', '\\x00' \
     FROM town, generate_series(1, 25000) n",
    "INSERT INTO feed SELECT town, id(n % 300), n, id(n % 3000), 'service_event', id(n) FROM town, generate_series(1, 25000) n",
    "INSERT INTO handset_edit SELECT town, id(n % 2000), n, id(n), 1 FROM town, generate_series(1, 20000) n",
    "INSERT INTO held SELECT id(town), n, id(n), id(n % 3000) FROM generate_series(1, 2000) town, generate_series(1, 20) n",
    "INSERT INTO inbox (organization, edit_id, state, reason, received_at, handset, handset_edit, author, wish, record_kind, record_id, base, \
     stamp_raw, stamp_effective, body, content_hash, group_id, group_size, format) SELECT town, id(n), (ARRAY['parked', 'refused'])[n % 2 + 1], 'missing_parent', \
     n, id(n % 2000), n, id(n % 700), 'create', 'service_event', id(n), '{}', '0', '0', repeat('x', 300), '\\x00', id(n), 2, 1 FROM town, generate_series(1, 3000) n",
    "INSERT INTO other_content (organization, edit_id, state, reason, received_at, handset, handset_edit, author, wish, record_kind, record_id, base, \
     stamp_raw, stamp_effective, body, content_hash, chained, flags, format) SELECT town, id(n), 'refused', 'id_reused', \
     n, id(n % 2000), n, id(n % 700), 'create', 'service_event', id(n), '{}', '0', '0', '{\"x\":1}', decode(repeat('00', 32), 'hex'), 0, '', 1 FROM town, generate_series(1, 3000) n",
    "INSERT INTO inbox_need SELECT town, id(n), id(n) FROM town, generate_series(1, 3000) n",
    "INSERT INTO outbox SELECT town, n, 0, 'due_changed', 'x' FROM town, generate_series(1, 5000) n",
    "INSERT INTO private_text SELECT town, id(n), '/note', '\\x00', repeat('x', 50) FROM town, generate_series(1, 5000) n",
    "INSERT INTO unit_state SELECT town, id(n), id(n % 300), id(CASE WHEN n % 20 = 0 THEN n / 20 % 300 ELSE n % 300 END), @now, \
     (SELECT max(folded_with) FROM unit_state), @now - n * 600000000::bigint, @now + (n - 20) * 1000000::bigint, repeat('x', 1500), '[]', decode(repeat('00', 800), 'hex'), @now + (n - 20) * 1000000::bigint FROM town, generate_series(1, 3000) n",
    "INSERT INTO unit_sent SELECT organization, unit_id, home_site, standing_site, 0, '\\x00', 7, '\\x00' FROM unit_state WHERE organization IN (SELECT town FROM town)",
    "INSERT INTO due_item SELECT organization, unit_id, id(1), CASE n WHEN 1 THEN 'oil_change' ELSE 'task_' || n END, home_site, standing_site, \
     CASE (n + (folded_at - changed_at) / 600000000) % 97 WHEN 0 THEN 'overdue' WHEN 1 THEN 'due' WHEN 2 THEN 'unknown' \
     WHEN 3 THEN 'coming_due' ELSE 'ok' END, NULL, \
     next_at - 1000000000::bigint + n FROM unit_state, generate_series(1, 12) n WHERE organization IN (SELECT town FROM town)",
    "INSERT INTO data_quality SELECT organization, unit_id, n, (ARRAY['no_history', 'possible_duplicate', 'quiet', \
     'reading_set_aside', 'stale_reading', 'stop_missing', 'swap_not_recorded'])[((folded_at - changed_at) / 600000000 + n) % 7 + 1], home_site, standing_site, \
     next_at - 1000000000::bigint + n * 1000000000::bigint, 9000000000000000, '[]' FROM unit_state, generate_series(0, 1) n WHERE organization IN (SELECT town FROM town)",
    "INSERT INTO unit_readiness SELECT organization, unit_id, home_site, standing_site, CASE (folded_at - changed_at) / 600000000 % 97 \
     WHEN 0 THEN 'not_ready' WHEN 1 THEN 'unknown' WHEN 2 THEN 'ready_with_limits' ELSE 'ready' END, 500, next_at, changed_at, 'a', 1, '[]' \
     FROM unit_state WHERE organization IN (SELECT town FROM town)",
    "INSERT INTO site_readiness SELECT town, id(n), 1, CASE n % 97 WHEN 0 THEN 0 ELSE 1 END, @now + (n - 20) * 1000000::bigint, \
     CASE n % 97 WHEN 0 THEN 'not_ready' WHEN 1 THEN 'unknown' ELSE 'ready' END, 0, 0, 'a', '{}' FROM town, generate_series(0, 3000) n",
    "INSERT INTO due_item_before SELECT organization, unit_id, schedule_id, task, due_at, state, NULL, due_at \
     FROM due_item WHERE task = 'oil_change'",
    "INSERT INTO model_adoption SELECT town, id(n), id(n % 50), repeat('x', 300) FROM town, generate_series(1, 500) n",
    "INSERT INTO context SELECT town, kind, id(n), 1, 1 FROM town, (VALUES ('site', 3000), ('model', 1000)) AS kinds (kind, many), \
     generate_series(1, many) n",
    "INSERT INTO unit_kin SELECT town, id(n), id(n - n % 2) FROM town, generate_series(2, 1001) n",
    "INSERT INTO unit_context SELECT organization, unit_id, 'site', home_site, 1 FROM unit_state WHERE organization IN (SELECT town FROM town)",
    "INSERT INTO unit_context SELECT organization, unit_id, 'model', id((folded_at - changed_at) / 600000000 % 100), 1 FROM unit_state WHERE organization IN (SELECT town FROM town)",
];
