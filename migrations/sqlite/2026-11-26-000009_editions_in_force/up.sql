-- The editions that hold for a unit, now and later, so that a list can name them without its events; of a unit that was not
-- folded since, none are named.
ALTER TABLE unit_state ADD COLUMN editions TEXT NOT NULL DEFAULT '[]';
