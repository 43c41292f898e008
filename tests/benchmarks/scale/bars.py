"""What was asked of the program on two cores, and whether the measurements meet it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

from tests.benchmarks.scale.exponent import exponent
from tests.benchmarks.scale.ours import AGAIN, IN_ALL, ONE_QUESTION, STAGES, WHO, WHOLE, parted
from tests.benchmarks.scale.rivals import PANDAS, PANDAS_PATIENT, R
from tests.benchmarks.scale.tables import Row

MILLION = 1_000_000
ONE_QUESTION_IN_ALL = f"{ONE_QUESTION} in all"
ALL_STAGES = (*STAGES, IN_ALL, WHOLE)
BEGUN_AGAIN = f"{WHOLE}{AGAIN}"
Cost = Literal["wall_s", "cpu_s"]


@dataclass(frozen=True)
class Bar:
    """What was asked, what was found, and whether that is enough; `met` is None where it was not measured."""

    asked: str
    found: str
    met: bool | None


def bars(rows: Sequence[Row]) -> list[Bar]:
    """Every bar, held against the measurements."""
    ten, alone = _at(rows, WHO, WHOLE, 10), _at(rows, WHO, ONE_QUESTION_IN_ALL, 100)
    link = _at(rows, WHO, "link", 10)
    one, two = (_at(rows, WHO, parted(workers, 8), 10) for workers in (1, 2))
    out = [
        _below(f"{words} rows, all questions, pages and slides: at most {most} s {how}",
               _at(rows, WHO, stage, millions), "wall_s", most, " s", digits=1)
        for words, millions, stage, most, how in (
            ("100,000", 0.1, WHOLE, 5, "cold"),
            ("100,000", 0.1, BEGUN_AGAIN, 1.5, "again"),
            ("A million", 1, WHOLE, 12, "cold"),
            ("10 million", 10, WHOLE, 45, "cold"),
        )
    ]  # fmt: skip
    out += [
        *(
            _no_slower(rows, words, millions)
            for words, millions in (("100,000", 0.1), ("A million", 1), ("10 million", 10))
        ),
        _below("10 million rows: memory below 2,048 MB at every stage", ten, "peak_sum_mb", 2048, " MB"),
        *_against_pandas(rows),
        _below(
            "100 million rows, the one question: memory below 4,096 MB at every stage",
            alone,
            "peak_sum_mb",
            4096,
            " MB",
        ),
    ]
    by: tuple[tuple[Cost, str], ...] = (("wall_s", "the clock"), ("cpu_s", "the processors"))
    for stage, (cost, word) in product((WHOLE, ONE_QUESTION_IN_ALL), by):
        what = "all questions" if stage == WHOLE else ONE_QUESTION
        asked = f"Growth of cost with size, {what}, 1 million rows to the largest, by {word}: exponent at most 1.05"
        grown = growth(rows, WHO, stage, cost)
        largest = max((r.rows for r in rows if r.who == WHO and r.stage == stage), default=0)
        found = "not measured" if grown is None else f"{grown:.2f} to {largest:,} rows"
        out.append(Bar(asked, found, None if grown is None else grown <= 1.05))
    rate = None if link is None else link.rows_per_s
    out.append(_above("Linking at 10 million rows: at least 3 million rows a second", rate, 3e6))
    ratio = None if one is None or two is None or not (one.wall_s and two.wall_s) else one.wall_s / two.wall_s
    out.append(_above("Linking 10 million rows in 8 parts: 2 workers at least 1.7 times as fast as 1", ratio, 1.7))
    return out


def growth(rows: Sequence[Row], who: str, stage: str, cost: Cost, *, least: int = MILLION // 2) -> float | None:
    """The exponent of cost against size over what was finished, from about 1 million rows on."""
    done = [r for r in rows if (r.who, r.stage) == (who, stage) and finished(r) and r.rows >= least]
    costs = [(r.rows, getattr(r, cost)) for r in done if getattr(r, cost)]
    return exponent([size for size, _ in costs], [cost for _, cost in costs])


def finished(row: Row) -> bool:
    """Whether it ran to its end; what was stopped has no rate."""
    return row.rows_per_s is not None


def times_as_fast(ours: Row | None, theirs: Row | None, cost: Cost) -> tuple[float, bool] | None:
    """How many times our cost theirs is, and whether that is all: False where theirs was stopped."""
    if ours is None or theirs is None or not finished(ours):
        return None
    a, b = getattr(ours, cost), getattr(theirs, cost)
    return (b / a, finished(theirs)) if a and b else None


def _against_pandas(rows: Sequence[Row]) -> list[Bar]:
    out = []
    for who in (PANDAS, PANDAS_PATIENT):
        asked = f"10 million rows, the one question: at least 20 times as fast as {who}"
        ratio = times_as_fast(_at(rows, WHO, ONE_QUESTION_IN_ALL, 10), _at(rows, who, IN_ALL, 10), "wall_s")
        if ratio is None:
            out.append(Bar(asked, "not measured", None))
            continue
        times, whole = ratio
        # One that was stopped would have taken longer: short of the bar, nothing is known.
        met = True if times >= 20 else False if whole else None
        out.append(Bar(asked, f"{'' if whole else 'more than '}{times:.1f} times", met))
    return out


def _at(rows: Sequence[Row], who: str, stage: str, millions: float) -> Row | None:
    near = (r for r in rows if (r.who, r.stage) == (who, stage) and 0.9 < r.rows / (millions * MILLION) < 1.1)
    return next(near, None)


def _no_slower(rows: Sequence[Row], words: str, millions: float) -> Bar:
    """The one question beside the R script, start of the interpreters included."""
    asked = f"{words} rows, the one question: no slower than {R}"
    ratio = times_as_fast(_at(rows, WHO, ONE_QUESTION_IN_ALL, millions), _at(rows, R, IN_ALL, millions), "wall_s")
    if ratio is None:
        return Bar(asked, "not measured", None)
    return Bar(asked, f"{ratio[0]:.2f} times as fast", ratio[0] >= 1)


def _below(asked: str, row: Row | None, name: str, limit: float, unit: str, *, digits: int = 0) -> Bar:
    value = None if row is None else getattr(row, name)
    if value is None:
        return Bar(asked, "not measured", None)
    return Bar(asked, f"{value:,.{digits}f}{unit}", value <= limit)


def _above(asked: str, value: float | None, limit: float) -> Bar:
    if value is None:
        return Bar(asked, "not measured", None)
    return Bar(asked, f"{value:,.0f}" if value >= 100 else f"{value:.2f}", value >= limit)
