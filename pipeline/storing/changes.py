"""Exports that overlap and rows that changed between them: the statements over what is stored.

Days of patients that are wholly the same in two exports, nearly all as a rule, are told by one digest each; only the
rows of the others are compared one by one. Nothing but digests and places leaves the database here, and the code and
the tooth of rows that one export has and the other has not.
"""

import datetime as dt
from collections.abc import Sequence
from itertools import combinations

import polars as pl

from pipeline.practice.tables import PROCEDURES, Table
from pipeline.storing.connected import Connected
from pipeline.storing.own_tables import PHYSICAL
from pipeline.transforms.corrections import CHANGE_SCHEMA, ONE_SIDED_SCHEMA, SUM_SCHEMA, overlapping

CREATE = """
    CREATE TABLE _changes (
        table_name VARCHAR, load_id INTEGER, row_number BIGINT, part UTINYINT,
        new_load_id INTEGER, new_row_number BIGINT, new_part UTINYINT, fields VARCHAR[]
    )
"""
COUNT_SCHEMA: dict[str, pl.DataType] = {
    "table_name": pl.String(),
    "earlier": pl.String(),
    "later": pl.String(),
    "field": pl.String(),
    "rows": pl.Int64(),
}
_PLACE = ("load_id", "row_number", "part")
_TOOTH = ("tooth", "tooth_fdi", "supernumerary")
_TEMPORARY = ("export_days", "differing_days", "day_sums", "day_rows", "identical_rows", "overlapping_exports")
# A tooth that was understood counts by its number, however it was written.
_TOOTH_TEXT = "CASE WHEN tooth_fdi IS NULL THEN tooth END"
_CONTENT = ", ".join(_TOOTH_TEXT if c == "tooth" else c for c in PROCEDURES.columns if c not in _PLACE)
_UNKEYED = "_procedures WHERE procedure_id IS NULL AND service_date IS NOT NULL"


class Changes(Connected):
    """What changed between the exports that a store holds. `_changes` keeps places and names of fields only."""

    def one_sided(self, new_loads: Sequence[int]) -> pl.DataFrame:
        """Rows of procedures that one of two overlapping loads has and the other has not (`ONE_SIDED_SCHEMA`). Only
        pairs with a load of `new_loads`. To be asked before rows that are there already are taken out of these. Rows
        with a key of their own, without a date, or mended by hand play no part."""
        spans = self._spans()
        near = [p for p in combinations(sorted(spans), 2) if _meet(spans, p) and not set(p).isdisjoint(new_loads)]
        if not near:
            return pl.DataFrame(schema=ONE_SIDED_SCHEMA)
        loads = sorted({load for pair in near for load in pair})
        first = min(max(spans[a][0], spans[b][0]) for a, b in near)
        last = max(min(spans[a][1], spans[b][1]) for a, b in near)
        try:
            settled = _SETTLED if set(loads) - set(new_loads) else "0"
            self._run(_DAYS.format(settled=settled), [list(new_loads), loads, first, last])
            self._run(_DIFFERING)
            self._run(_DAY_SUMS)
            given = [list(new_loads), loads, first, last]
            if self._number("SELECT count(*) FROM differing_days") > _MANY_DAYS:
                self._run(_ROWS.format(some=_SAMPLE), given)
                self._run(_IDENTICAL)
                self._run(_DROP_STRANGERS)
                self._run("DROP TABLE day_rows; DROP TABLE identical_rows")
            self._run(_ROWS.format(some="true"), given)
            self._run(_IDENTICAL)
            pairs = overlapping(self._frame(_SUMS, SUM_SCHEMA))
            with self._registered(pairs):
                self._run("CREATE TEMP TABLE overlapping_exports AS SELECT * FROM incoming")
            return self._frame(_ONE_SIDED, ONE_SIDED_SCHEMA)
        finally:
            for name in _TEMPORARY:
                self._run(f"DROP TABLE IF EXISTS {name}")

    def later(self, new_loads: Sequence[int]) -> dict[int, int]:
        """Each load of procedures with its rank in time. Of two files read in different runs the one read later is the
        later export; of files read in one run, the one that reaches further, whatever they are called."""
        rows = self._rows(
            "SELECT load_id FROM _procedures GROUP BY load_id "
            "ORDER BY list_contains(?::INTEGER[], load_id), max(service_date) FILTER (status <> 'planned'), load_id",
            [list(new_loads)],
        )
        return {int(load): rank for rank, (load,) in enumerate(rows)}

    def log(self, table: Table, changes: pl.DataFrame) -> None:
        """Keep which rows of a table changed (`CHANGE_SCHEMA`) and in which fields; before they are taken out of it."""
        if changes.is_empty():
            return
        differ = ", ".join(_differs(c) for c in table.columns if c not in _PLACE)
        name = PHYSICAL.get(table.name, table.name)
        part = ("o.part", "n.part") if "part" in table.columns else ("1", "1")
        with self._registered(changes.select(*CHANGE_SCHEMA)):
            self._run(
                f"""
                INSERT INTO _changes BY NAME
                SELECT ? AS table_name, i.*, CASE WHEN i.new_row_number IS NULL THEN ['row vanished'] ELSE
                       list_distinct(list_filter([{differ}], lambda x: x IS NOT NULL)) END AS fields
                FROM incoming AS i
                JOIN {name} AS o ON o.load_id = i.load_id AND o.row_number = i.row_number AND {part[0]} = i.part
                LEFT JOIN {name} AS n
                ON n.load_id = i.new_load_id AND n.row_number = i.new_row_number AND {part[1]} = i.new_part
                """,  # noqa: S608
                [table.name],
            )

    def forget(self, load_id: int) -> None:
        """Forget the changes that a load made or met; it is about to be read again."""
        self._run("DELETE FROM _changes WHERE load_id = ? OR new_load_id = ?", [load_id, load_id])

    def counted(self) -> pl.DataFrame:
        """How many rows of each earlier file each later one changes, by field (`COUNT_SCHEMA`). The field `row
        vanished` counts rows that the later file no longer has; they stay."""
        return self._frame(
            """
            SELECT c.table_name, e.file AS earlier, l.file AS later, c.field, count(*) AS rows
            FROM (SELECT table_name, load_id, new_load_id, unnest(fields) AS field FROM _changes) AS c
            JOIN _loads AS e USING (load_id) JOIN _loads AS l ON l.load_id = c.new_load_id
            GROUP BY ALL ORDER BY ALL
            """,
            COUNT_SCHEMA,
        )

    def _spans(self) -> dict[int, tuple[dt.date, dt.date]]:
        rows = self._rows(
            f"SELECT load_id, min(service_date), max(service_date) FROM {_UNKEYED} "  # noqa: S608
            "AND load_id NOT IN (SELECT load_id FROM _mended) GROUP BY load_id"
        )
        return {int(load): (first, last) for load, first, last in rows}


def _meet(spans: dict[int, tuple[dt.date, dt.date]], pair: tuple[int, int]) -> bool:
    (a, b), (c, d) = spans[pair[0]], spans[pair[1]]
    return a <= d and c <= b


def _differs(column: str) -> str:
    name = "tooth" if column in _TOOTH else column
    old, new = f"o.{column}", f"n.{column}"
    if column == "tooth":
        old, new = (f"CASE WHEN {t}.tooth_fdi IS NULL THEN {t}.tooth END" for t in "on")
    return f"CASE WHEN {old} IS DISTINCT FROM {new} THEN '{name}' END"


# One row per load and day of a patient. `settled`: how many loads of earlier runs hold that day: rows that were there
# already have been taken out of all but one of them, so that a day of two such loads says nothing of either as a whole.
_DAYS = f"""
    CREATE TEMP TABLE export_days AS
    SELECT *, {{settled}} AS settled FROM (
        SELECT load_id, list_contains(?::INTEGER[], load_id) AS new, hash(patient_id) AS patient, service_date,
               count(*) AS n, sum(hash({_CONTENT})) AS digest
        FROM {_UNKEYED} AND list_contains(?::INTEGER[], load_id) AND service_date BETWEEN ? AND ?
        GROUP BY ALL
    )
"""  # noqa: S608
_SETTLED = "sum((NOT new)::INTEGER) OVER (PARTITION BY patient, service_date)"
_PAIRS = """
    FROM export_days AS a JOIN export_days AS b
    ON a.patient = b.patient AND a.service_date = b.service_date AND a.load_id < b.load_id AND (a.new OR b.new)
"""
_TELLING = "(a.new AND b.new OR a.settled = 1)"
_DIFFERING = f"""
    CREATE TEMP TABLE differing_days AS
    SELECT a.load_id AS a, b.load_id AS b, a.patient, a.service_date,
           {_TELLING} AS telling, NOT (a.new AND b.new) AS thin
    {_PAIRS} WHERE a.n <> b.n OR a.digest <> b.digest
"""
_ROWS = f"""
    CREATE TEMP TABLE day_rows AS
    SELECT *, row_number() OVER (PARTITION BY load_id, content ORDER BY row_number, part) AS copy FROM (
        SELECT load_id, row_number, part, hash(patient_id) AS patient, service_date, code,
               coalesce(tooth_fdi::VARCHAR || CASE WHEN supernumerary THEN 'S' ELSE '' END, tooth) AS tooth,
               hash({_CONTENT}) AS content, list_contains(?::INTEGER[], load_id) AS new
        FROM {_UNKEYED} AND list_contains(?::INTEGER[], load_id) AND service_date BETWEEN ? AND ? AND {{some}}
    ) SEMI JOIN differing_days USING (patient, service_date)
"""  # noqa: S608
# Two files of which many days differ are split by clinician or kind more often than not. One patient in 64, chosen by a
# digest, shows it: if fewer than half of their rows can be identical, the rows of such a pair are not compared.
_MANY_DAYS = 200_000
_SAMPLE = "hash(patient_id) % 64 = 0"
_DROP_STRANGERS = """
    DELETE FROM differing_days AS d USING day_sums AS s
    LEFT JOIN (SELECT a, b, count(*) AS n FROM identical_rows WHERE telling GROUP BY ALL) AS i
    ON i.a = s.a AND i.b = s.b
    WHERE d.a = s.a AND d.b = s.b AND s.same + 64 * coalesce(i.n, 0) < 0.5 * greatest(s.rows_a, s.rows_b)
"""
_IDENTICAL = """
    CREATE TEMP TABLE identical_rows AS
    SELECT d.a, d.b, x.content, x.copy, d.telling FROM differing_days AS d
    JOIN day_rows AS x ON x.load_id = d.a AND x.patient = d.patient AND x.service_date = d.service_date
    JOIN day_rows AS y ON y.load_id = d.b AND y.content = x.content AND y.copy = x.copy
"""
_DAY_SUMS = f"""
    CREATE TEMP TABLE day_sums AS
    SELECT a.load_id AS a, b.load_id AS b, sum(a.n) AS rows_a, sum(b.n) AS rows_b,
           coalesce(sum(a.n) FILTER (a.n = b.n AND a.digest = b.digest), 0) AS same
    {_PAIRS} WHERE {_TELLING} GROUP BY ALL
"""
_SUMS = """
    SELECT a, b, rows_a, rows_b, same + coalesce(n, 0) AS identical
    FROM day_sums LEFT JOIN (SELECT a, b, count(*) AS n FROM identical_rows WHERE telling GROUP BY ALL) USING (a, b)
"""
# A row of a new load that is in any load of an earlier run is no correction of what another such load holds.
_ONE_SIDED = """
    WITH days AS (SELECT * FROM differing_days SEMI JOIN overlapping_exports USING (a, b)),
    sides AS (
        SELECT d.a, d.b, d.thin, r.* FROM days AS d JOIN day_rows AS r
        ON (r.load_id = d.a OR r.load_id = d.b) AND r.patient = d.patient AND r.service_date = d.service_date
    )
    SELECT a, b, load_id, row_number, part, patient, service_date, code, tooth, content
    FROM sides ANTI JOIN identical_rows USING (a, b, content, copy)
    WHERE NOT (new AND thin AND content IN (SELECT content FROM day_rows WHERE NOT new))
"""
