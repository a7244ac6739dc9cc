-- What is known of a handset beside its record: its number in stamps, which of its edits have come, its clock, its queue.
CREATE TABLE handset_state (
    organization      BLOB NOT NULL,
    handset           BLOB NOT NULL,
    number            INTEGER NOT NULL,
    chain             TEXT NOT NULL,
    last_seen_at      INTEGER,
    offset_micros     INTEGER,
    boot              INTEGER,
    waiting           INTEGER NOT NULL DEFAULT 0,
    oldest_waiting_at INTEGER,
    emptied_at        INTEGER,
    PRIMARY KEY (organization, handset),
    UNIQUE (organization, number)
) STRICT;

-- Who has signed in on a handset, and since when.
CREATE TABLE handset_person (
    organization  BLOB NOT NULL,
    handset       BLOB NOT NULL,
    person        BLOB NOT NULL,
    first_seen_at INTEGER NOT NULL,
    PRIMARY KEY (organization, handset, person)
) STRICT;
CREATE INDEX handset_person_person ON handset_person (organization, person, handset);

-- Which edit came under a number of a handset's counter; a second one under the same number shows two copies of it.
CREATE TABLE handset_edit (
    organization BLOB NOT NULL,
    handset      BLOB NOT NULL,
    number       INTEGER NOT NULL,
    edit_id      BLOB NOT NULL,
    PRIMARY KEY (organization, handset, number)
) STRICT;

-- Short codes by which handsets are enrolled, each good once and for minutes; only their hashes are kept.
CREATE TABLE enrolment (
    organization BLOB NOT NULL,
    code_hash    BLOB NOT NULL,
    made_by      BLOB NOT NULL,
    made_at      INTEGER NOT NULL,
    expires_at   INTEGER NOT NULL,
    used_at      INTEGER,
    handset      BLOB,
    PRIMARY KEY (organization, code_hash)
) STRICT;

-- What is fixed of a kept edit beside its stamp and time: whether it has seen what its handset wrote before, and what is
-- noted of it. The group that it belongs to, and how many edits that has; and the format in which it was sent.
ALTER TABLE inbox ADD COLUMN chained INTEGER NOT NULL DEFAULT 0;
ALTER TABLE inbox ADD COLUMN flags TEXT NOT NULL DEFAULT '';
ALTER TABLE inbox ADD COLUMN group_id BLOB;
ALTER TABLE inbox ADD COLUMN group_size INTEGER;
ALTER TABLE inbox ADD COLUMN format INTEGER NOT NULL DEFAULT 1;
CREATE INDEX inbox_group ON inbox (organization, handset, group_id) WHERE group_id IS NOT NULL;
