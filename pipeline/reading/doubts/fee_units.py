"""Fees that a program keeps in the smallest coin, as the heading says."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.reading.doubts.doubt import Doubt
from pipeline.reading.doubts.standing import words_of
from pipeline.reading.headings import plain_heading

_COINS = words_of("cent cents pence penny centimes centavos centesimi rappen ore oere grosze halere minor")


def coin_doubts(where: str, table: str, heading: str | None, *, told: str | None) -> Sequence[Doubt]:
    """A column of fees whose heading names the smallest coin."""
    if heading is None or told is not None or not _COINS & set(plain_heading(heading.rpartition(".")[2]).split()):
        return []
    return [
        Doubt(
            "fee_unit",
            where,
            f'column "{heading}" is read as the fee, and by its heading it counts in the smallest coin.',
            "Is 129000 a fee of 1290.00?",
            (
                (f"tables.{table}", 'fee_unit = "cent"', "yes: a hundred of them are one"),
                (f"tables.{table}", 'fee_unit = "whole"', "no: the amounts are as they stand"),
            ),
        )
    ]
