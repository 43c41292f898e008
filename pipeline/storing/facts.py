"""What is known of each patient, as fingerprints: what tells two states of the records apart, and by whom."""

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.practice.tables import CROWNS, ENDO_COURSES, FINDINGS, PROCEDURES, TOOTH_FOLLOWUP, Table
from pipeline.storing.connected import Connected
from pipeline.storing.own_tables import DERIVED_TABLES

# Numbers of rows and of crowns say nothing of a patient, and move when another one's rows do.
_NO_FACTS = frozenset(("load_id", "row_number", "part", "patient_id", "crown_id", "course_id", "row_key"))


@dataclass(frozen=True)
class Happened:
    """A thing that is counted in what is shared: the rows of a table, and the columns that say what and when."""

    table: Table
    rows: str
    columns: tuple[str, ...]


HAPPENED = {
    "seated": Happened(CROWNS, "NOT done_elsewhere", ("tooth_fdi", "crown_kind", "seat_date")),
    "opened": Happened(CROWNS, "access_date IS NOT NULL", ("tooth_fdi", "seat_date", "access_date")),
    "crown failed": Happened(CROWNS, "failure", ("tooth_fdi", "seat_date", "failure_cause", "exit_date")),
    "treated": Happened(ENDO_COURSES, "completed IS NOT NULL AND NOT done_elsewhere", ("tooth_fdi", "completed")),
    "root canal failed": Happened(ENDO_COURSES, "failure", ("tooth_fdi", "completed", "failure_cause", "exit_date")),
    "lost": Happened(TOOTH_FOLLOWUP, "extracted IS NOT NULL", ("tooth_fdi", "extracted")),
    "judged": Happened(FINDINGS, "pai IS NOT NULL", ("tooth_fdi", "exam_date", "pai")),
}
# Under this name the linking stage keeps which codes tell more of a tooth, and up to which day: `codes, until`.
TELLING = "telling_codes"
_TOLD_BY_CODE = """WHERE status = 'completed' AND code IN (SELECT unnest($codes::VARCHAR[]))
    AND ($until::DATE IS NULL OR service_date <= $until::DATE)"""


class Facts(Connected):
    """The facts that a store holds of its patients."""

    def of_patients(self, *, codes: Sequence[str] = (), until: str | None = None) -> pl.DataFrame:
        """`fact, patients`: each fingerprint of all rows of a patient, in whatever order and under whatever id they
        lie, and of how many patients it is; visits say no more of a patient than that he is one, but for those up to
        `until` with one of `codes`, by which alone posts, films and the like are known (see `TELLING`)."""
        tables = [t for t in DERIVED_TABLES.values() if t is not PROCEDURES and "patient_id" in t.columns]
        filled = self._with_rows(tables)
        tables = [t for t in tables if t.name in filled]
        rows = [f"SELECT patient_id, 0::UBIGINT AS fact FROM (SELECT DISTINCT patient_id FROM {PROCEDURES.name})"]  # noqa: S608
        for table in tables:
            rows.append(f"SELECT patient_id, {_fingerprint(table, *table.columns)} AS fact FROM {table.name}")  # noqa: S608
        content = _fingerprint(PROCEDURES, "service_date", "code", "tooth_fdi")
        rows.append(f"SELECT patient_id, {content} AS fact FROM {PROCEDURES.name} {_TOLD_BY_CODE}")  # noqa: S608
        return self._summed(" UNION ALL ".join(rows), codes=list(codes), until=until)

    def happened(self, what: str) -> pl.DataFrame:
        """`fact, patients` as above, of one of `HAPPENED` alone, and of those patients whom it happened to."""
        found = HAPPENED[what]
        table, rows, columns = found.table, found.rows, found.columns
        if not self._with_rows([table]):
            return pl.DataFrame(schema={"fact": pl.String, "patients": pl.Int64})
        return self._summed(
            f"SELECT patient_id, {_fingerprint(table, *columns)} AS fact FROM {table.name} WHERE {rows}"  # noqa: S608
        )

    def most_of_one(self) -> tuple[int, int]:
        """The most teeth, and the most failures, that one patient has among crowns or among root canals made here.
        Crowns that were opened count as failures do: they are told in the same ways."""
        opened = {CROWNS.name: "count(access_date)", ENDO_COURSES.name: "0"}
        counts = " UNION ALL ".join(
            f"SELECT count(*) AS teeth, greatest(count(*) FILTER (failure), {n}) AS failures FROM {table} "  # noqa: S608
            "WHERE NOT done_elsewhere GROUP BY patient_id"
            for table, n in opened.items()
        )
        ((teeth, failures),) = self._rows(
            f"SELECT coalesce(max(teeth), 1), coalesce(max(failures), 1) FROM ({counts})"  # noqa: S608
        )
        return int(teeth), int(failures)

    def patients_by_year(self) -> tuple[tuple[int, int], ...]:
        """Each year in which something was done, and of how many patients."""
        return tuple(
            (int(year), int(patients))
            for year, patients in self._connection.execute(
                f"SELECT year(service_date), count(DISTINCT patient_id) FROM {PROCEDURES.name} "  # noqa: S608
                "WHERE status = 'completed' AND service_date IS NOT NULL GROUP BY ALL ORDER BY ALL"
            ).fetchall()
        )

    def _with_rows(self, tables: Sequence[Table]) -> set[str]:
        """Those that have any: most practices leave some empty, and to plan a query of one takes longer than that."""
        each = (f"SELECT '{table.name}' WHERE EXISTS (FROM {table.name})" for table in tables)
        return {name for (name,) in self._rows(" UNION ALL ".join(each))}

    def _summed(self, rows: str, **params: object) -> pl.DataFrame:
        return self._frame(
            f"SELECT fact::VARCHAR AS fact, count(*) AS patients FROM (SELECT sum(fact) AS fact "  # noqa: S608
            f"FROM ({rows}) WHERE patient_id IS NOT NULL GROUP BY patient_id) GROUP BY fact",
            params=params,
        )


def _fingerprint(table: Table, *columns: str) -> str:
    values = (f"coalesce({c}::VARCHAR, chr(30))" for c in columns if c not in _NO_FACTS)
    return f"md5_number_lower(concat_ws(chr(31), '{table.name}', {', '.join(values)}))"
