COPY public.procs (Chart, Date, Code, Th) FROM stdin;
P1	2019-03-04	D2740	14
P2	2019-05-06	D3330	30
\.

COPY trash.procs (Chart, Date, Code, Th) FROM stdin;
P4	2020-02-07	D2740	19
\.

COPY wishes.procs (Chart, Date, Code, Th) FROM stdin;
P3	2020-01-07	D2740	3
\.

