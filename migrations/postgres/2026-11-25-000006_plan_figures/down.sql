-- PostgreSQL keeps figures of its own.
SELECT 1;
