"""Patients as whole numbers: they are grouped, sorted and joined some hundred times, and texts take far longer.

Where figures are made, stand-ins take the place of pseudonyms first, so that the order hangs on no key.
"""

from collections.abc import Mapping

import polars as pl


def number_patients(frames: Mapping[str, pl.DataFrame]) -> tuple[dict[str, pl.DataFrame], pl.Series]:
    """The frames with `patient_id` as whole numbers from 0 (UInt32), in the order of the ids; and the ordered ids.

    A patient has the same number in all frames.
    """
    kind = pl.Categorical(pl.Categories.random())
    coded = {name: rows["patient_id"].cast(kind) for name, rows in frames.items()}
    known = pl.concat([ids.unique() for ids in coded.values()]).unique()
    ids = pl.DataFrame({"code": known.to_physical(), "id": known.cast(pl.String)}).sort("id")
    number = ids.with_row_index("number").sort("code")["number"]  # codes run from 0 without a gap
    numbered = {
        name: rows.with_columns(patient_id=number.gather(coded[name].to_physical())) for name, rows in frames.items()
    }
    return numbered, ids["id"]


def by_number(rows: pl.DataFrame, ids: pl.Series) -> pl.DataFrame:
    """The rows of the patients among the ordered `ids`, with the numbers that `number_patients` gave them."""
    numbers = pl.DataFrame({"patient_id": ids}).with_row_index("number")
    return rows.join(numbers, on="patient_id").with_columns(patient_id="number").drop("number")


def under_stand_ins(rows: pl.DataFrame, stand_ins: pl.DataFrame) -> pl.DataFrame:
    """The rows with `patient_id` replaced by the stand-in, in the same order; see `store_patients`.

    `stand_ins` has `patient_id, stands_as`, one row a patient. Patients without one go behind all others, by their ids.
    """
    joined = rows.join(stand_ins, on="patient_id", how="left", maintain_order="left")
    return joined.with_columns(patient_id=pl.coalesce("stands_as", "~" + pl.col("patient_id"))).drop("stands_as")
