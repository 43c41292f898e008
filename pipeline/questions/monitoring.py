"""Watching the practice: clinicians against what is expected of their teeth, and failures month by month.

What is expected comes from a Cox model of the whole practice: its own failures, by the teeth's age on the clock and by
what was known of tooth and patient when the clock started. Neither clinician, clinic nor calendar time is in the model,
since these are what is watched. Expected failures add up to the observed ones over the whole practice, so that
clinicians are held against one another and the months against one another; whether the practice as a whole does well
is no matter of these charts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.covariates import Covariate, Levels, Numeric, design
from pipeline.questions.crown_rows import crown_rows, was_followed
from pipeline.questions.first_year import first_year
from pipeline.results import DAYS_PER_YEAR
from pipeline.results_monitoring import Funnel, FunnelLimit, FunnelRow, Monitoring, Running, RunningMonth
from pipeline.stats import funnel as chance
from pipeline.stats.cox import CoxInputError, fit_cox
from pipeline.stats.cusum import chance_of_signal, cusum, design_threshold, mean_run_length
from pipeline.stats.expected import Floats, Hazard, breslow_hazard
from pipeline.stats.spells import numbered

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
MIN_FAILURES = 20  # of the whole practice; with fewer, nothing is worth expecting
MIN_EXPECTED = 5.0  # of one clinician: from about 4 on, none at all would lie below the 95 % limit
MIN_CLINICIANS = 10  # before the spread between clinicians can itself be estimated
RATIO = 2.0
FALSE_ALARM_YEARS = 20.0
RECENT_MONTHS = 24
MIN_PACE_A_YEAR = 2.0  # of one clinician, for a chart of their own: with fewer, a doubling takes years to show
INSIDE, ALARM = 0.95, 0.998
WINSORISED = 0.1


@dataclass(frozen=True, eq=False)
class Watched:
    """Teeth on their clock (`start, exit_days, event`) with their relative hazards and the baseline."""

    rows: pl.DataFrame
    score: Floats
    hazard: Hazard
    used: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def expected(self) -> Floats:
        """Expected failures of each tooth over its whole follow-up."""
        found: Floats = self.score * self.hazard.until(self.rows["exit_days"].to_numpy())
        return found


def crowns_to_watch(crowns: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """Crowns seated here and followed from their seat: one row a crown, `event` is failure of the crown."""
    known = crowns.filter(pl.col("entry_date") <= pl.col("seat_date"))
    return (
        crown_rows(known, patients)
        .filter(was_followed())
        .select(
            "patient_id", "provider_id", "tooth_group", "material", "sex", "smoker", "diabetes", "bruxism", "exit_days",
            id="crown_id", start="seat_date", event="failure", age="age_at_seat",
            root_filled=(pl.col("endo_timing") == "before_seat").fill_null(False),
        )
    )  # fmt: skip


def root_canals_to_watch(courses: pl.DataFrame, patients: pl.DataFrame) -> pl.DataFrame:
    """Completed courses: one row a course, `event` is the first retreatment, surgery, resection or extraction."""
    born = pl.coalesce("birth_date", pl.date(pl.col("birth_year"), 7, 1))
    people = patients.select("patient_id", "sex", "smoker", "diabetes", "bruxism", born=born)
    day = pl.col("completed")
    return (
        courses.filter(day.is_not_null())
        .join(people, on="patient_id", how="left", maintain_order="left")
        .with_columns(
            exit_days=(pl.col("exit_date") - day).dt.total_days(),
            age=(day - pl.col("born")).dt.total_days() / DAYS_PER_YEAR
        )
        .filter(pl.col("exit_days") >= 0)
        .select(
            "patient_id", "provider_id", "tooth_group", "kind", "crown_at_start", "sex", "smoker", "diabetes",
            "bruxism", "exit_days", "age", id="course_id", start="completed", event="failure",
        )
        .sort("id")
    )  # fmt: skip


def watch(
    rows: pl.DataFrame,
    *,
    outcome: str,
    cutoff: dt.date | None,
    confidence: float = 0.95,
    min_failures: int = MIN_FAILURES,
) -> tuple[Monitoring, ...]:
    """Funnel, running totals and first-year failures of one outcome; nothing at all without a row or a cutoff.

    `rows` as `crowns_to_watch` or `root_canals_to_watch` make them; the order of the rows does not matter. With fewer
    than `min_failures` failures there is neither funnel nor running total.
    """
    if not rows.height or cutoff is None:
        return ()
    rows = rows if rows["id"].is_sorted() else rows.sort("id")
    # The patients' ids only tell them apart: as numbers they do so sooner.
    rows = rows.with_columns(patient_id=pl.Series(numbered(rows["patient_id"])[0]))
    failures = int(rows["event"].sum())
    watched = _fit(rows) if failures >= min_failures else None
    return (
        Monitoring(
            outcome=outcome,
            teeth=rows.height,
            failures=failures,
            adjusted_for=watched.used if watched else (),
            left_out=watched.left_out if watched else (),
            funnel=_funnel(watched) if watched else None,
            running=_running(watched, cutoff) if watched else (),
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
    return Watched(rows, score, breslow_hazard(days, event, score), used, left_out)


def _funnel(watched: Watched) -> Funnel | None:
    teeth = watched.rows.with_columns(expected=watched.expected)
    found = (
        teeth.filter(pl.col("provider_id").is_not_null())
        .group_by("provider_id")
        .agg(
            pl.len(),
            pl.col("patient_id").n_unique().alias("patients"),
            pl.col("exit_days").sum(),
            pl.col("event").sum(),
            pl.col("expected").sort().sum(),
        )
        .sort("provider_id")
    )
    if not found.height:
        return None
    within = chance.pooled_dispersion(*_by_patient(teeth))
    enough = found.filter(pl.col("expected") >= MIN_EXPECTED)
    between = _between(enough) if enough.height >= MIN_CLINICIANS else 1.0
    dispersion = max(within, between)
    rows = tuple(_clinician(row, dispersion) for row in found.iter_rows(named=True))
    judged = sum(row.standing != "too_few" for row in rows)
    return Funnel(
        rows=rows,
        limits=_limits(max(row.expected for row in rows), dispersion),
        not_recorded=teeth["provider_id"].null_count(),
        min_expected=MIN_EXPECTED,
        dispersion=dispersion,
        dispersion_from="clinicians" if between > within else "patients",
        judged=judged,
        by_chance=1 - INSIDE**judged,
    )


def _by_patient(teeth: pl.DataFrame) -> tuple[Floats, Floats]:
    """Observed less expected failures of each patient, and the expected ones, summed in an order of their own."""
    patient, expected = numbered(teeth["patient_id"])[0], teeth["expected"].to_numpy()
    order = np.argsort(expected, kind="stable")
    sums: Floats = np.bincount(patient[order], expected[order]).astype(np.float64)
    gaps: Floats = np.bincount(patient, teeth["event"].to_numpy()) - sums
    return gaps, sums


def _clinician(row: dict[str, object], dispersion: float) -> FunnelRow:
    observed, expected = int(str(row["event"])), float(str(row["expected"]))
    judged = expected >= MIN_EXPECTED
    notice = chance.chance_to_notice(expected, times=2.0, coverage=INSIDE, dispersion=dispersion) if judged else None
    return FunnelRow(
        name=str(row["provider_id"]),
        teeth=int(str(row["len"])),
        patients=int(str(row["patients"])),
        tooth_years=float(str(row["exit_days"])) / DAYS_PER_YEAR,
        observed=observed,
        expected=expected,
        ratio=observed / expected if expected > 0 else None,
        standing=standing(observed, expected, dispersion) if judged else "too_few",
        notice_95=notice,
    )


def standing(observed: int, expected: float, dispersion: float) -> str:
    """Where a count stands: within, or more or fewer than the 95 % or 99.8 % limits allow."""
    fewer, more = chance.tails(observed, expected, dispersion=dispersion)
    for coverage, name in ((ALARM, "99_8"), (INSIDE, "95")):
        if more < (1 - coverage) / 2:
            return f"more_{name}"
        if fewer < (1 - coverage) / 2:
            return f"fewer_{name}"
    return "within"


def _between(found: pl.DataFrame) -> float:
    """Spread between clinicians over chance alone, with the outermost tenth drawn in [Spiegelhalter 2005]."""
    expected = found["expected"].to_numpy()
    z = np.sort((found["event"].to_numpy() - expected) / np.sqrt(expected))
    z = np.clip(z, np.quantile(z, WINSORISED), np.quantile(z, 1 - WINSORISED))
    return max(1.0, float(np.mean(z**2)))


def _limits(most: float, dispersion: float) -> tuple[FunnelLimit, ...]:
    expected = np.geomspace(0.5, max(most * 1.15, MIN_EXPECTED * 1.5), 60)
    low, high = chance.limits(expected, coverage=INSIDE, dispersion=dispersion)
    lowest, highest = chance.limits(expected, coverage=ALARM, dispersion=dispersion)
    return tuple(
        FunnelLimit(*(float(v) for v in row)) for row in zip(expected, low, high, lowest, highest, strict=True)
    )


def _running(watched: Watched, cutoff: dt.date) -> tuple[Running, ...]:
    """The whole practice, then each clinician with pace enough; their charts share the rate of one false signal."""
    firsts = _months(watched.rows["start"].min(), cutoff)
    dispersion = _together(watched.rows)
    whole = by_month(watched, np.ones(watched.rows.height, dtype=bool), firsts)
    parts = {}
    for name in watched.rows["provider_id"].drop_nulls().unique().sort():
        mine = by_month(watched, (watched.rows["provider_id"] == name).fill_null(False).to_numpy(), firsts)
        if 12 * _pace(mine[1]) >= MIN_PACE_A_YEAR:
            parts[str(name)] = mine
    charts = [("all", whole, FALSE_ALARM_YEARS)] if _pace(whole[1]) > 0 else []
    charts += [(name, mine, FALSE_ALARM_YEARS * len(parts)) for name, mine in parts.items()]

    def drawn(chart: tuple[str, tuple[Floats, Floats], float]) -> Running:
        name, counts, false_alarm_years = chart
        return _chart(name, firsts, counts, dispersion, false_alarm_years)

    # Nearly all of the time goes into drawing random counts, which leaves other threads free; each chart has its own.
    with ThreadPoolExecutor() as threads:
        return tuple(threads.map(drawn, charts))


def _pace(expected: Floats) -> float:
    return float(expected[-RECENT_MONTHS:].mean())


def by_month(watched: Watched, mine: NDArray[np.bool_], firsts: Sequence[dt.date]) -> tuple[Floats, Floats]:
    """Failures seen and expected of some of the teeth in each calendar month; `firsts` has one day more than months."""
    start = watched.rows["start"].cast(pl.Int32).to_numpy().astype(np.int64)[mine]
    last, score = watched.rows["exit_days"].to_numpy()[mine], watched.score[mine]
    event = watched.rows["event"].to_numpy()[mine]
    edges = np.array([(day - dt.date(1970, 1, 1)).days for day in firsts])
    seen = np.histogram((start + last)[event], bins=[*edges[:-1], edges[-1]])[0].astype(np.float64)
    # The hazard up to the eve of each month's first day. A tooth that has left by then has all of its own; those that
    # began on one day and are still followed have the same, so that only the sum of their scores counts. Sums are taken
    # in an order of the teeth's own.
    left = np.searchsorted(edges - 1, start + last, side="left")
    order = np.lexsort((score, last, start, left))
    left, start, last, score = left[order], start[order], last[order], score[order]
    begun, place = np.unique(start, return_inverse=True)
    by_age = watched.hazard.until(np.arange(-1, int(np.max(edges - begun[0], initial=0)) + 1))
    gone = np.cumsum(np.bincount(left, score * watched.hazard.until(last), minlength=len(edges) + 1))
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


def _chart(
    name: str, firsts: Sequence[dt.date], counts: tuple[Floats, Floats], dispersion: float, false_alarm_years: float
) -> Running:
    observed, expected = counts
    pace = _pace(expected)
    begin = int(np.argmax(expected > 0))
    observed, expected, months = observed[begin:], expected[begin:], firsts[begin:-1]
    threshold = design_threshold(pace, ratio=RATIO, mean_run=12 * false_alarm_years, dispersion=dispersion)
    chart = cusum(observed, expected, ratio=RATIO, threshold=threshold)
    gaps = np.cumsum(expected - observed)
    return Running(
        name=name,
        months=tuple(
            RunningMonth(f"{m:%Y-%m}", int(o), float(e), float(g), float(c), place in chart.signals)
            for place, (m, o, e, g, c) in enumerate(zip(months, observed, expected, gaps, chart.value, strict=True))
        ),
        pace_a_year=12 * pace,
        ratio=RATIO,
        threshold=threshold,
        false_alarm_years=false_alarm_years,
        delay_months=mean_run_length(pace, ratio=RATIO, threshold=threshold, times=RATIO, dispersion=dispersion),
        chance_in_span=chance_of_signal(expected.tolist(), ratio=RATIO, threshold=threshold, dispersion=dispersion),
        dispersion=dispersion,
    )


def _months(first: object, cutoff: dt.date) -> list[dt.date]:
    """First days of the months from that of `first` to the one after the cutoff's."""
    assert isinstance(first, dt.date)
    begin = 12 * first.year + first.month - 1
    return [dt.date(n // 12, n % 12 + 1, 1) for n in range(begin, 12 * cutoff.year + cutoff.month + 1)]
