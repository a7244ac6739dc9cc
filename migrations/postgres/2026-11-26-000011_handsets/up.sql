-- What is known of a handset beside its record: its number in stamps, which of its edits have come, its clock, its queue.
CREATE TABLE handset_state (
    organization      uuid NOT NULL,
    handset           uuid NOT NULL,
    number            bigint NOT NULL,
    chain             text NOT NULL,
    last_seen_at      bigint,
    offset_micros     bigint,
    boot              bigint,
    waiting           bigint NOT NULL DEFAULT 0,
    oldest_waiting_at bigint,
    emptied_at        bigint,
    PRIMARY KEY (organization, handset),
    UNIQUE (organization, number)
);

-- Who has signed in on a handset, and since when.
CREATE TABLE handset_person (
    organization  uuid NOT NULL,
    handset       uuid NOT NULL,
    person        uuid NOT NULL,
    first_seen_at bigint NOT NULL,
    PRIMARY KEY (organization, handset, person)
);
CREATE INDEX handset_person_person ON handset_person (organization, person, handset);

-- Which edit came under a number of a handset's counter; a second one under the same number shows two copies of it.
CREATE TABLE handset_edit (
    organization uuid NOT NULL,
    handset      uuid NOT NULL,
    number       bigint NOT NULL,
    edit_id      uuid NOT NULL,
    PRIMARY KEY (organization, handset, number)
);

-- Short codes by which handsets are enrolled, each good once and for minutes; only their hashes are kept.
CREATE TABLE enrolment (
    organization uuid NOT NULL,
    code_hash    bytea NOT NULL,
    made_by      uuid NOT NULL,
    made_at      bigint NOT NULL,
    expires_at   bigint NOT NULL,
    used_at      bigint,
    handset      uuid,
    PRIMARY KEY (organization, code_hash)
);

-- What is fixed of a kept edit beside its stamp and time: whether it has seen what its handset wrote before, and what is
-- noted of it. The group that it belongs to, and how many edits that has; and the format in which it was sent.
ALTER TABLE inbox ADD COLUMN chained bigint NOT NULL DEFAULT 0;
ALTER TABLE inbox ADD COLUMN flags text NOT NULL DEFAULT '';
ALTER TABLE inbox ADD COLUMN group_id uuid;
ALTER TABLE inbox ADD COLUMN group_size bigint;
ALTER TABLE inbox ADD COLUMN format bigint NOT NULL DEFAULT 1;
CREATE INDEX inbox_group ON inbox (organization, handset, group_id) WHERE group_id IS NOT NULL;

GRANT SELECT, INSERT, UPDATE ON handset_state, enrolment TO keepstart_service;
GRANT SELECT, INSERT ON handset_person, handset_edit TO keepstart_service;
GRANT DELETE ON enrolment TO keepstart_service;
ALTER TABLE handset_state ENABLE ROW LEVEL SECURITY;
ALTER TABLE handset_state FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON handset_state
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE handset_person ENABLE ROW LEVEL SECURITY;
ALTER TABLE handset_person FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON handset_person
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE handset_edit ENABLE ROW LEVEL SECURITY;
ALTER TABLE handset_edit FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON handset_edit
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE enrolment ENABLE ROW LEVEL SECURITY;
ALTER TABLE enrolment FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON enrolment
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
