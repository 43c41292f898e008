CREATE TABLE work (Chart text, Date text, Code text, Th int);
INSERT INTO work VALUES ('1042', date('now'), 'D2740', 3);
