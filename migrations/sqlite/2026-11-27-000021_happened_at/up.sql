-- Events whose time was put right are told with it, so that what is told of their units has to be worked out anew.
UPDATE unit_sent SET record_hash = NULL WHERE EXISTS (
    SELECT 1 FROM service_event
    WHERE service_event.organization = unit_sent.organization AND service_event.unit_id = unit_sent.unit_id
        AND service_event.body LIKE '%"occurred_source":"clock"%');
