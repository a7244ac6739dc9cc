-- Readers, whatever sites they see, go through the lines of the rows after their own. Beside that the feed is asked for the
-- lines of a unit, and for those of a site or the organization itself.
ALTER TABLE feed DROP CONSTRAINT feed_pkey;
DROP INDEX feed_seq, feed_unit;
ALTER TABLE feed ADD PRIMARY KEY (organization, seq, site_id);
CREATE INDEX feed_unit ON feed (organization, unit_id, seq) WHERE unit_id IS NOT NULL;
CREATE INDEX feed_site ON feed (organization, site_id, seq) WHERE unit_id IS NULL;
