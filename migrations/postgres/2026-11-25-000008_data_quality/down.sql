DROP TABLE data_quality;
