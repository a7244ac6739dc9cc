DELETE FROM sqlite_stat1 WHERE tbl IN ('unit_state', 'unit_context', 'due_item_before');
ANALYZE sqlite_schema;
