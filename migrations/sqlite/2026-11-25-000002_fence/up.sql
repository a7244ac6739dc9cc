-- Jobs ask here which organizations there are; it holds nothing else, and no fence hides it.
CREATE TABLE organization_list (
    id BLOB NOT NULL PRIMARY KEY
) STRICT;
INSERT INTO organization_list SELECT id FROM organization;
