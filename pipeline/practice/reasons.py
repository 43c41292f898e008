"""Why a row was set aside, in words for the front desk: what the code means and what to do about it.

The one list of reason codes, `pipeline/data/reasons.csv`. A stage that sets a row aside uses a code of this list.
"""

from typing import NamedTuple

from pipeline.machine.data_tables import data_rows


class Reason(NamedTuple):
    """One reason: what it means, and what to do so that the row counts next time."""

    meaning: str
    what_to_do: str


REASONS: dict[str, Reason] = {row["reason"]: Reason(row["meaning"], row["what_to_do"]) for row in data_rows("reasons")}
