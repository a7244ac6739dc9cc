-- Photos and papers: those that were taken here, and those of others that somebody wished to see.
CREATE TABLE photo (
    -- The hash of its bytes.
    sha256 BLOB PRIMARY KEY,
    media_type TEXT,
    -- Of one of others: nothing until it was told.
    bytes INTEGER,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'refused', 'wished', 'fetched')),
    -- Who took it.
    author BLOB,
    -- What is in its way: a problem as it was told.
    problem TEXT,
    -- Since when it is at the service for good, or is here from there, by the service's clock.
    settled_at INTEGER
) STRICT;

-- Its bytes, in pieces.
CREATE TABLE photo_piece (
    sha256 BLOB NOT NULL REFERENCES photo (sha256) ON DELETE CASCADE,
    first INTEGER NOT NULL,
    bytes BLOB NOT NULL,
    UNIQUE (sha256, first)
) STRICT;

-- Which edits name it, and of which units. An edit that is there no more was recorded.
CREATE TABLE photo_use (
    sha256 BLOB NOT NULL REFERENCES photo (sha256) ON DELETE CASCADE,
    edit BLOB NOT NULL,
    unit BLOB NOT NULL,
    UNIQUE (sha256, edit)
) STRICT;
CREATE INDEX photo_use_of_edit ON photo_use (edit);
