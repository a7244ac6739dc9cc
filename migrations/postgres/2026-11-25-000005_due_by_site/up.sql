-- Due items by where their units stand: counted by site, and listed for those who may see some sites only. Units that are
-- away from home are few; their own index finds them for their home site.
CREATE INDEX due_item_standing ON due_item (organization, standing_site, state, due_at, unit_id, schedule_id, task);
CREATE INDEX due_item_away ON due_item (organization, home_site, state, due_at, unit_id, schedule_id, task)
    WHERE home_site <> standing_site;
