-- What a unit's fold keeps, so that an event in order needs no earlier one; absent where all of them have to be read.
ALTER TABLE unit_state ADD COLUMN compact TEXT;
