"""One clinician's teeth before a technique was taken up and by case number after: described, never compared."""

from dataclasses import dataclass

import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.grouping import MIN_FAILURES, MIN_PATIENTS
from pipeline.results import DAYS_PER_YEAR
from pipeline.results.technique import LearningClinician, LearningSpan
from pipeline.stats.rates import failure_rate

EDGES = (20, 50, 100, 200)  # last case of each stretch; the last one goes on
RULE = (
    f"A stretch of fewer than {MIN_PATIENTS} patients, or in whose time fewer than {MIN_FAILURES} failures would be "
    "expected at the clinician’s usual rate, is counted together with the next one. Expected, not seen: to wait for "
    "failures would show the first cases only where they went badly."
)


@dataclass(frozen=True)
class _Part:
    """Rows of one stretch; the case numbers are those of `LearningSpan`."""

    first: int | None
    last: int | None
    rows: pl.DataFrame


def clinicians_of(cases: pl.DataFrame, adopted: pl.DataFrame, analysis: Analysis) -> tuple[LearningClinician, ...]:
    """Every clinician of `adopted` (`provider_id, adopted, uses`) with the stretches of `cases`.

    `cases` are rows of `numbered_cases`. Stretches too small are counted together with the next by `RULE`, the last
    ones with the one before; the teeth before and those with the technique are never counted together, and where one
    of the two is too small by itself it is not shown.
    """
    return tuple(
        LearningClinician(
            who, day.year, uses, _spans(cases.filter(pl.col("provider_id") == who, pl.col("exit_days") > 0), analysis)
        )
        for who, day, uses in adopted.sort("provider_id").select("provider_id", "adopted", "uses").iter_rows()
    )


def _spans(mine: pl.DataFrame, analysis: Analysis) -> tuple[LearningSpan, ...]:
    years = _years(mine)
    usual = float(mine["event"].sum()) / years if years else 0.0
    edges = zip((1, *(edge + 1 for edge in EDGES)), (*EDGES, None), strict=True)
    stretches = [
        _Part(first, last, mine.filter(pl.col("case_number").is_between(first, last or mine.height)))
        for first, last in edges
    ]
    before = _Part(None, None, mine.filter(pl.col("phase") == "before"))
    kept = [*([before] if _large(before.rows, usual) else []), *_together(stretches, usual)]
    return tuple(_span(part, analysis) for part in kept)


def _together(parts: list[_Part], usual: float) -> list[_Part]:
    out: list[_Part] = []
    small: _Part | None = None
    for part in parts:
        grown = part if small is None else _Part(small.first, part.last, pl.concat([small.rows, part.rows]))
        small = None if _large(grown.rows, usual) else grown
        if small is None:
            out.append(grown)
    if small is not None and small.rows.height and out:
        last = out.pop()
        out.append(_Part(last.first, small.last, pl.concat([last.rows, small.rows])))
    elif small is not None and out:
        out[-1] = _Part(out[-1].first, small.last, out[-1].rows)
    return out


def _large(rows: pl.DataFrame, usual: float) -> bool:
    return rows["patient_id"].n_unique() >= MIN_PATIENTS and usual * _years(rows) >= MIN_FAILURES


def _years(rows: pl.DataFrame) -> float:
    return float((rows["exit_days"] - rows["entry_days"].clip(0)).sum()) / DAYS_PER_YEAR


def _span(part: _Part, analysis: Analysis) -> LearningSpan:
    rows = part.rows
    rate = failure_rate(rows["exit_days"], rows["event"], entry_days=rows["entry_days"], confidence=analysis.confidence)
    counts = (rows.height, rows["patient_id"].n_unique(), int(rows["event"].sum()))
    return LearningSpan(part.first, part.last, *counts, rate.tooth_years, rate.per_100, rate.low, rate.high)
