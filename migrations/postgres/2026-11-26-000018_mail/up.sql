-- Work that one instance at a time does: taken by a lease, tried again later, failed for good after long enough. A row is
-- written in the transaction of its cause.
CREATE TABLE chore (
    organization uuid NOT NULL,
    kind         text COLLATE "C" NOT NULL,
    name         text COLLATE "C" NOT NULL,
    since        bigint NOT NULL,
    next_try_at  bigint NOT NULL,
    lease_until  bigint NOT NULL DEFAULT 0,
    attempts     bigint NOT NULL DEFAULT 0,
    outcome      text COLLATE "C" CHECK (outcome IN ('done', 'failed', 'withdrawn')),
    ended_at     bigint,
    last_error   text,
    PRIMARY KEY (organization, kind, name)
);
CREATE INDEX chore_open ON chore (organization, kind, next_try_at, name) WHERE outcome IS NULL;
CREATE INDEX chore_failed ON chore (organization, ended_at) WHERE outcome = 'failed';

-- What became of the digest of a list on a date; the lines that it rests on, to tell the next one what changed.
CREATE TABLE digest (
    organization uuid NOT NULL,
    mail_list    uuid NOT NULL,
    local_date   text COLLATE "C" NOT NULL,
    outcome      text COLLATE "C" NOT NULL CHECK (outcome IN ('mailed', 'unchanged', 'nobody', 'missed')),
    made_at      bigint NOT NULL,
    known_seq    bigint NOT NULL,
    overdue      text NOT NULL,
    lines        bytea NOT NULL,
    PRIMARY KEY (organization, mail_list, local_date)
);

-- The mails of a digest, one for each set of sites that its recipients may see.
CREATE TABLE digest_body (
    organization uuid NOT NULL,
    mail_list    uuid NOT NULL,
    local_date   text COLLATE "C" NOT NULL,
    n            bigint NOT NULL,
    audience     text NOT NULL,
    hash         text COLLATE "C" NOT NULL,
    subject      text NOT NULL,
    plain        text NOT NULL,
    html         text NOT NULL,
    picture_id   text,
    picture      bytea,
    PRIMARY KEY (organization, mail_list, local_date, n)
);

-- Who gets which of them.
CREATE TABLE digest_mail (
    organization uuid NOT NULL,
    recipient    uuid NOT NULL,
    local_date   text COLLATE "C" NOT NULL,
    mail_list    uuid NOT NULL,
    n            bigint NOT NULL,
    message_id   text COLLATE "C" NOT NULL,
    follows      text COLLATE "C",
    told         text COLLATE "C" NOT NULL,
    sent_at      bigint,
    PRIMARY KEY (organization, recipient, mail_list, local_date)
);

-- Recipients whose mail was refused for good, by the version of their record then: a change of the record tries again.
CREATE TABLE mail_refused (
    organization uuid NOT NULL,
    recipient    uuid NOT NULL,
    version      bigint NOT NULL,
    since        bigint NOT NULL,
    reason       text NOT NULL,
    PRIMARY KEY (organization, recipient)
);

-- Overdue items of which somebody has said that he knows, so that they are not told to others until then.
CREATE TABLE acknowledgement (
    organization uuid NOT NULL,
    unit_id      uuid NOT NULL,
    schedule_id  uuid NOT NULL,
    task         text COLLATE "C" NOT NULL,
    until        bigint NOT NULL,
    person       uuid NOT NULL,
    made_at      bigint NOT NULL,
    PRIMARY KEY (organization, unit_id, schedule_id, task)
);

-- Of a worker, when it was last about and how much has failed, for whoever asks whether the service is ready.
CREATE TABLE worker (
    name    text COLLATE "C" NOT NULL PRIMARY KEY,
    seen_at bigint NOT NULL,
    failing bigint NOT NULL
);

CREATE INDEX service_event_tag ON service_event (organization, unit_id) WHERE kind = 'tag';

GRANT SELECT, INSERT, UPDATE ON chore, digest, digest_body, digest_mail, mail_refused, acknowledgement, worker TO keepstart_service;
GRANT DELETE ON chore, digest, digest_body, digest_mail, mail_refused, acknowledgement TO keepstart_service;
ALTER TABLE chore ENABLE ROW LEVEL SECURITY;
ALTER TABLE chore FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON chore
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE digest ENABLE ROW LEVEL SECURITY;
ALTER TABLE digest FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON digest
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE digest_body ENABLE ROW LEVEL SECURITY;
ALTER TABLE digest_body FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON digest_body
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE digest_mail ENABLE ROW LEVEL SECURITY;
ALTER TABLE digest_mail FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON digest_mail
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE mail_refused ENABLE ROW LEVEL SECURITY;
ALTER TABLE mail_refused FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON mail_refused
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE acknowledgement ENABLE ROW LEVEL SECURITY;
ALTER TABLE acknowledgement FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON acknowledgement
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
