DROP INDEX due_item_away;
DROP INDEX due_item_standing;
DROP TABLE sqlite_stat1;
ANALYZE sqlite_schema;
