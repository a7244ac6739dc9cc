-- Photos and papers that no event names yet, and who sent them first: how much of them may lie about is limited. Those of
-- before are left out, and go after their 30 days like the others.
CREATE TABLE blob_unnamed (
    organization uuid NOT NULL,
    sha256       bytea NOT NULL,
    person       uuid NOT NULL,
    bytes        bigint NOT NULL,
    PRIMARY KEY (organization, sha256)
);

GRANT SELECT, INSERT, DELETE ON blob_unnamed TO keepstart_service;
ALTER TABLE blob_unnamed ENABLE ROW LEVEL SECURITY;
ALTER TABLE blob_unnamed FORCE ROW LEVEL SECURITY;
CREATE POLICY of_organization ON blob_unnamed
    USING (organization = NULLIF(current_setting('keepstart.organization', true), '')::uuid);
