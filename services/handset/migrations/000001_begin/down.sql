DROP TABLE record;
DROP TABLE edit;
DROP TABLE enrolment;
DROP TABLE device;
