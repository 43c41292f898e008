"""Whether a rate changes: late years against the years before, teeth of one patient taken as alike.

All rows are followed on (`leaving.followed_on`): else late years would seem to have failures of too few teeth. A claim
(better, worse) needs a range that leaves no change out, and to survive Holm among all rates looked at with it.
"""

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.groups import days_of
from pipeline.questions.owner.teeth import begun_in, seen_in
from pipeline.results.owner import BegunSince, Change, EarlyRow, OverTime, Stretch
from pipeline.stats.careful_difference import careful_difference
from pipeline.stats.differences import Group
from pipeline.stats.expected import breslow_hazard
from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.multiplicity import holm

LATE_YEARS = 3


def stretch(teeth: pl.DataFrame, first: dt.date, last: dt.date, years: float, asked: Analysis) -> Stretch:
    """The rate at `years` of rows that `begun_in` or `seen_in` cut; none where the followed are too few.

    With late entry also none where fewer than `min_at_risk` are followed at any failure before: the first few would
    take the whole curve down.
    """
    day = days_of(years)
    past = int((teeth["exit_days"] >= day).sum()) - int(((teeth["exit_days"] == day) & teeth["event"]).sum())
    failures = int((teeth["event"] & (teeth["exit_days"] <= day)).sum())
    survival = low = high = None
    if past >= asked.min_at_risk:
        curve = kaplan_meier(
            teeth["exit_days"], teeth["event"], entry_days=teeth["entry_days"], cluster=teeth["patient_id"],
            confidence=asked.confidence,
        )  # fmt: skip
        failing = (curve.time <= day) & (curve.events > 0)
        if int(np.min(curve.rows_at_risk[failing], initial=past)) >= asked.min_at_risk:
            at = curve.at([day])
            survival, low, high = (float(x[0]) for x in (at.survival, at.low, at.high))
            if np.isnan(low):
                # None has failed: the exact limit of none among the patients who were followed so far.
                patients = teeth.filter(pl.col("exit_days") >= day)["patient_id"].n_unique()
                low, high = ((1 - asked.confidence) / 2) ** (1 / patients), 1.0
    return Stretch(
        first.isoformat(), last.isoformat(), teeth.height, teeth["patient_id"].n_unique(), failures, years, past,
        survival, low, high,
    )  # fmt: skip


def period_change(teeth: pl.DataFrame, *, cutoff: dt.date, years: Sequence[float], asked: Analysis) -> OverTime:
    """The last `LATE_YEARS` years of the records against as many before, at the first of `years` that both reach.

    Not yet judged among other looks: see `among`.
    """
    return _first_reached(teeth, (_span(cutoff, 0), _span(cutoff, 1)), seen_in, years, asked)


def cohort_change(teeth: pl.DataFrame, *, cutoff: dt.date, years: float, asked: Analysis) -> OverTime:
    """Teeth begun in the last `LATE_YEARS` years that could be followed for `years`, against as many years before.

    Of those begun since then it is told how many have failed so far.
    """
    end = cutoff - dt.timedelta(days=days_of(years))
    spans = _span(end, 0), _span(end, 1)
    found = _first_reached(teeth, spans, begun_in, (years,), asked)
    later = begun_in(teeth, end + dt.timedelta(days=1), cutoff)
    if found.late is None or not later.height:
        return found
    before = begun_in(teeth, *spans[1])
    hazard = breslow_hazard(before["exit_days"], before["event"], np.ones(before.height))
    day = days_of(years)
    expected = float(np.sum(np.sort(hazard.until(later["exit_days"].clip(0, day).to_numpy()))))
    failed = int((later["event"] & (later["exit_days"] <= day)).sum())
    begun = (end + dt.timedelta(days=1)).isoformat(), cutoff.isoformat()
    return replace(found, since=BegunSince(*begun, later.height, failed, expected))


def among(found: Sequence[OverTime], *, confidence: float) -> list[OverTime]:
    """The same, each judged among all of them: the chance of any false claim is one minus the confidence."""
    adjusted = holm([np.nan if o.change.p is None else o.change.p for o in found])
    looks = int(np.sum(~np.isnan(adjusted)))
    return [
        _with_since(replace(o, change=_judged(o.change, float(p), looks, confidence)))
        for o, p in zip(found, adjusted, strict=True)
    ]


def _with_since(found: OverTime) -> OverTime:
    """With whether what came since speaks against the verdict: it fared as before, or the other way."""
    since, verdict = found.since, found.change.verdict
    if since is None:
        return found
    against = (verdict == "better" and since.failures >= since.expected) or (
        verdict == "worse" and since.failures <= since.expected
    )
    return replace(found, since=replace(since, against=against))


def _judged(change: Change, p: float, looks: int, confidence: float) -> Change:
    if change.p is None:
        return change
    verdict, why = verdict_of(change, claim=p < 1 - confidence)
    return replace(change, verdict=verdict, why=why, p_of_all=p, looks=looks)


def verdict_of(change: Change, *, claim: bool) -> tuple[str, str]:
    """better, worse, same or cannot_tell for a difference with its range; `claim` is whether it may be claimed."""
    low, high = change.ci_low, change.ci_high
    assert low is not None
    assert high is not None
    if claim and low > 0:
        return "worse", ""
    if claim and high < 0:
        return "better", ""
    if max(-low, high) < change.matters_per_100:
        return "same", ""
    return "cannot_tell", "many_looks" if low * high > 0 else "wide"


def _first_reached(
    teeth: pl.DataFrame,
    spans: tuple[tuple[dt.date, dt.date], tuple[dt.date, dt.date]],
    cut: Callable[[pl.DataFrame, dt.date, dt.date], pl.DataFrame],
    years: Sequence[float],
    asked: Analysis,
) -> OverTime:
    rows = [cut(teeth, *span) for span in spans]
    made = [[stretch(part, *span, y, asked) for part, span in zip(rows, spans, strict=True)] for y in years]
    reached = next((pair for pair in made if all(s.survival is not None for s in pair)), None)
    if reached is None:
        nothing = Change("cannot_tell", "not_followed", years[-1], least_failures=asked.min_failures)
        return OverTime(made[-1][0], made[-1][1], replace(nothing, matters_per_100=asked.matters(years[-1])))
    now, then = reached
    plain = Change("cannot_tell", "too_few", now.years, least_failures=asked.min_failures)
    plain = replace(plain, matters_per_100=asked.matters(now.years))
    # The limits hold where few have failed, so it is enough that both stretches together have what two groups need: a
    # fall from fourteen failures to two is told.
    if now.failures + then.failures < 2 * asked.min_failures:
        return OverTime(now, then, plain)
    groups = [
        Group(part["exit_days"], part["event"], entry_days=part["entry_days"], cluster=part["patient_id"])
        for part in rows
    ]
    found = careful_difference(groups[0], groups[1], days_of(now.years), confidence=asked.confidence)
    if found is None:
        return OverTime(now, then, plain)
    change = replace(plain, per_100=100 * found.estimate, ci_low=100 * found.low, ci_high=100 * found.high, p=found.p)
    return OverTime(now, then, change)


def _span(end: dt.date, back: int) -> tuple[dt.date, dt.date]:
    """`LATE_YEARS` years up to `end`, or so many such stretches earlier."""
    last, after = _years_before(end, LATE_YEARS * back), _years_before(end, LATE_YEARS * (back + 1))
    return after + dt.timedelta(days=1), last


def _years_before(day: dt.date, years: int) -> dt.date:
    """The same day so many years earlier; of 29 February the day before."""
    try:
        return day.replace(year=day.year - years)
    except ValueError:
        return day.replace(year=day.year - years, day=28)


EARLY_YEARS = (1.0, 3.0)
# Years with fewer teeth are taken together with those before them; no more lines than these, the latest ones.
SMALL_YEAR = 50
MOST_LINES = 12


def early_rows(teeth: pl.DataFrame, *, cutoff: dt.date, asked: Analysis) -> tuple[EarlyRow, ...]:
    """One row a year of start, the earliest first, each with its failures by each of `EARLY_YEARS`."""
    spans = pooled_years(teeth["start"].dt.year().to_list())
    return tuple(_row(teeth, first, last, cutoff, asked) for first, last in spans[-MOST_LINES:])


def pooled_years(years: Sequence[int], *, small: int = SMALL_YEAR) -> list[tuple[int, int]]:
    """First and last year of each line: from the latest back, as many years together as `small` teeth ask for.

    What is left over at the beginning joins the first line.
    """
    if not years:
        return []
    counts = dict.fromkeys(range(min(years), max(years) + 1), 0)
    for year in years:
        counts[year] += 1
    spans: list[tuple[int, int]] = []
    last, held = max(years), 0
    for year in range(max(years), min(years) - 1, -1):
        held += counts[year]
        if held >= small:
            spans.insert(0, (year, last))
            last, held = year - 1, 0
    if held or not spans:
        spans[:1] = [(min(years), spans[0][1] if spans else max(years))]
    return spans


def _row(teeth: pl.DataFrame, first: int, last: int, cutoff: dt.date, asked: Analysis) -> EarlyRow:
    span = (dt.date(first, 1, 1), min(dt.date(last, 12, 31), cutoff))
    rows = begun_in(teeth, *span)
    name = f"{first}" if first == last else f"{first} to {last}"
    return EarlyRow(name, tuple(stretch(rows, *span, years, asked) for years in EARLY_YEARS))
