CREATE TABLE work (Chart text, Date text, Code text, Th text);
INSERT INTO work VALUES ('P1','2019-03-04','D2740','14');
CREATE TABLE work_voided (Chart text, Date text, Code text, Th text);
INSERT INTO work_voided VALUES ('P2','2019-05-06','D3330','30');
