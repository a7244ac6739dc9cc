DROP TABLE unit_kin;
