"""What the walkers of claims and remittances write: rows, rows set aside and records of claims, in columns."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.tables import CLAIM_SCHEMA, PolarsType
from pipeline.reading.sources.source import MALFORMED_SCHEMA, Batch

# `prosthesis` is no field of ours; it stays readable in rows that are set aside.
HEADINGS = {
    "procedures": [
        *("patient_id", "service_date", "code", "tooth", "surface", "provider_id", "procedure_id", "site_id"),
        *("fee", "prosthesis"),
    ],
    "patients": ["patient_id", "birth_date", "sex"],
}
# Between the parts of a key of our own making; it cannot be typed, and is taken out of what a file holds.
UNIT = "\x1f"

Cells = tuple[str | None, ...]


@dataclass
class Records:
    """Collects what one batch will hold. `row_number` runs through the whole file, `held` counts those collected since
    the last batch. `tells_claims` is false for tables that no later claim can take rows from."""

    headings: list[str]
    tells_claims: bool = True
    row_number: int = 0
    held: int = 0
    _numbers: list[int] = field(default_factory=list)
    _rows: list[Cells] = field(default_factory=list)
    _aside: list[tuple[object, ...]] = field(default_factory=list)
    _claims: list[tuple[object, ...]] = field(default_factory=list)

    def add_row(self, cells: Cells) -> None:
        """Add a row; an empty cell is null."""
        self.row_number += 1
        self.held += 1
        self._numbers.append(self.row_number)
        self._rows.append(cells)

    def add_aside(self, cells: Cells, *, field: str, value: str, reason: str) -> None:
        """Set a row aside; `reason` is a code of `pipeline.practice.reasons`."""
        self.row_number += 1
        self.held += 1
        filled = {name: cell for name, cell in zip(self.headings, cells, strict=True) if cell}
        self._aside.append((self.row_number, json.dumps(filled), field, value, reason))

    def add_claim(
        self, *, claim: str, line: str | None, action: str, replaces: str | None, sent: str, charge: str
    ) -> None:
        """Say what the row just added does to its claim."""
        self._claims.append((self.row_number, claim, line, action, replaces, sent, amount(charge)))

    def skip_row(self) -> None:
        """Leave out a row number: a line of a remittance has one and is no row."""
        self.row_number += 1
        self.held += 1

    def take(self, wanted: list[str]) -> Batch:
        """Everything collected so far, with the columns `wanted`; the collection is then empty."""
        text = dict.fromkeys(self.headings, pl.String())
        claims = {"row_number": pl.Int64(), **CLAIM_SCHEMA}
        batch = Batch(
            pl.Series("row_number", self._numbers, dtype=pl.Int64),
            _in_columns(self._rows, text).select(pl.col(wanted).replace("", None)),
            _in_columns(self._aside, MALFORMED_SCHEMA),
            _in_columns(self._claims, claims) if self.tells_claims else None,
        )
        self._numbers, self._rows, self._aside, self._claims, self.held = [], [], [], [], 0
        return batch


def _in_columns(records: Sequence[tuple[object, ...]], schema: Mapping[str, PolarsType]) -> pl.DataFrame:
    columns = zip(*records, strict=True) if records else [()] * len(schema)
    return pl.DataFrame([pl.Series(n, c, dtype=t) for (n, t), c in zip(schema.items(), columns, strict=True)])


def amount(text: str) -> float:
    """A charge; what cannot be read counts as 0 here, and is judged where fees are."""
    try:
        value = float(text or 0)
    except ValueError:
        return 0.0
    return value if abs(value) < 1e12 else 0.0  # also false for a number that is none


def plain(text: str) -> str:
    """An id without blanks around, in capitals, so that it is one id however it was typed."""
    if text.isascii() and text.isprintable() and " " not in text:  # nearly every id
        return text.upper()
    return " ".join(text.replace(UNIT, " ").split()).upper()


def claim_key(provider: str, number: str) -> str:
    """A claim: its number (CLM01, CLP01) is unique only within the billing provider."""
    return f"{plain(provider)}{UNIT}{plain(number)}"
