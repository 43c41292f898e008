INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (9, 'P9', '2020-01-07', 'D2740', '3');
TRUNCATE TABLE procs;
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (9, 'P9', '2020-01-07', 'D2740', '3');
DELETE FROM procs;
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (1, 'P1', '2019-03-04', 'D2740', '14');
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (2, 'P2', '2019-05-06', 'D3330', '30');
INSERT INTO procs (id, Chart, Date, Code, Th) VALUES (3, 'P3', '2020-01-07', 'D2740', '3');
