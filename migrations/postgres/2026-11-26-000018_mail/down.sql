DROP INDEX service_event_tag;
DROP TABLE worker;
DROP TABLE acknowledgement;
DROP TABLE mail_refused;
DROP TABLE digest_mail;
DROP TABLE digest_body;
DROP TABLE digest;
DROP TABLE chore;
