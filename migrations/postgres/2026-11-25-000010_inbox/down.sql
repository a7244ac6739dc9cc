DROP TABLE inbox_need;
DROP TABLE inbox;
