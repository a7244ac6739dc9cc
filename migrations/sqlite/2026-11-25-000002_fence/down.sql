DROP TABLE organization_list;
