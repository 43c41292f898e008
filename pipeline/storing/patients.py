"""Stand-ins of patients: names made of what is known of them, so that no order and no draw hangs on a pseudonym.

Sums of numbers with a fraction end otherwise in another order, and a draw by name takes others under another key. So
whatever is summed or drawn by patient goes by a stand-in: a digest of what linking found and of the patient's own row,
with a running number where several patients have the same. These are told apart by all else that is stored of them,
names of clinicians and clinics included; who is alike in that too may take another's place and change no figure.
"""

from collections.abc import Callable, Iterable, Sequence

import polars as pl

from pipeline.practice.tables import (
    INPUT_TABLES,
    LINKED_TABLES,
    NOTE_TABLES,
    PATIENT_FOLLOWUP,
    PATIENTS,
    PROCEDURES,
    Table,
)
from pipeline.storing.connected import Connected
from pipeline.storing.own_tables import STAND_INS
from pipeline.transforms.patient_numbers import under_stand_ins

# Where a row came from and the number that it has here: the same patient may have others.
_ORIGINS = ("patient_id", "load_id", "row_number", "part", "procedure_id", "crown_id", "course_id")
# Names of others than the patient: they part patients that are alike, so that renaming a clinic moves nobody else.
_NAMES = ("provider_id", "site_id", "reader")
_KEPT_BESIDE = [t for t in INPUT_TABLES.values() if t not in (PATIENTS, PROCEDURES, *NOTE_TABLES)]
_CODED = ("service_date", "code", "tooth_fdi", "supernumerary", "status", "fee")


def linked_view(table: Table) -> str:
    """What a linked table that is about to be stored is called in statements."""
    return f"linked_{table.name}"


def patient_in_order(table: str) -> str:
    """The stand-in of the patient of a table that is joined with `BESIDE`; of one that has none, behind all others."""
    return f"coalesce(stands_as, '~' || {table}.patient_id)"


BESIDE = f"LEFT JOIN {STAND_INS.name} USING (patient_id)"


class StandIns(Connected):
    """The stand-ins that are stored, and how they are made."""

    def renew(self, *, coded: Sequence[str]) -> None:
        """Make them of the tables that are stored and of the views `linked_view`; codes of `coded` tell more of teeth.
        A patient who is in none of these tables has no stand-in."""
        self._connection.execute(f"DELETE FROM {STAND_INS.name}")  # noqa: S608
        self._connection.execute(_RENEW, {"coded": list(coded)})

    def read(self) -> pl.DataFrame:
        """All of them: `patient_id, stands_as`."""
        return STAND_INS.check(self._frame(f"SELECT * FROM {STAND_INS.name}"))  # noqa: S608

    def reader(self, read: Callable[[Table], pl.DataFrame]) -> Callable[[Table], pl.DataFrame]:
        """`read` with the stand-in of each patient in the place of `patient_id`."""
        stand_ins = self.read()
        return lambda table: under_stand_ins(read(table), stand_ins)


def _digest(source: str, columns: Iterable[str]) -> str:
    texts = (f"coalesce({c}::VARCHAR, chr(30))" for c in columns if c not in _ORIGINS)
    return f"md5_number_lower(concat_ws(chr(31), '{source}', {', '.join(texts)}))"


def _summed(rows: Iterable[str]) -> str:
    """Digests of rows are added, which no order changes; 2^64 is where they wrap."""
    every = " UNION ALL ".join(rows)
    return (
        f"SELECT patient_id, (sum(digest) % 18446744073709551616)::UBIGINT AS digest FROM ({every}) GROUP BY patient_id"  # noqa: S608
    )


# How long a patient was followed tells patients apart no better than how long their teeth were.
_OF_LINKED = {linked_view(t): t.columns for t in LINKED_TABLES if t is not PATIENT_FOLLOWUP}
_TELLING = {**_OF_LINKED, PATIENTS.name: PATIENTS.columns}
_CODED_ROWS = "WHERE code IN (SELECT unnest($coded::VARCHAR[]))"
_BESIDE: dict[str, tuple[Iterable[str], str]] = {
    **{name: (columns, "") for name, columns in _TELLING.items()},
    **{t.name: (t.columns, "") for t in _KEPT_BESIDE},
    PROCEDURES.name: (_CODED, _CODED_ROWS),
}
_TOLD = (
    *(
        f"SELECT patient_id, {_digest(name, [c for c in columns if c not in _NAMES])} AS digest FROM {name}"  # noqa: S608
        for name, columns in _TELLING.items()
    ),
    *(
        f"SELECT DISTINCT patient_id, 0 FROM {name} {some}"  # noqa: S608
        for name, (_, some) in _BESIDE.items()
        if name not in _TELLING
    ),
)
_EVERYTHING = (
    f"SELECT patient_id, {_digest(name, columns)} AS digest FROM {name} SEMI JOIN alike USING (patient_id) {some}"  # noqa: S608
    for name, (columns, some) in _BESIDE.items()
)
_RENEW = f"""
    INSERT INTO {STAND_INS.name} BY NAME
    WITH told AS MATERIALIZED ({_summed(_TOLD)}),
    alike AS MATERIALIZED (SELECT patient_id FROM told QUALIFY count(*) OVER (PARTITION BY digest) > 1),
    everything AS ({_summed(_EVERYTHING)})
    SELECT patient_id, printf('%016x', t.digest) || '.' || lpad(
        row_number() OVER (PARTITION BY t.digest ORDER BY e.digest, patient_id)::VARCHAR, 9, '0') AS stands_as
    FROM told AS t LEFT JOIN everything AS e USING (patient_id)
    """  # noqa: S608
