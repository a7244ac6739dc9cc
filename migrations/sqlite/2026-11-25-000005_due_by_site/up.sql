-- Due items by where their units stand: counted by site, and listed for those who may see some sites only. Units that are
-- away from home are few; their own index finds them for their home site.
CREATE INDEX due_item_standing ON due_item (organization, standing_site, state, due_at, unit_id, schedule_id, task);
CREATE INDEX due_item_away ON due_item (organization, home_site, state, due_at, unit_id, schedule_id, task)
    WHERE home_site <> standing_site;

-- Without statistics the planner takes any index that begins with the organization to be as narrow as any other, and
-- would read all of an organization's items for one site. These are of 100,000 units at 500 sites; fixed figures keep the
-- plans the same on every installation.
ANALYZE due_item;
DELETE FROM sqlite_stat1 WHERE tbl = 'due_item';
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('due_item', 'sqlite_autoindex_due_item_1', '300000 300000 3 3 1'),
    ('due_item', 'due_item_due_at', '300000 300000 2 1 1 1'),
    ('due_item', 'due_item_state', '300000 300000 37500 2 1 1 1'),
    ('due_item', 'due_item_standing', '300000 300000 600 75 1 1 1 1'),
    ('due_item', 'due_item_away', '15000 15000 30 4 1 1 1 1');
ANALYZE sqlite_schema;
