-- As for due items: without figures the planner reads all of an organization's rows of these tables where it wants those
-- of one unit, because another index has every column in it, or ends in a range. Of 100,000 units.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('unit_state', 'sqlite_autoindex_unit_state_1', '100000 100000 1'),
    ('unit_state', 'unit_state_next_at', '100000 100000 1 1'),
    ('unit_state', 'unit_state_changed_at', '100000 100000 10 1'),
    ('unit_state', 'unit_state_folded_with', '100000 100000 50000 1'),
    ('unit_context', 'sqlite_autoindex_unit_context_1', '200000 200000 2 1 1'),
    ('unit_context', 'unit_context_version', '200000 200000 100000 400 400 1'),
    ('due_item_before', 'sqlite_autoindex_due_item_before_1', '20000 20000 3 3 1 1'),
    ('due_item_before', 'due_item_before_until', '20000 20000 2');
ANALYZE sqlite_schema;
