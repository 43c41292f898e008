"""What is known of each patient, as fingerprints: what tells two states of the records apart, and by whom."""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.practice.tables import CROWNS, ENDO_COURSES, PROCEDURES, Table
from pipeline.storing.own_tables import DERIVED_TABLES

# Numbers of rows and of crowns say nothing of a patient, and move when another one's rows do.
_NO_FACTS = frozenset(("load_id", "row_number", "part", "patient_id", "crown_id", "course_id", "row_key"))


class Facts:
    """The facts that a store holds of its patients."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection

    def of_patients(self) -> pl.DataFrame:
        """`fact, patients`: each fingerprint of all rows of a patient, in whatever order and under whatever id they
        lie, and of how many patients it is; visits say no more of a patient than that he is one.
        """
        tables = [t for t in DERIVED_TABLES.values() if t is not PROCEDURES and "patient_id" in t.columns]
        rows = [f"SELECT patient_id, 0::UBIGINT AS fact FROM (SELECT DISTINCT patient_id FROM {PROCEDURES.name})"]  # noqa: S608
        rows += [f"SELECT patient_id, {_fingerprint(table)} AS fact FROM {table.name}" for table in tables]  # noqa: S608
        found: pl.DataFrame = self._connection.sql(
            f"SELECT fact::VARCHAR AS fact, count(*) AS patients FROM (SELECT sum(fact) AS fact "  # noqa: S608
            f"FROM ({' UNION ALL '.join(rows)}) WHERE patient_id IS NOT NULL GROUP BY patient_id) GROUP BY fact"
        ).pl()
        return found

    def most_of_one(self) -> tuple[int, int]:
        """The most teeth, and the most failures, that one patient has among crowns or among root canals made here."""
        counts = " UNION ALL ".join(
            f"SELECT count(*) AS teeth, count(*) FILTER (failure) AS failures FROM {table.name} "  # noqa: S608
            "WHERE NOT done_elsewhere GROUP BY patient_id"
            for table in (CROWNS, ENDO_COURSES)
        )
        row = self._connection.execute(
            f"SELECT coalesce(max(teeth), 1), coalesce(max(failures), 1) FROM ({counts})"  # noqa: S608
        ).fetchone()
        assert row is not None
        return int(row[0]), int(row[1])


def _fingerprint(table: Table) -> str:
    values = (f"coalesce({c}::VARCHAR, chr(30))" for c in table.columns if c not in _NO_FACTS)
    return f"md5_number_lower(concat_ws(chr(31), '{table.name}', {', '.join(values)}))"
