-- They are told without it again.
UPDATE unit_sent SET record_hash = NULL WHERE EXISTS (
    SELECT 1 FROM service_event
    WHERE service_event.organization = unit_sent.organization AND service_event.unit_id = unit_sent.unit_id
        AND service_event.body LIKE '%"occurred_source":"clock"%');
