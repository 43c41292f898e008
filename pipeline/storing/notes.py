"""What is stored of chart notes: the values read, what became of each, and the fields that they fill."""

from collections.abc import Mapping, Sequence

import polars as pl

from pipeline.practice.read_tables import READ_VALUES
from pipeline.practice.tables import DETAIL_TABLES, NOTE_VALUES
from pipeline.storing.connected import Connected
from pipeline.storing.own_tables import NOTED, PHYSICAL


class StoredNotes(Connected):
    """The values of chart notes that a store holds."""

    def read_values(self) -> pl.DataFrame:
        """What was read from the notes that count, with those of a note that came twice once (`READ_VALUES`)."""
        found = self._frame(
            f"SELECT {', '.join(READ_VALUES.columns)} FROM {READ_VALUES.name} "  # noqa: S608
            "SEMI JOIN notes USING (load_id, row_number) ORDER BY ALL",
            READ_VALUES.schema,
        )
        return READ_VALUES.check(found)

    def recorded(self) -> dict[str, pl.DataFrame]:
        """The detail tables as the practice gave them, without what notes add."""
        return {
            name: self._frame(f"SELECT {', '.join(table.columns)} FROM {PHYSICAL[name]} ORDER BY ALL")  # noqa: S608
            for name, table in DETAIL_TABLES.items()
        }

    def work_of_days(self, codes: Sequence[str]) -> pl.DataFrame:
        """Teeth worked on, on the days of notes whose tooth nobody says: `patient_id, note_date, code, tooth_fdi`."""
        return self._frame(
            "SELECT DISTINCT p.patient_id, p.service_date AS note_date, p.code, p.tooth_fdi FROM procedures AS p "  # noqa: S608
            f"SEMI JOIN (SELECT patient_id, note_date FROM {READ_VALUES.name} WHERE tooth_fdi IS NULL) AS v "
            "ON p.patient_id = v.patient_id AND p.service_date = v.note_date "
            "WHERE p.status = 'completed' AND p.tooth_fdi IS NOT NULL AND NOT p.supernumerary "
            "AND p.code IN (SELECT unnest($codes::VARCHAR[]))",
            params={"codes": list(codes)},
        )

    def replace(self, values: pl.DataFrame, noted: Mapping[str, pl.DataFrame]) -> None:
        """Put what was held against ledger, details and answers in place of what was."""
        self._put(NOTE_VALUES.name, NOTE_VALUES.check(values))
        for name, table in NOTED.items():
            self._put(table.name, table.check(noted[name]))

    def _put(self, name: str, frame: pl.DataFrame) -> None:
        self._run(f"DELETE FROM {name}")  # noqa: S608
        self._insert(name, frame)
