"""Mended copies of rows that were set aside: which row of which file each one mends; only one of them counts."""

import polars as pl

from pipeline.practice.read_tables import MENDED_SCHEMA
from pipeline.practice.tables import Table
from pipeline.reading.set_aside import not_mended
from pipeline.storing.connected import Connected
from pipeline.storing.own_tables import PHYSICAL

CREATE = "CREATE TABLE _mended (load_id INTEGER, row_number BIGINT, of_hash VARCHAR, of_row BIGINT)"
ROWS_SCHEMA: dict[str, pl.DataType] = {
    "file": pl.String(),
    "hash": pl.String(),
    "table_name": pl.String(),
    "row_number": pl.Int64(),
    "reason": pl.String(),
    "raw_row": pl.String(),
    "stage": pl.String(),
}
_PLACE = ("load_id", "row_number", "part")


class Mended(Connected):
    """The mended rows that a store holds."""

    def rows_set_aside(self) -> pl.DataFrame:
        """Every row that is set aside, with the file that held it (`ROWS_SCHEMA`)."""
        return self._frame(
            """
            SELECT l.file, l.hash, l.table_name, s.row_number, s.reason, s.raw_row, s.stage
            FROM (SELECT load_id, row_number, reason, raw_row, 'ingest' AS stage FROM _quarantine
                  UNION ALL SELECT load_id, row_number, reason, raw_row, 'link' AS stage FROM _set_aside) AS s
            JOIN _loads AS l USING (load_id) ORDER BY ALL
            """,
            ROWS_SCHEMA,
        )

    def note(self, load_id: int, mended: pl.DataFrame) -> None:
        """Keep which rows a load of mended rows mends (`MENDED_SCHEMA`)."""
        with self._registered(mended.select(*MENDED_SCHEMA)):
            self._run("INSERT INTO _mended SELECT ?, row_number, of_hash, of_row FROM incoming", [load_id])

    def forget(self, load_id: int) -> None:
        """Forget what a load mends; it is about to be read again."""
        self._run("DELETE FROM _mended WHERE load_id = ?", [load_id])

    def settle(self, table: Table) -> None:
        """Let each row that was mended count once, in its latest mended copy.

        A mended row in which nothing was changed, and which was set aside again, counts as there already. The row that
        was mended is marked `corrected`, wherever it lies; an older mended copy of it is `superseded`. To be called
        whenever files of a table were read, before rows that are there already are looked for.
        """
        self._leave_out_unchanged(table)
        mended = """
            (SELECT o.load_id, m.of_row AS row_number, m.load_id AS by_load, m.row_number AS by_row
             FROM _mended AS m JOIN _loads AS b ON b.load_id = m.load_id
             JOIN _loads AS o ON o.hash = m.of_hash AND o.table_name = b.table_name WHERE b.table_name = ?)
        """
        self._put_aside(table, f"SELECT DISTINCT load_id, row_number FROM {mended}", "corrected")  # noqa: S608
        older = (
            f"SELECT by_load AS load_id, by_row AS row_number FROM {mended} "  # noqa: S608
            "QUALIFY row_number() OVER (PARTITION BY load_id, row_number ORDER BY by_load DESC, by_row DESC) > 1"
        )
        self._put_aside(table, older, "superseded")

    def _leave_out_unchanged(self, table: Table) -> None:
        again = self._frame(
            """
            SELECT q.load_id, q.row_number, q.raw_row, q.reason, m.of_row, o.load_id AS of_load
            FROM _quarantine AS q JOIN _mended AS m USING (load_id, row_number) JOIN _loads AS b USING (load_id)
            JOIN _loads AS o ON o.hash = m.of_hash AND o.table_name = b.table_name WHERE b.table_name = ?
            """,
            params=[table.name],
        )
        for (load, of_load), rows in again.group_by("load_id", "of_load"):
            asked = "SELECT row_number, raw_row, reason FROM _quarantine WHERE load_id = ?"
            originals = self._frame(asked, params=[of_load])
            numbers = not_mended(rows, originals)["row_number"].to_list()
            for name in ("_quarantine", "_mended"):
                self._run(
                    f"DELETE FROM {name} WHERE load_id = ? AND list_contains(?::BIGINT[], row_number)",  # noqa: S608
                    [load, numbers],
                )
            self._run("UPDATE _loads SET duplicate = duplicate + ? WHERE load_id = ?", [len(numbers), load])

    def _put_aside(self, table: Table, rows: str, reason: str) -> None:
        """Give the rows of a query (`load_id, row_number`, one parameter) a reason, wherever they lie."""
        self._run(f"CREATE OR REPLACE TEMP TABLE put_aside AS {rows}", [table.name])
        name, columns = PHYSICAL.get(table.name, table.name), [c for c in table.columns if c not in _PLACE]
        as_json = f"to_json({{{', '.join(f'{c}: t.{c}' for c in columns)}}})"
        self._run(
            "UPDATE _quarantine AS q SET reason = ? FROM put_aside AS p "
            "WHERE q.load_id = p.load_id AND q.row_number = p.row_number",
            [reason],
        )
        self._run(
            f"INSERT INTO _quarantine BY NAME SELECT t.load_id, t.row_number, ? AS reason, {as_json} AS raw_row "  # noqa: S608
            f"FROM {name} AS t SEMI JOIN put_aside USING (load_id, row_number)",
            [reason],
        )
        self._run(
            f"DELETE FROM {name} AS t USING put_aside AS p "  # noqa: S608
            "WHERE t.load_id = p.load_id AND t.row_number = p.row_number"
        )
        self._run("DROP TABLE put_aside")
