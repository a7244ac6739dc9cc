-- What is kept of units is read and written with each of their events: as bytes it takes a fraction of the time that text does.
-- What was kept as text goes; such a unit is folded from all of its events once.
ALTER TABLE unit_state DROP COLUMN compact;
ALTER TABLE unit_state ADD COLUMN compact BLOB;

-- A list of items in any state is put together from those in each, so that a reading, which moves most of a unit's due_at, moves
-- them in one index less.
DROP INDEX due_item_due_at;
DELETE FROM sqlite_stat1 WHERE idx = 'due_item_due_at';
ANALYZE sqlite_schema;
