"""The same linking in plain SQL: DuckDB reads the CSV files, and one query after the other builds courses and crowns.

It knows this practice's headings and codes and nothing of the pipeline. Linking only: SQL has no hazard ratios. One
line of JSON a step: what it found, and the wall and CPU seconds it took.

`python plain_sql.py PRACTICE_FOLDER --scratch FOLDER`
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import duckdb

# Universal notation in the order of its numbers, 1 to 32.
PERMANENT = [*range(18, 10, -1), *range(21, 29), *range(38, 30, -1), *range(41, 49)]

CODES = """
CREATE TEMP TABLE kinds (code VARCHAR, kind VARCHAR);
INSERT INTO kinds VALUES
    ('D2710', 'crown'), ('D2740', 'crown'), ('D2750', 'crown'), ('D2752', 'crown'), ('D2790', 'crown'),
    ('D3310', 'initial'), ('D3320', 'initial'), ('D3330', 'initial'),
    ('D3346', 'repeat'), ('D3347', 'repeat'), ('D3348', 'repeat'), ('D3221', 'pulp'),
    ('D7140', 'extraction'), ('D7210', 'extraction'), ('D7240', 'extraction'), ('D7111', 'primary_extraction'),
    ('D6750', 'retainer'), ('OFF01', 'removal'), ('D6010', 'implant'), ('D6058', 'implant'), ('D6240', 'pontic');
"""

READ = """
CREATE TABLE ledger AS
WITH texts AS (
    SELECT * FROM read_csv(getvariable('folder') || '/exports/ledger-*.csv', header = true, all_varchar = true)
), typed AS (
    SELECT
        "Entry No"::INTEGER AS entry, "Chart No" AS patient, "Code" AS code, "Prov" AS provider, "Status" AS status,
        "Amount"::DECIMAL(9, 2) AS fee, "Date" AS day_text, TRY_STRPTIME("Date", '%m/%d/%Y')::DATE AS day,
        "Th" AS th,
        CASE WHEN "Th" IS NULL THEN 0
             WHEN regexp_full_match("Th", '[A-T]') THEN 100 + ascii("Th")
             WHEN TRY_CAST("Th" AS INTEGER) BETWEEN 1 AND 32 THEN list_extract(getvariable('teeth'), "Th"::INTEGER)
             WHEN TRY_CAST("Th" AS INTEGER) BETWEEN 51 AND 82 THEN 200 + "Th"::INTEGER
        END::SMALLINT AS tooth
    FROM texts
), once AS (
    SELECT entry, any_value(COLUMNS(* EXCLUDE (entry))) FROM typed GROUP BY entry
)
SELECT entry, patient, tooth, day, once.code, kind, provider, status, fee
FROM once LEFT JOIN kinds ON kinds.code = once.code
WHERE patient IS NOT NULL AND once.code IS NOT NULL AND tooth IS NOT NULL
  AND (day IS NOT NULL OR (day_text IS NULL AND status = 'EO'))
  AND NOT (tooth = 0 AND regexp_matches(once.code, '^(D2|D3|D6|D7|OFF)'));

CREATE TABLE patients AS
SELECT "Chart No" AS patient, strptime("Last Seen", '%m/%d/%Y')::DATE AS last_contact,
       strptime("Died", '%m/%d/%Y')::DATE AS died
FROM read_csv(getvariable('folder') || '/patients.csv', header = true, all_varchar = true);

CREATE TABLE details AS
SELECT row_number() OVER () AS row, "Chart No" AS patient,
       list_extract(getvariable('teeth'), TRY_CAST("Th" AS INTEGER))::SMALLINT AS tooth,
       strptime("Prep", '%m/%d/%Y')::DATE AS prep, strptime("Seat", '%m/%d/%Y')::DATE AS seat
FROM read_csv(getvariable('folder') || '/crown_details.csv', header = true, all_varchar = true)
WHERE TRY_CAST("Th" AS INTEGER) BETWEEN 1 AND 32;

CREATE TABLE findings AS
SELECT "Chart No" AS patient, strptime("Exam", '%m/%d/%Y')::DATE AS day
FROM read_csv(getvariable('folder') || '/findings.csv', header = true, all_varchar = true);
"""

# A negative fee takes back the latest open row up to its day. Postings open a bracket and reversals close the latest
# open one, so that at one depth of brackets the n-th of each belong together.
DONE = """
CREATE TEMP TABLE completed AS SELECT * FROM ledger WHERE status = 'C' AND day <= getvariable('cutoff');

CREATE TEMP TABLE taken_back AS
WITH charged AS (
    SELECT entry, patient, code, tooth, abs(fee) AS amount, day, fee < 0 AS undo FROM completed
    WHERE fee <> 0
      AND (patient, code, tooth, abs(fee)) IN (SELECT (patient, code, tooth, -fee) FROM completed WHERE fee < 0)
), levels AS (
    SELECT *, sum(if(undo, -1, 1)) OVER bracket AS level FROM charged
    WINDOW bracket AS (PARTITION BY patient, code, tooth, amount ORDER BY day, undo, entry)
), floors AS (
    SELECT *, least(0, min(level) OVER (
        PARTITION BY patient, code, tooth, amount ORDER BY day, undo, entry)) AS bottom FROM levels
), depths AS (
    SELECT *, level - bottom + undo::INTEGER AS depth,
        undo AND bottom < coalesce(lag(bottom) OVER (
            PARTITION BY patient, code, tooth, amount ORDER BY day, undo, entry), 0) AS closes_nothing
    FROM floors
), turns AS (
    SELECT *, row_number() OVER (
        PARTITION BY patient, code, tooth, amount, depth, undo ORDER BY day, entry) AS turn
    FROM depths WHERE NOT closes_nothing
)
SELECT entry FROM turns t WHERE NOT undo AND EXISTS (
    SELECT 1 FROM turns u WHERE u.undo AND (u.patient, u.code, u.tooth, u.amount, u.depth, u.turn)
        = (t.patient, t.code, t.tooth, t.amount, t.depth, t.turn));

CREATE TEMP TABLE done AS
WITH standing AS (
    SELECT * FROM completed WHERE coalesce(fee, 0) >= 0 AND entry NOT IN (SELECT entry FROM taken_back)
), gone AS (
    SELECT patient, tooth, min(day) AS gone FROM standing
    WHERE kind IN ('extraction', 'primary_extraction') GROUP BY ALL
)
SELECT standing.* FROM standing LEFT JOIN gone USING (patient, tooth)
WHERE tooth = 0 OR gone IS NULL OR day <= gone OR kind IN ('implant', 'pontic') IS TRUE;

CREATE TEMP TABLE seen AS
SELECT patient, day FROM done
UNION
SELECT patient, day FROM findings WHERE day <= getvariable('cutoff');

CREATE TEMP TABLE ends AS
SELECT patient, first_seen, least(greatest(last_seen, last_contact), died, getvariable('cutoff')) AS last_day
FROM (SELECT patient, min(day) AS first_seen, max(day) AS last_seen FROM seen GROUP BY patient)
LEFT JOIN patients USING (patient);

CREATE TEMP TABLE events AS
WITH rows AS (SELECT * FROM done WHERE kind IS NOT NULL AND tooth BETWEEN 11 AND 48),
implanted AS (SELECT patient, tooth, min(day) AS implanted FROM rows WHERE kind = 'implant' GROUP BY ALL)
SELECT rows.* FROM rows LEFT JOIN implanted USING (patient, tooth)
WHERE NOT (kind = 'crown' AND coalesce(day >= implanted, false));

CREATE TEMP TABLE extracted AS
SELECT patient, tooth, min(day) AS extracted FROM events WHERE kind = 'extraction' GROUP BY ALL;
"""

COURSES = """
CREATE TEMP TABLE treated AS
WITH days AS (
    SELECT patient, tooth, day, bool_or(kind = 'repeat') AS is_repeat
    FROM events WHERE kind IN ('initial', 'repeat') GROUP BY ALL
), apart AS (
    SELECT *, coalesce(day - lag(day) OVER (PARTITION BY patient, tooth ORDER BY day), 0) > 180 AS apart FROM days
), runs AS (
    SELECT *, sum(apart::INTEGER) OVER (PARTITION BY patient, tooth ORDER BY day) AS run FROM apart
), parts AS (
    SELECT *, bool_or(is_repeat) OVER (PARTITION BY patient, tooth, run ORDER BY day) AS part FROM runs
)
SELECT patient, tooth, min(day) AS first_row, max(day) AS completed
FROM parts GROUP BY patient, tooth, run, part;

CREATE TEMP TABLE openings AS
WITH days AS (SELECT DISTINCT patient, tooth, day FROM events WHERE kind = 'pulp')
SELECT d.patient, d.tooth, d.day,
    min(t.first_row) FILTER (t.first_row BETWEEN d.day AND d.day + 180) AS begins,
    coalesce(bool_or(t.first_row <= d.day), false) AS in_course
FROM days d LEFT JOIN treated t ON t.patient = d.patient AND t.tooth = d.tooth
GROUP BY ALL;

CREATE TEMP TABLE courses AS
WITH begun AS (
    SELECT patient, tooth, begins AS first_row, min(day) AS opened FROM openings WHERE begins IS NOT NULL GROUP BY ALL
), apart AS (
    SELECT *, coalesce(day - lag(day) OVER (PARTITION BY patient, tooth ORDER BY day), 0) > 180 AS apart
    FROM openings WHERE begins IS NULL AND NOT in_course
), runs AS (
    SELECT *, sum(apart::INTEGER) OVER (PARTITION BY patient, tooth ORDER BY day) AS run FROM apart
)
SELECT patient, tooth, least(first_row, opened) AS started, completed
FROM treated LEFT JOIN begun USING (patient, tooth, first_row)
UNION ALL
SELECT patient, tooth, min(day), NULL FROM runs GROUP BY patient, tooth, run;
"""

CROWNS = """
CREATE TEMP TABLE posted AS
WITH apart AS (
    SELECT patient, tooth, day,
        coalesce(day - lag(day) OVER (PARTITION BY patient, tooth ORDER BY day), 0) > 60 AS apart
    FROM events WHERE kind = 'crown'
), runs AS (
    SELECT *, sum(apart::INTEGER) OVER (PARTITION BY patient, tooth ORDER BY day) AS run FROM apart
)
SELECT patient, tooth, min(day) AS posted_first, max(day) AS posted_last FROM runs GROUP BY patient, tooth, run;

CREATE TEMP TABLE recorded AS
WITH near AS (
    SELECT patient, tooth, posted_first, d.row, d.seat,
        greatest(posted_first - coalesce(seat, prep), coalesce(seat, prep) - posted_last, 0) AS apart
    FROM details d JOIN posted USING (patient, tooth)
), of_details AS (
    SELECT * FROM near WHERE apart <= 60
    QUALIFY row_number() OVER (PARTITION BY row ORDER BY apart, seat DESC NULLS LAST, posted_first) = 1
)
SELECT patient, tooth, posted_first, seat FROM of_details
QUALIFY row_number() OVER (PARTITION BY patient, tooth, posted_first ORDER BY apart, seat DESC NULLS LAST, row) = 1;

CREATE TEMP TABLE elsewhere AS
WITH history AS (
    SELECT patient, tooth, min(day) AS dated FROM ledger
    WHERE status = 'EO' AND kind = 'crown' AND tooth BETWEEN 11 AND 48
      AND (day IS NULL OR day <= getvariable('cutoff'))
    GROUP BY ALL
), first_here AS (SELECT patient, tooth, min(posted_first) AS first_here FROM posted GROUP BY ALL),
teeth AS (
    SELECT patient, tooth, dated, first_seen, first_here, greatest(dated, first_seen) AS sighted
    FROM history JOIN ends USING (patient) LEFT JOIN first_here USING (patient, tooth)
    WHERE first_here IS NULL OR greatest(dated, first_seen) <= first_here
), noted AS (
    SELECT patient, tooth, max(seat) AS seat FROM details JOIN teeth USING (patient, tooth)
    WHERE seat <= sighted AND (first_here IS NULL OR seat < first_here) GROUP BY ALL
)
SELECT patient, tooth, coalesce(seat, if(dated < first_seen, dated, NULL)) AS seat, sighted
FROM teeth LEFT JOIN noted USING (patient, tooth);

CREATE TEMP TABLE standing_crowns AS
WITH here AS (
    SELECT patient, tooth, posted_first, coalesce(seat, posted_last) AS seat, NULL::DATE AS sighted
    FROM posted LEFT JOIN recorded USING (patient, tooth, posted_first)
    UNION ALL
    SELECT patient, tooth, NULL, seat, sighted FROM elsewhere
)
SELECT *, coalesce(seat, sighted - 1) AS since,
    greatest(seat, coalesce(sighted, (SELECT min(day) FROM done))) AS entry,
    row_number() OVER (ORDER BY patient, tooth, coalesce(seat, sighted - 1), posted_first) AS crown
FROM here;

CREATE TEMP TABLE renewing AS
SELECT c.patient, c.tooth, c.started, c.completed,
    coalesce(min(s.seat) <= coalesce(c.completed, c.started) + 120, false) AS renewing
FROM courses c LEFT JOIN standing_crowns s
  ON s.patient = c.patient AND s.tooth = c.tooth AND s.posted_first IS NOT NULL AND s.seat >= c.started
GROUP BY c.patient, c.tooth, c.started, c.completed;
"""

FATE = """
CREATE TEMP TABLE gaps AS
WITH stands AS (
    SELECT patient, tooth, min(day) AS stands FROM events WHERE kind IN ('implant', 'pontic') GROUP BY ALL
), unexplained AS (
    SELECT patient, tooth, stands FROM stands LEFT JOIN extracted USING (patient, tooth)
    WHERE extracted IS NULL OR extracted > stands
)
SELECT u.patient, u.tooth, stands, max(day) AS last_with_tooth
FROM unexplained u LEFT JOIN seen s ON s.patient = u.patient AND s.day < u.stands GROUP BY ALL;

CREATE TEMP TABLE after_seat AS
WITH ending AS (
    SELECT patient, tooth, day FROM events WHERE kind IN ('retainer', 'removal')
    UNION ALL
    SELECT patient, tooth, started FROM renewing WHERE renewing
)
SELECT crown, min(day) AS ended FROM standing_crowns JOIN ending USING (patient, tooth)
WHERE day > since GROUP BY crown;

CREATE TEMP TABLE ended AS
WITH nexts AS (
    SELECT *, lead(posted_first) OVER tooth_order AS next_posted, lead(seat) OVER tooth_order AS next_seat
    FROM standing_crowns WINDOW tooth_order AS (PARTITION BY patient, tooth ORDER BY crown)
), failing AS (
    SELECT nexts.*,
        least(if(next_posted > since, next_posted, next_seat), ended, if(extracted >= since, extracted, NULL)) AS failed
    FROM nexts LEFT JOIN after_seat USING (crown) LEFT JOIN extracted USING (patient, tooth)
), followed AS (
    SELECT failing.*,
        greatest(entry, if(stands > entry, least(last_day, coalesce(last_with_tooth, entry)), last_day)) AS until
    FROM failing LEFT JOIN ends USING (patient) LEFT JOIN gaps USING (patient, tooth)
)
SELECT *, coalesce(failed <= until, false) AS failure,
    if(coalesce(failed <= until, false), failed, until) AS exit
FROM followed;

CREATE TABLE crowns AS
WITH per_crown AS (
    SELECT crown, bool_or(c.started <= since) AS begun,
        min(c.started) FILTER (NOT renewing AND c.started > since) AS opened
    FROM ended JOIN renewing c USING (patient, tooth) GROUP BY crown
)
SELECT ended.*,
    CASE WHEN begun THEN 'before_seat'
         WHEN opened <= exit AND NOT (failure AND opened = exit) THEN 'through_crown'
         ELSE 'vital' END AS timing,
    if(NOT begun AND opened <= exit AND NOT (failure AND opened = exit), opened, NULL) AS access
FROM ended LEFT JOIN per_crown USING (crown);
"""

FIGURES = """
SELECT timing, count(*), sum(failure::INTEGER)::BIGINT, sum(exit - entry)::BIGINT
FROM crowns WHERE seat IS NOT NULL GROUP BY timing
"""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path)
    options.add_argument("--scratch", type=Path, required=True)
    asked = options.parse_args()
    path = asked.scratch / "plain_sql.duckdb"
    path.unlink(missing_ok=True)
    with duckdb.connect(str(path)) as database:
        database.execute("SET preserve_insertion_order = false")
        database.execute("SET VARIABLE folder = ?", [str(asked.folder)])
        database.execute("SET VARIABLE teeth = ?", [PERMANENT])
        database.execute("SET VARIABLE cutoff = DATE '2024-12-31'")
        tell(database, "read", (CODES, READ))
        tell(database, "link", (DONE, COURSES, CROWNS, FATE))
    path.unlink()


def tell(database: duckdb.DuckDBPyConnection, name: str, scripts: tuple[str, ...]) -> None:
    wall, cpu = time.perf_counter(), time.process_time()
    for script in scripts:
        database.execute(script)
    found = figures(database) if name == "link" else {}
    step = {"step": name, "wall_s": time.perf_counter() - wall, "cpu_s": time.process_time() - cpu}
    print(json.dumps(step | found), flush=True)


def figures(database: duckdb.DuckDBPyConnection) -> dict:
    rows = database.execute(FIGURES).fetchall()
    courses = database.execute("SELECT count(completed) FROM courses").fetchone()
    names = ("crowns", "failures", "tooth_days")
    found: dict = {name: {row[0]: row[n] for row in rows} for n, name in enumerate(names, 1)}
    return found | {"completed_courses": courses[0] if courses else 0}


if __name__ == "__main__":
    main()
