"""Watching the practice: clinicians against what is expected of their teeth, and failures month by month.

What is expected never holds the failures that are judged. Clinicians are held against what colleagues' teeth lead one
to expect of theirs (`questions/clinicians.py`), each year of the whole practice against all the years before it, by the
teeth's age on the clock and by what was known of tooth and patient when the clock started. Whether the practice as a
whole does well is no matter of these charts.
"""

import datetime as dt
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_FAILURE, Outcome
from pipeline.questions.clinicians import Seen, beside_colleagues, colleagues_hazard, see
from pipeline.questions.covariates import Covariate, Levels, Numeric, design
from pipeline.questions.crown_rows import with_people
from pipeline.questions.first_year import first_year
from pipeline.questions.leaving import AWAY_DAYS, followed_on
from pipeline.results.monitoring import Monitoring, Running, RunningMonth
from pipeline.stats import cusum as chance
from pipeline.stats.cox import CoxInputError, fit_cox
from pipeline.stats.expected import Hazard, breslow_hazard
from pipeline.stats.spells import Floats, numbered

ADJUST: tuple[Covariate, ...] = (
    Numeric("age", "age", 10.0),
    Levels("sex", "sex"),
    Levels("tooth_group", "tooth group"),
    Levels("material", "material"),
    Levels("root_filled", "root canal before the seat"),
    Levels("kind", "first treatment or repeat"),
    Levels("crown_at_start", "crown on the tooth at the start"),
    Levels("bruxism", "bruxism"),
    Levels("smoker", "smoking"),
    Levels("diabetes", "diabetes"),
)
# The outcomes that are watched.
WATCHED = (CROWN_FAILURE, ENDO_FAILURE)
MIN_FAILURES = 20  # of the whole practice; with fewer, nothing is worth expecting
RATIO = 2.0
FALSE_ALARM_YEARS = 20.0
RECENT_MONTHS = 24
MIN_PACE_A_YEAR = 2.0  # of one clinician, for a chart of their own: with fewer, a doubling takes years to show
MIN_FOLLOWED = 20  # teeth at an age from which a hazard at that age is still read


@dataclass(frozen=True, eq=False)
class Watched:
    """Teeth on their clock (`start, exit_days, event`) with their relative hazards."""

    rows: pl.DataFrame
    score: Floats
    used: tuple[str, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Months:
    """Failures seen and expected month by month (`firsts` has one day more), and how sure what is expected is."""

    firsts: list[dt.date]
    observed: Floats
    expected: Floats
    rests_on: chance.Expectation
    at_the_end: float


def to_watch(
    outcome: Outcome,
    rows: pl.DataFrame,
    teeth: pl.DataFrame,
    patients: pl.DataFrame,
    *,
    cutoff: dt.date | None,
    away_days: int = AWAY_DAYS,
) -> pl.DataFrame:
    """The rows that an outcome is followed in, one a crown or course, with what is expected of them hung on.

    `id, start, exit_days, event, age` at the start, and those of `ADJUST` that are there; followed on up to a cut-off.
    """
    of = outcome.population
    spells = outcome.spells(rows, teeth)
    spells = spells if cutoff is None else followed_on(spells, cutoff=cutoff, away_days=away_days)
    told = with_people(spells, patients, of.start).with_columns(id=of.unit, start=of.start)
    if "endo_timing" in told.columns:
        told = told.with_columns(root_filled=(pl.col("endo_timing") == "before_seat").fill_null(False))
    read = {"patient_id", "provider_id", "exit_days", "id", "start", "event", *(c.name for c in ADJUST)}
    return told.select(c for c in told.columns if c in read).sort("id")


def watch(
    rows: pl.DataFrame,
    *,
    outcome: str,
    cutoff: dt.date | None,
    confidence: float = 0.95,
    min_failures: int = MIN_FAILURES,
    seed: int = 0,
) -> tuple[Monitoring, ...]:
    """Clinicians, running totals and first-year failures of one outcome; nothing at all without a row or a cutoff.

    With fewer than `min_failures` failures there are neither clinicians nor running totals. `seed` starts the simulated
    practices that tell how often these looks mislead or miss.
    """
    if not rows.height or cutoff is None:
        return ()
    rows = rows if rows["id"].is_sorted() else rows.sort("id")
    # The patients' ids only tell them apart: as numbers they do so sooner.
    rows = rows.with_columns(patient_id=pl.Series(numbered(rows["patient_id"])[0]))
    failures = int(rows["event"].sum())
    watched = _fit(rows) if failures >= min_failures else None
    seen = see(rows, tuple(c for c in ADJUST if c.name in rows.columns)) if watched else None
    funnel, colleagues = (
        beside_colleagues(seen, not_recorded=rows["provider_id"].null_count(), seed=seed) if seen else (None, {})
    )
    told = seen or watched
    return (
        Monitoring(
            outcome=outcome,
            teeth=rows.height,
            failures=failures,
            adjusted_for=told.used if told else (),
            left_out=told.left_out if told else (),
            funnel=funnel,
            running=_running(watched, seen, colleagues, cutoff=cutoff, seed=seed) if watched else (),
            first_year=first_year(rows, cutoff=cutoff, confidence=confidence),
            min_failures=min_failures,
        ),
    )


def _fit(rows: pl.DataFrame) -> Watched:
    made = design(rows, [c for c in ADJUST if c.name in rows.columns])
    days, event = rows["exit_days"].to_numpy(), rows["event"].to_numpy()
    score = np.ones(rows.height)
    used, left_out = made.used, made.left_out
    if made.names:
        try:
            fit = fit_cox(made.x, days, event, names=made.names, ties="breslow")
            if not fit.converged:
                raise CoxInputError("the model did not settle")
            score = np.exp((made.x - made.x.mean(axis=0)) @ fit.coef)
        except CoxInputError:
            left_out, used = (*left_out, *(f"{name} (the model could not be fitted)" for name in used)), ()
    return Watched(rows, score, used, left_out)


def _running(
    watched: Watched, seen: Seen | None, colleagues: Mapping[str, Sequence[str]], *, cutoff: dt.date, seed: int
) -> tuple[Running, ...]:
    """The whole practice, then each clinician with pace enough; their charts share the rate of one false signal."""
    dispersion = _together(watched.rows)
    whole = _year_by_year(watched, cutoff)
    parts = {name: _beside(seen, name, colleagues[name], cutoff) for name in sorted(colleagues)} if seen else {}
    parts = {name: mine for name, mine in parts.items() if 12 * _pace(mine.expected) >= MIN_PACE_A_YEAR}
    charts = [("all", whole, FALSE_ALARM_YEARS)] if whole is not None and _pace(whole.expected) > 0 else []
    charts += [(name, mine, FALSE_ALARM_YEARS * len(parts)) for name, mine in parts.items()]

    def drawn(chart: tuple[str, Months, float]) -> Running:
        name, months, false_alarm_years = chart
        return _chart(name, months, dispersion, false_alarm_years, seed)

    # Nearly all of the time goes into drawing random counts, which leaves other threads free; each chart has its own.
    with ThreadPoolExecutor() as threads:
        return tuple(threads.map(drawn, charts))


def _pace(expected: Floats) -> float:
    return float(expected[-RECENT_MONTHS:].mean())


def _year_by_year(watched: Watched, cutoff: dt.date) -> Months | None:
    """Each year against what all before it lead one to expect, up to the age to which enough were followed by then."""
    rows = watched.rows
    start = rows["start"].cast(pl.Int32).to_numpy().astype(np.int64)
    last, event = rows["exit_days"].to_numpy().astype(np.int64), rows["event"].to_numpy()
    first = rows["start"].min()
    assert isinstance(first, dt.date)
    observed, expected, firsts = [], [], []
    before = now = 0.0
    for year in range(first.year + 1, cutoff.year + 1):
        begin = _number(dt.date(year, 1, 1))
        by_then = np.minimum(last, begin - 1 - start)
        had = by_then >= 0
        failed = event & had & (last == by_then)
        now = float(failed.sum())
        if now < MIN_FAILURES:
            continue
        before = before or now
        hazard = breslow_hazard(by_then[had], failed[had], watched.score[had])
        oldest = np.sort(by_then[had])[-MIN_FOLLOWED]
        final = dt.date(year, cutoff.month if year == cutoff.year else 12, 1)
        months = _months(dt.date(year, 1, 1), final)
        here = (start < _number(months[-1])) & (start + np.minimum(last, oldest) >= begin)
        seen, due = by_month(
            start[here], np.minimum(last, oldest)[here], (event & (last <= oldest))[here], watched.score[here],
            hazard=hazard, firsts=months,
        )  # fmt: skip
        observed.append(seen)
        expected.append(due)
        firsts += months[:-1]
    if not firsts:
        return None
    firsts.append(_months(firsts[-1], firsts[-1])[-1])
    due = np.concatenate(expected)
    return Months(firsts, np.concatenate(observed), due, chance.Expectation(before, learns=True), now)


def _beside(seen: Seen, name: str, colleagues: Sequence[str], cutoff: dt.date) -> Months:
    """A clinician's months against what colleagues' teeth lead one to expect of theirs, of all years together."""
    mine = seen.code == seen.names.index(name)
    rows = seen.rows.filter(pl.Series(mine))
    ratio, hazard = colleagues_hazard(seen, name, colleagues)
    firsts = _months(rows["start"].min(), cutoff)
    observed, expected = by_month(
        rows["start"].cast(pl.Int32).to_numpy().astype(np.int64), rows["exit_days"].to_numpy(),
        rows["event"].to_numpy(), seen.score[mine], hazard=Hazard(seen.tally.days, np.cumsum(hazard)), firsts=firsts,
    )  # fmt: skip
    # What the error of the log ratio is more than that of the clinician's own failures is the error of the expectation.
    own = float(rows["event"].sum())
    unsure = 1 / ratio.information - 1 / own if ratio.information > 0 else 0.0
    theirs = float(seen.rows.filter(pl.col("provider_id").is_in(colleagues))["event"].sum())
    rests_on = max(0.5, (1 / unsure if unsure > 1e-9 else theirs) / seen.dispersion)
    return Months(firsts, observed, expected, chance.Expectation(rests_on, learns=False), rests_on)


def by_month(
    start: NDArray[np.int64],
    last: NDArray[np.int64],
    event: NDArray[np.bool_],
    score: Floats,
    *,
    hazard: Hazard,
    firsts: Sequence[dt.date],
) -> tuple[Floats, Floats]:
    """Failures seen and expected of teeth in each calendar month; `firsts` has one day more than months.

    `start` are days since 1970, `last` days on the clock until the tooth left.
    """
    edges = np.array([_number(day) for day in firsts])
    seen = np.histogram((start + last)[event], bins=[*edges[:-1], edges[-1]])[0].astype(np.float64)
    if not len(start):
        return seen, np.zeros(len(seen))
    # The hazard up to the eve of each month's first day. A tooth that has left by then has all of its own; those that
    # began on one day and are still followed have the same, so that only the sum of their scores counts. Sums are taken
    # in an order of the teeth's own.
    left = np.searchsorted(edges - 1, start + last, side="left")
    order = np.lexsort((score, last, start, left))
    left, start, last, score = left[order], start[order], last[order], score[order]
    begun, place = np.unique(start, return_inverse=True)
    by_age = hazard.until(np.arange(-1, int(np.max(edges - begun[0], initial=0)) + 1))
    gone = np.cumsum(np.bincount(left, score * hazard.until(last), minlength=len(edges) + 1))
    still, total = np.zeros(len(begun)), np.zeros(len(edges))
    bounds = np.searchsorted(left, np.arange(len(edges) + 2))
    for month in range(len(edges) - 1, -1, -1):
        later = slice(bounds[month + 1], bounds[month + 2])
        still += np.bincount(place[later], score[later], minlength=len(begun))
        total[month] = gone[month] + still @ by_age[np.maximum(edges[month] - 1 - begun, -1) + 1]
    return seen, np.maximum(np.diff(total), 0.0)


def _together(rows: pl.DataFrame) -> float:
    """How much failures of one patient in one month add to the spread: mean size of such a clump, by failure."""
    failed = rows.filter(pl.col("event")).select(
        "patient_id", month=(pl.col("start") + pl.duration(days=pl.col("exit_days"))).dt.truncate("1mo")
    )
    sizes = failed.group_by("patient_id", "month").len()["len"].to_numpy().astype(np.int64)
    return float((sizes**2).sum() / sizes.sum())


def _chart(name: str, found: Months, dispersion: float, false_alarm_years: float, seed: int) -> Running:
    begin = int(np.argmax(found.expected > 0))
    observed, expected, months = found.observed[begin:], found.expected[begin:], found.firsts[begin:-1]
    pace = _pace(expected)
    set_to = chance.design(
        expected, ratio=RATIO, false_signals=len(expected) / (12 * false_alarm_years), rests_on=found.rests_on,
        year_starts=[i for i, m in enumerate(months) if m.month == 1], dispersion=dispersion, seed=seed,
    )  # fmt: skip
    chart = chance.cusum(observed, expected, ratio=RATIO, threshold=set_to.threshold)
    gaps = np.cumsum(expected - observed)
    return Running(
        name=name,
        months=tuple(
            RunningMonth(f"{m:%Y-%m}", int(o), float(e), float(g), float(c), place in chart.signals)
            for place, (m, o, e, g, c) in enumerate(zip(months, observed, expected, gaps, chart.value, strict=True))
        ),
        pace_a_year=12 * pace,
        ratio=RATIO,
        threshold=set_to.threshold,
        false_alarm_years=false_alarm_years,
        delay_months=chance.delay(
            pace, ratio=RATIO, threshold=set_to.threshold, dispersion=dispersion, seed=seed,
            rests_on=chance.Expectation(found.at_the_end, learns=False),
        ),
        chance_in_span=set_to.chance_of_any,
        dispersion=dispersion,
        rests_on=found.at_the_end,
    )  # fmt: skip


def _number(day: dt.date) -> int:
    return (day - dt.date(1970, 1, 1)).days


def _months(first: object, cutoff: dt.date) -> list[dt.date]:
    """First days of the months from that of `first` to the one after the cutoff's."""
    assert isinstance(first, dt.date)
    begin = 12 * first.year + first.month - 1
    return [dt.date(n // 12, n % 12 + 1, 1) for n in range(begin, 12 * cutoff.year + cutoff.month + 1)]
