-- They are told without it again.
ALTER TABLE service_event NO FORCE ROW LEVEL SECURITY;
ALTER TABLE unit_sent NO FORCE ROW LEVEL SECURITY;
UPDATE unit_sent SET record_hash = NULL WHERE EXISTS (
    SELECT 1 FROM service_event
    WHERE service_event.organization = unit_sent.organization AND service_event.unit_id = unit_sent.unit_id
        AND service_event.body LIKE '%"occurred_source":"clock"%');
ALTER TABLE service_event FORCE ROW LEVEL SECURITY;
ALTER TABLE unit_sent FORCE ROW LEVEL SECURITY;
