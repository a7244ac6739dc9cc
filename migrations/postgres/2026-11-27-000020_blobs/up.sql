-- Photos and papers whose bytes are there, in a folder or a store beside the database; place says where in it.
CREATE TABLE blob (
    organization uuid NOT NULL,
    sha256       bytea NOT NULL,
    media_type   text COLLATE "C" NOT NULL,
    bytes        bigint NOT NULL,
    place        uuid NOT NULL,
    kept_at      bigint NOT NULL,
    PRIMARY KEY (organization, sha256)
);
CREATE INDEX blob_kept_at ON blob (organization, kept_at, sha256);

-- Who has sent one, and at which sites they saw units then (all of them if there is nothing): whoever names a blob without
-- having had it opens it to nobody.
CREATE TABLE blob_sender (
    organization uuid NOT NULL,
    sha256       bytea NOT NULL,
    person       uuid NOT NULL,
    sites        text,
    PRIMARY KEY (organization, sha256, person)
);

-- What is on its way, to each sender by itself.
CREATE TABLE blob_upload (
    organization uuid NOT NULL,
    sha256       bytea NOT NULL,
    person       uuid NOT NULL,
    place        uuid NOT NULL,
    bytes        bigint NOT NULL,
    last_at      bigint NOT NULL,
    PRIMARY KEY (organization, sha256, person)
);
CREATE INDEX blob_upload_last_at ON blob_upload (organization, last_at);

-- Which events name which blobs; a fold of the events.
CREATE TABLE attachment (
    organization uuid NOT NULL,
    sha256       bytea NOT NULL,
    event_id     uuid NOT NULL,
    unit_id      uuid NOT NULL,
    author       uuid NOT NULL,
    PRIMARY KEY (organization, sha256, event_id)
);
CREATE INDEX attachment_unit ON attachment (organization, unit_id);

GRANT SELECT, INSERT, UPDATE, DELETE ON blob, blob_sender, blob_upload, attachment TO keepstart_service;
ALTER TABLE blob ENABLE ROW LEVEL SECURITY;
ALTER TABLE blob FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON blob
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE blob_sender ENABLE ROW LEVEL SECURITY;
ALTER TABLE blob_sender FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON blob_sender
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE blob_upload ENABLE ROW LEVEL SECURITY;
ALTER TABLE blob_upload FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON blob_upload
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
ALTER TABLE attachment ENABLE ROW LEVEL SECURITY;
ALTER TABLE attachment FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON attachment
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
