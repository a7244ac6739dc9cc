ALTER TABLE feed DROP CONSTRAINT feed_pkey;
DROP INDEX feed_site, feed_unit;
ALTER TABLE feed ADD PRIMARY KEY (organization, site_id, seq);
CREATE INDEX feed_unit ON feed (organization, unit_id, seq);
CREATE INDEX feed_seq ON feed (organization, seq, site_id);
