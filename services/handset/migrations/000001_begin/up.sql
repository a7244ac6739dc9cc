-- The device: what it is called, who is signed in, its clock, its place in the feed. One row.
CREATE TABLE device (
    only_one INTEGER PRIMARY KEY CHECK (only_one = 1),
    service TEXT NOT NULL,
    name TEXT NOT NULL,
    person BLOB NOT NULL,
    -- The clock part of the last stamp, as the 64 bits are.
    clock INTEGER NOT NULL,
    boot INTEGER NOT NULL,
    boot_mark TEXT NOT NULL,
    -- What has to be added to the clock, as the service measured it within this boot.
    offset_micros INTEGER,
    cursor TEXT,
    more INTEGER NOT NULL,
    -- Whether what has not come again is dropped at the end of the fill.
    filling INTEGER NOT NULL,
    -- Behind which edit those that wait at the service are offered next.
    offered_enrolment INTEGER NOT NULL,
    offered_number INTEGER NOT NULL,
    forked INTEGER NOT NULL,
    revoked INTEGER NOT NULL,
    -- The id under which it is being enrolled, so that a repeat is recognised.
    next_handset BLOB,
    limits TEXT NOT NULL
) STRICT;

-- The numbers under which it was enrolled; the last one holds.
CREATE TABLE enrolment (
    place INTEGER PRIMARY KEY,
    handset BLOB NOT NULL,
    number INTEGER NOT NULL,
    -- The number of the last edit under it, and that edit.
    last_number INTEGER NOT NULL,
    last_edit BLOB
) STRICT;

-- Edits, with where they stand. The text is what is sent, and never changes.
CREATE TABLE edit (
    id BLOB NOT NULL UNIQUE,
    enrolment INTEGER NOT NULL REFERENCES enrolment (place),
    number INTEGER NOT NULL,
    kind TEXT NOT NULL,
    record BLOB NOT NULL,
    text TEXT NOT NULL,
    made_at INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('queued', 'parked', 'applied', 'contested', 'held', 'refused')),
    version INTEGER,
    -- The result as it was told.
    result TEXT,
    -- By the service's clock, since the device's may be years off.
    answered_at INTEGER,
    UNIQUE (enrolment, number)
) STRICT;
CREATE INDEX edit_by_state ON edit (state, enrolment, number);
CREATE INDEX edit_of_record ON edit (kind, record);

-- The copy of the records, each as it was told.
CREATE TABLE record (
    kind TEXT NOT NULL,
    id BLOB NOT NULL,
    -- Of an event: the unit.
    unit BLOB,
    text TEXT NOT NULL,
    -- Of a unit: its home site.
    home BLOB,
    retired INTEGER NOT NULL,
    -- Of an event: whether it bears on where its unit stands.
    moves INTEGER NOT NULL,
    -- Whether it has not come again during a fill.
    stale INTEGER NOT NULL,
    UNIQUE (kind, id)
) STRICT;
CREATE INDEX record_of_unit ON record (unit) WHERE unit IS NOT NULL;
