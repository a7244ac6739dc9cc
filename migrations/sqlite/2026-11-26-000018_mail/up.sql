-- Work that one instance at a time does: taken by a lease, tried again later, failed for good after long enough. A row is
-- written in the transaction of its cause.
CREATE TABLE chore (
    organization BLOB NOT NULL,
    kind         TEXT NOT NULL,
    name         TEXT NOT NULL,
    since        INTEGER NOT NULL,
    next_try_at  INTEGER NOT NULL,
    lease_until  INTEGER NOT NULL DEFAULT 0,
    attempts     INTEGER NOT NULL DEFAULT 0,
    outcome      TEXT CHECK (outcome IN ('done', 'failed', 'withdrawn')),
    ended_at     INTEGER,
    last_error   TEXT,
    PRIMARY KEY (organization, kind, name)
) STRICT;
CREATE INDEX chore_open ON chore (organization, kind, next_try_at, name) WHERE outcome IS NULL;
CREATE INDEX chore_failed ON chore (organization, ended_at) WHERE outcome = 'failed';

-- What became of the digest of a list on a date; the lines that it rests on, to tell the next one what changed.
CREATE TABLE digest (
    organization BLOB NOT NULL,
    mail_list    BLOB NOT NULL,
    local_date   TEXT NOT NULL,
    outcome      TEXT NOT NULL CHECK (outcome IN ('mailed', 'unchanged', 'nobody', 'missed')),
    made_at      INTEGER NOT NULL,
    known_seq    INTEGER NOT NULL,
    overdue      TEXT NOT NULL,
    lines        BLOB NOT NULL,
    PRIMARY KEY (organization, mail_list, local_date)
) STRICT;

-- The mails of a digest, one for each set of sites that its recipients may see.
CREATE TABLE digest_body (
    organization BLOB NOT NULL,
    mail_list    BLOB NOT NULL,
    local_date   TEXT NOT NULL,
    n            INTEGER NOT NULL,
    audience     TEXT NOT NULL,
    hash         TEXT NOT NULL,
    subject      TEXT NOT NULL,
    plain        TEXT NOT NULL,
    html         TEXT NOT NULL,
    picture_id   TEXT,
    picture      BLOB,
    PRIMARY KEY (organization, mail_list, local_date, n)
) STRICT;

-- Who gets which of them.
CREATE TABLE digest_mail (
    organization BLOB NOT NULL,
    recipient    BLOB NOT NULL,
    local_date   TEXT NOT NULL,
    mail_list    BLOB NOT NULL,
    n            INTEGER NOT NULL,
    message_id   TEXT NOT NULL,
    follows      TEXT,
    told         TEXT NOT NULL,
    sent_at      INTEGER,
    PRIMARY KEY (organization, recipient, mail_list, local_date)
) STRICT;

-- Recipients whose mail was refused for good, by the version of their record then: a change of the record tries again.
CREATE TABLE mail_refused (
    organization BLOB NOT NULL,
    recipient    BLOB NOT NULL,
    version      INTEGER NOT NULL,
    since        INTEGER NOT NULL,
    reason       TEXT NOT NULL,
    PRIMARY KEY (organization, recipient)
) STRICT;

-- Overdue items of which somebody has said that he knows, so that they are not told to others until then.
CREATE TABLE acknowledgement (
    organization BLOB NOT NULL,
    unit_id      BLOB NOT NULL,
    schedule_id  BLOB NOT NULL,
    task         TEXT NOT NULL,
    until        INTEGER NOT NULL,
    person       BLOB NOT NULL,
    made_at      INTEGER NOT NULL,
    PRIMARY KEY (organization, unit_id, schedule_id, task)
) STRICT;

-- Of a worker, when it was last about and how much has failed, for whoever asks whether the service is ready.
CREATE TABLE worker (
    name    TEXT NOT NULL PRIMARY KEY,
    seen_at INTEGER NOT NULL,
    failing INTEGER NOT NULL
) STRICT;

CREATE INDEX service_event_tag ON service_event (organization, unit_id) WHERE kind = 'tag';
