"""What linking needs of the rows that are stored, gathered where they lie: read whole, or parted by patient on disk.

Gathering and parting work out of core, within the memory that the database may use. Which part a patient is in hangs on
a hash of `patient_id` alone, the same on every machine; no patient is in two parts. For linking that is the pseudonym,
for comparing the stand-in (`store_patients`), whose order is that of all sums.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb
import polars as pl

from pipeline.practice.tables import CROWN_DETAILS, ELSEWHERE, FINDINGS, LINKED_TABLES, PATIENTS, PROCEDURES, Table
from pipeline.storing import event_rows
from pipeline.storing.connected import Connected
from pipeline.storing.own_tables import PHYSICAL
from pipeline.storing.patients import BESIDE, StandIns, linked_view, patient_in_order

_DETAILS = (
    "load_id, row_number, patient_id, tooth_fdi, supernumerary, prep_date, seat_date, material, margin, "
    "pulp_status_at_prep, post"
)
_ELSEWHERE = "patient_id, tooth_fdi, supernumerary, event, event_date, event_year"
# What each table of `transforms.link.LinkInput` holds: as many columns as linking looks at.
_SOURCES: dict[str, tuple[Table, str]] = {
    "procedures": (PROCEDURES, f"SELECT {', '.join(event_rows.COLUMNS)} FROM event_rows"),  # noqa: S608
    "contacts": (PROCEDURES, "SELECT patient_id, service_date, is_exam FROM contact_days"),
    "patients": (PATIENTS, "SELECT patient_id, last_contact_date, deceased_date FROM patients"),
    "crown_details": (CROWN_DETAILS, f"SELECT {_DETAILS} FROM crown_details"),  # noqa: S608
    "findings": (
        FINDINGS,
        "SELECT patient_id, tooth_fdi, supernumerary, exam_date, crown_in_place FROM findings",
    ),
    "elsewhere": (ELSEWHERE, f"SELECT {_ELSEWHERE} FROM elsewhere"),  # noqa: S608
}
_OF_SAMPLE = " SEMI JOIN sampled_patients USING (patient_id)"
_DRAW = f"""
    CREATE TEMP TABLE sampled_patients AS
    SELECT DISTINCT patient_id FROM crowns {BESIDE}
    WHERE md5_number_lower({patient_in_order("crowns")}) % 1000000 < $millionths
    """  # noqa: S608
_DRAWN_ROWS = (
    "CREATE TEMP TABLE sampled_rows AS SELECT * FROM _procedures SEMI JOIN sampled_patients USING (patient_id)"
)

_SPAN = """
    SELECT min(day) FILTER (WHERE done), max(day) FROM (
        SELECT service_date AS day, true AS done FROM contact_days
        UNION ALL SELECT service_date, true FROM event_rows
        WHERE status = 'completed' AND ($until::DATE IS NULL OR service_date <= $until::DATE)
        UNION ALL SELECT exam_date, false FROM findings
        UNION ALL SELECT unnest([last_contact_date, deceased_date]), false FROM patients
    )
    """
# Linking numbers crowns and courses in the order of pseudonyms, each part by itself: the names that these get over all
# parts, in the order of the patients' stand-ins and of teeth.
_NAMES = tuple(
    f"""
    CREATE TEMP TABLE {name}_names AS
    WITH numbered AS (
        SELECT of_part, {name}_id, row_number() OVER (ORDER BY stands_as, tooth_fdi, {name}_id) AS n
        FROM linked_{table} JOIN _stand_ins USING (patient_id)
    )
    SELECT of_part, {name}_id AS own_{name}, '{key}' || lpad(n::VARCHAR,
           greatest(6, length((SELECT count(*) FROM numbered)::VARCHAR))::INTEGER, '0') AS {name}
    FROM numbered
    """  # noqa: S608
    for name, table, key in (("crown", "crowns", "C"), ("course", "endo_courses", "E"))
)
_REPLACE = (
    "DELETE FROM crowns",
    """
    INSERT INTO crowns BY NAME
    SELECT t.* EXCLUDE (of_part) REPLACE (crown AS crown_id, course AS course_id)
    FROM linked_crowns AS t
    JOIN crown_names AS a ON a.of_part = t.of_part AND own_crown = t.crown_id
    LEFT JOIN course_names AS b ON b.of_part = t.of_part AND own_course = t.course_id
    ORDER BY crown
    """,
    "DELETE FROM endo_courses",
    """
    INSERT INTO endo_courses BY NAME
    SELECT t.* EXCLUDE (of_part) REPLACE (course AS course_id, crown AS crown_id)
    FROM linked_endo_courses AS t
    JOIN course_names AS b ON b.of_part = t.of_part AND own_course = t.course_id
    LEFT JOIN crown_names AS a ON a.of_part = t.of_part AND own_crown = t.crown_id
    ORDER BY course
    """,
    "DELETE FROM tooth_followup",
    """
    INSERT INTO tooth_followup BY NAME
    SELECT t.* EXCLUDE (of_part) FROM linked_tooth_followup AS t JOIN _stand_ins USING (patient_id)
    ORDER BY stands_as, tooth_fdi
    """,
    "DELETE FROM patient_followup",
    """
    INSERT INTO patient_followup BY NAME
    SELECT t.* EXCLUDE (of_part) FROM linked_patient_followup AS t JOIN _stand_ins USING (patient_id)
    ORDER BY stands_as
    """,
    "DELETE FROM elsewhere_hints",
    """
    INSERT INTO elsewhere_hints BY NAME
    SELECT t.* EXCLUDE (of_part) FROM linked_elsewhere_hints AS t JOIN _stand_ins USING (patient_id)
    ORDER BY stands_as, COLUMNS(t.* EXCLUDE (of_part))
    """,
)


class Linking(Connected):
    """Reads what linking needs, and puts in place what it found, for rows too many for the memory."""

    @contextmanager
    def gathered(self, kinds: pl.DataFrame, *, until: dt.date | None, share: float | None = None) -> Iterator[Gathered]:
        """Gather what linking needs; it can be read inside the block only.

        - `kinds`: What each code may tell (`event_rows.KIND_SCHEMA`).
        - `until`: The last day that counts; None for all.
        - `share`: This share of the patients with crowns, drawn by a hash of their stand-ins; None for all patients.
        """
        try:
            if share is not None:
                self._connection.execute(_DRAW, {"millionths": round(share * 1e6)})
                self._connection.execute(_DRAWN_ROWS)
                self._connection.execute("CREATE TEMP VIEW linking_ledger AS SELECT * FROM sampled_rows")
            else:
                self._connection.execute("CREATE TEMP VIEW linking_ledger AS SELECT * FROM _procedures")
            self._connection.register("incoming", kinds.cast(event_rows.KIND_SCHEMA).to_arrow())  # type: ignore[arg-type]
            for statement in event_rows.PREPARE:
                self._connection.execute(statement)
            self._connection.execute(event_rows.CONTACTS, {"until": until})
            yield Gathered(self._connection, until=until, sampled=share is not None)
        finally:
            self._connection.execute("DROP VIEW IF EXISTS linking_ledger")
            for name in (*event_rows.TEMPORARY, "sampled_rows", "sampled_patients"):
                self._connection.execute(f"DROP TABLE IF EXISTS {name}")

    def write_parts(self, sources: Mapping[str, str], folder: Path, *, parts: int) -> list[Path]:
        """Write queries parted by patient; see `write_parts`. `folder` must lie in the store's `parts_folder`."""
        return write_parts(self._connection, sources, folder, parts=parts)

    def replace_linked(
        self, linked: list[Path] | Mapping[str, pl.DataFrame], *, coded: Sequence[str]
    ) -> tuple[int, int]:
        """Put what was linked in place of the former tables, and renew the stand-ins of patients.

        Returns the crowns and the courses. `linked` are the tables `LINKED_TABLES` by name, or the folders of parts of
        them with `of_part`, the number of the part, in which crowns and courses have numbers of their own. They get new
        ones, in the order of stand-ins and teeth. `coded` are the codes that tell more of a tooth than linking looks
        at.
        """
        try:
            for table in LINKED_TABLES:
                if isinstance(linked, Mapping):
                    rows = table.check(linked[table.name]).with_columns(of_part=0).to_arrow()
                    self._connection.register(linked_view(table), rows)
                else:
                    files = [str(place / f"{table.name}.parquet") for place in linked]
                    self._connection.register(linked_view(table), self._connection.read_parquet(files))
            StandIns(self._connection).renew(coded=coded)
            for statement in (*_NAMES, *_REPLACE):
                self._connection.execute(statement)
            crowns, courses = self._connection.execute(
                "SELECT (SELECT count(*) FROM crowns), (SELECT count(*) FROM endo_courses)"
            ).fetchall()[0]
        finally:
            with suppress(duckdb.Error):  # after an error this is refused too, and would hide the error
                for names in ("crown_names", "course_names"):
                    self._connection.execute(f"DROP TABLE IF EXISTS {names}")
                for table in LINKED_TABLES:
                    self._connection.unregister(linked_view(table))
        return int(crowns), int(courses)


class Gathered:
    """What linking needs, while it is gathered in the database."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, *, until: dt.date | None, sampled: bool) -> None:
        self._connection = connection
        self._sources = {name: query + _OF_SAMPLE * sampled for name, (_, query) in _SOURCES.items()}
        self.until = until
        counted = connection.sql(event_rows.LEFT_OUT, params={"until": until}).pl()
        self.left_out: dict[str, int] = counted.row(0, named=True)
        self.fees_kept = bool(connection.execute(event_rows.FEES_KEPT).fetchall()[0][0])
        self.rows = int(connection.execute("SELECT count(*) FROM event_rows").fetchall()[0][0])

    def frames(self) -> dict[str, pl.DataFrame]:
        """The tables of `transforms.link.LinkInput` by name, each with the columns that linking looks at."""
        return {name: _typed(self._connection.sql(query).pl(), name) for name, query in self._sources.items()}

    def span(self) -> tuple[dt.date | None, dt.date | None]:
        """The first day on which something was done, and the last on which the rows say that something was so. As far
        as one can tell without the linking rules: what these set aside or take back is counted here."""
        found = self._connection.execute(_SPAN, {"until": self.until}).fetchall()[0]
        return found[0], self.until or found[1]

    def fingerprint(self) -> str:
        """The same for the same rows in any order."""
        told = []
        for name, query in self._sources.items():
            summed = f"SELECT count(*), sum(hash(t)::HUGEINT) FROM ({query}) AS t"  # noqa: S608
            counted = self._connection.execute(summed).fetchall()[0]
            told.append(f"{name} {counted[0]} {counted[1]}")
        return f"{duckdb.__version__} {'; '.join(told)}"

    def write_parts(self, folder: Path, *, parts: int) -> list[Path]:
        """Write the tables parted by patient; see `write_parts`."""
        return write_parts(self._connection, self._sources, folder, parts=parts)


def write_parts(
    connection: duckdb.DuckDBPyConnection, sources: Mapping[str, str], folder: Path, *, parts: int
) -> list[Path]:
    """Write queries parted by `patient_id`, each as `folder/part-N/<name>.parquet/`; returns the parts in order.
    `folder` must be new or empty. Parts without rows are written too. Raises ValueError for fewer than one part."""
    if parts < 1:
        raise ValueError("at least one part is needed")
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    digits = len(str(parts - 1))
    places = [folder / f"part-{n:0{digits}}" for n in range(parts)]
    for place in places:
        place.mkdir(mode=0o700)
    for name, query in sources.items():
        whole = folder / name
        connection.execute(
            f"COPY (SELECT *, (md5_number_lower(patient_id) % $parts)::INTEGER AS of_part FROM ({query})) "  # noqa: S608
            "TO $place (FORMAT parquet, PARTITION_BY (of_part), COMPRESSION lz4, OVERWRITE_OR_IGNORE)",
            {"parts": parts, "place": str(whole)},
        )
        empty = connection.sql(f"SELECT * FROM ({query}) LIMIT 0").pl()  # noqa: S608
        for n, place in enumerate(places):
            if (found := whole / f"of_part={n}").is_dir():
                os.replace(found, place / f"{name}.parquet")
            else:
                (place / f"{name}.parquet").mkdir(mode=0o700)
                empty.write_parquet(place / f"{name}.parquet" / "empty.parquet")
        shutil.rmtree(whole, ignore_errors=True)
    return places


def _typed(rows: pl.DataFrame, name: str) -> pl.DataFrame:
    schema = _SOURCES[name][0].schema
    return rows.cast({c: schema[c] for c in rows.columns if c in schema})


assert PHYSICAL[PROCEDURES.name] == "_procedures"
