"""Teeth of a published life table: how many failed and how many were withdrawn in each year, with days put to them.

A life table tells the year alone, and the actuarial estimate [1, 2] says of it: of those withdrawn in a year half were
at risk when the failures of that year came. A ledger has days, and the product limit takes them as they are. So the
same table is written in four ways, of which the first is what the actuarial estimate assumes:

- `half`: half of those withdrawn leave on the first day of the year, half on its last but one, and all failures come
  in the middle. Then the product limit is the actuarial estimate, to the last digit.
- `early`, `late`: all leave on the first day, or on the last but one. No order of the year's days gives a smaller, or
  a larger, share.
- `spread`: failures and withdrawals are each spread evenly over the year, as those of a practice would be.

References
----------
[1] Berkson J, Gage RP. Calculation of survival rates for cancer. Proc Staff Meet Mayo Clin 1950;25:270-286.
[2] Cutler SJ, Ederer F. Maximum utilization of the life table method in analyzing survival. J Chronic Dis
    1958;8:699-712.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import polars as pl

from pipeline.questions.groups import days_of

Year = tuple[int, int]  # failed, withdrawn
Placed = Literal["half", "early", "late", "spread"]


def teeth_of(table: Sequence[Year], *, placed: Placed) -> pl.DataFrame:
    """One row a tooth: `failed` (days, null if it did not) and `last`.

    With `half` each tooth stands there twice, since half of an odd number withdrawn is no number of teeth: shares are
    those of the table, counts are double.
    """
    twice = 2 if placed == "half" else 1
    rows: list[tuple[int | None, int]] = []
    for year, (failed, withdrawn) in enumerate(table):
        start, end = days_of(year), days_of(year + 1)
        middle = (start + end) // 2
        if placed == "spread":
            fall = _evenly(failed, start, end)
            leave = _evenly(withdrawn, start, end)
        else:
            fall = [middle] * failed * twice
            early = {"half": withdrawn, "early": withdrawn, "late": 0}[placed]
            leave = [start + 1] * early + [end - 1] * (withdrawn * twice - early)
        rows += [(day, day) for day in fall] + [(None, day) for day in leave]
    return pl.DataFrame(rows, schema={"failed": pl.Int64, "last": pl.Int64}, orient="row")


def actuarial(table: Sequence[Year], *, years: int, at_risk: float = 0.5) -> list[float]:
    """The share that survives each of so many years; `at_risk` is the part of those withdrawn that counts as there.

    0.5 is the actuarial estimate; 0 and 1 are its bounds: all withdrawn before the failures, or after them.
    """
    number, share, shares = sum(f + w for f, w in table), 1.0, []
    for failed, withdrawn in table[:years]:
        share *= 1 - failed / (number - (1 - at_risk) * withdrawn)
        shares.append(share)
        number -= failed + withdrawn
    return shares


def _evenly(number: int, start: int, end: int) -> list[int]:
    return [start + 1 + int((i + 0.5) * (end - start - 2) / number) for i in range(number)]
