-- What is kept of units is read and written with each of their events: as bytes it takes a fraction of the time that text does.
-- What was kept as text goes; such a unit is folded from all of its events once.
ALTER TABLE unit_state DROP COLUMN compact;
ALTER TABLE unit_state ADD COLUMN compact bytea;
DO $$
BEGIN
    ALTER TABLE unit_state ALTER COLUMN compact SET COMPRESSION lz4;
EXCEPTION WHEN feature_not_supported THEN
    NULL;
END
$$;

-- A list of items in any state is put together from those in each, so that a reading, which moves most of a unit's due_at, moves
-- them in one index less.
DROP INDEX due_item_due_at;
