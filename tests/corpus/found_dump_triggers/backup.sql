CREATE TABLE procs (id int, Chart text, Date date, Code text, Th text);
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (1, 'P1', '2019-03-04', 'D2740', '14');
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (2, 'P2', '2019-05-06', 'D3330', '30');
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (3, 'P3', '2020-01-07', 'D2740', '3');
INSERT INTO numbers VALUES (1);
DELETE FROM sqlite_sequence;
UPDATE numbers SET n = 4 WHERE n = 1;
CREATE TRIGGER later AFTER UPDATE ON procs BEGIN
  UPDATE procs SET Th = NULL WHERE id = 3;
  DELETE FROM procs WHERE id = 2;
END;
DELIMITER ;;
CREATE TRIGGER other BEFORE INSERT ON procs FOR EACH ROW BEGIN UPDATE procs SET Th = 1; END ;;
DELIMITER ;
CREATE FUNCTION f() RETURNS void AS $$ UPDATE procs SET Th = 1; $$ LANGUAGE sql;
