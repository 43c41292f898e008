"""Runs the comparison on many invented practices and sums up how often it was right.

The functions that answer a practice's own question are run as they are: `compare_since_seat` (and, where opening does
nothing, `compare_since_opening`) on a `crowns` and a `patients` table. A result depends on the seed alone, not on the
number of processes or the order of their work.
"""

from __future__ import annotations

import concurrent.futures
import contextlib
import csv
import dataclasses
import datetime as dt
import math
import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.questions.calibration import CalibrationRow
from pipeline.questions.crown_after_opening import compare_since_opening
from pipeline.questions.crown_longevity import Analysis, compare_since_seat
from pipeline.questions.groups import days_of
from pipeline.results import Comparison
from tests.calibration.simulate_settings import (
    BY_NAME,
    Setting,
    crowns_table,
    patients_table,
    practice_seed,
    simulate,
    true_difference,
)

ANALYSIS = Analysis()
CONTRAST = "through_crown vs before_seat"
VERDICTS = ("too_early", "little_difference", "differs", "cannot_tell")
# One thread a process: the processes share the cores already, and a worker should not reckon otherwise than the rest.
ONE_THREAD = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")
# Practice numbers from here on are the large ones that show the truth over all patients, never among those judged.
LARGE = 1_000_000


@dataclass(frozen=True)
class Plan:
    """How much to run: so many practices of each size and setting.

    `large_crowns` and `large_practices`: what the truth over all patients is taken from, once a setting.
    """

    practices: int = 200
    sizes: tuple[int, ...] = (300, 500, 1000, 2000, 4000)
    large_crowns: int = 100_000
    large_practices: int = 2
    seed: int = 20261101


@dataclass(frozen=True)
class Found:
    """What one practice was told. NaN where there was no estimate.

    `per_100, low, high` are the adjusted difference, from one day to another after the seat; `claimed` is the one that
    the verdict stands on, adjusted or not. `since_opening` is the verdict on the clock since the opening.
    """

    log_hr: float
    log_low: float
    log_high: float
    per_100: float
    low: float
    high: float
    claimed: float
    from_day: int
    to_day: int
    verdict: str
    since_opening: str
    failures_opened: int
    failures_before: int


@dataclass(frozen=True)
class Task:
    """One practice to run."""

    setting: str
    practice: int
    crowns: int
    seed: int
    as_recorded: bool


def calibrate(
    settings: Sequence[Setting], plan: Plan, *, workers: int, date: dt.date, say: Callable[[str], None]
) -> list[CalibrationRow]:
    """Run every setting, a row for each size of practice."""
    rows = []
    with _pool(workers) as run:
        for setting in settings:
            large = [f.log_hr for f in run(_large(setting, plan))]
            for crowns in plan.sizes:
                found = list(run(_tasks(setting, plan, crowns)))
                rows.append(summarise(setting, plan, found, large, crowns=crowns, date=date))
                say(_progress(rows[-1]))
    return rows


def run_practice(task: Task) -> Found:
    """Simulate one practice and answer its main question; where opening does nothing, also since the opening."""
    setting = BY_NAME[task.setting]
    seed = practice_seed(setting, task.seed, task.practice, task.crowns)
    frame = simulate(setting, crowns=task.crowns, seed=seed, as_recorded=task.as_recorded)
    tables = crowns_table(frame), patients_table(frame)
    since = compare_since_opening(*tables, ANALYSIS).verdict.code if setting.is_null and task.as_recorded else ""
    return _found(compare_since_seat(*tables, ANALYSIS), since)


def summarise(
    setting: Setting, plan: Plan, found: Sequence[Found], large: Sequence[float], *, crowns: int, date: dt.date
) -> CalibrationRow:
    """Bias, coverage, power and false alarms of one setting; `large` are log ratios of the large practices."""
    truth = true_difference(
        setting, crowns=plan.large_crowns, seed=practice_seed(setting, plan.seed, LARGE - 1, plan.large_crowns)
    )
    true_per_100 = np.array([truth(f.from_day, f.to_day) for f in found])
    ratio = _column(found, "log_hr", "log_low", "log_high")
    difference = _column(found, "per_100", "low", "high")
    overall = float(np.mean(large)) if large else math.nan
    judged = np.isfinite(difference[0])
    false_differs, false_little = _false_alarms(found, true_per_100, is_null=setting.is_null)
    coverage = _coverage(difference, true_per_100)
    return CalibrationRow(
        setting=setting.name,
        about=setting.about,
        practices=len(found),
        crowns=crowns,
        failures_opened=_mean([f.failures_opened for f in found]),
        failures_before=_mean([f.failures_before for f in found]),
        log_hr_truth=setting.log_hr,
        log_hr_estimated=int(np.isfinite(ratio[0]).sum()),
        log_hr_bias=_known_mean(ratio[0] - setting.log_hr),
        log_hr_bias_mc_error=_mean_error(ratio[0]),
        log_hr_coverage=_coverage(ratio, setting.log_hr),
        log_hr_power=_excludes_none(ratio),
        log_hr_all_patients=overall,
        log_hr_all_patients_mc_error=_mean_error(np.array(large)),
        log_hr_bias_all_patients=_known_mean(ratio[0]) - overall,
        log_hr_coverage_all_patients=_coverage(ratio, overall),
        difference_truth=float(np.mean(true_per_100[judged])) if judged.any() else math.nan,
        difference_estimated=int(judged.sum()),
        difference_bias=_known_mean(difference[0] - true_per_100),
        difference_bias_mc_error=_mean_error(difference[0] - true_per_100),
        difference_coverage=coverage,
        difference_coverage_mc_error=math.sqrt(coverage * (1 - coverage) / max(int(judged.sum()), 1)),
        difference_power=_excludes_none(difference),
        **{code: _mean([f.verdict == code for f in found]) for code in VERDICTS},
        since_opening_false_differs=(
            _mean([f.since_opening == "differs" for f in found]) if setting.is_null else math.nan
        ),
        false_differs=_mean(false_differs),
        false_little_difference=_mean(false_little),
        false_alarm_rate=_mean(false_differs | false_little),
        date=date.isoformat(),
        seed=plan.seed,
    )


def write_table(rows: Iterable[CalibrationRow], path: Path) -> None:
    """Write the table that `pipeline.questions.calibration` reads; numbers to five digits."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow([f.name for f in dataclasses.fields(CalibrationRow)])
        for row in rows:
            values = dataclasses.astuple(row)
            writer.writerow([f"{v:.5g}" if isinstance(v, float) else v for v in values])


def _tasks(setting: Setting, plan: Plan, crowns: int) -> list[Task]:
    return [Task(setting.name, i, crowns, plan.seed, as_recorded=True) for i in range(plan.practices)]


def _large(setting: Setting, plan: Plan) -> list[Task]:
    places = range(LARGE, LARGE + plan.large_practices)
    return [Task(setting.name, i, plan.large_crowns, plan.seed, as_recorded=False) for i in places]


@contextlib.contextmanager
def _pool(workers: int) -> Iterator[Callable[[Sequence[Task]], Iterator[Found]]]:
    # Runs tasks in this process, or in `workers` processes; results come in the order of the tasks.
    if workers == 1:
        yield lambda tasks: map(run_practice, tasks)
        return
    for name in ONE_THREAD:
        os.environ.setdefault(name, "1")
    spawn = multiprocessing.get_context("spawn")
    with concurrent.futures.ProcessPoolExecutor(workers, mp_context=spawn) as executor:
        yield lambda tasks: executor.map(run_practice, tasks, chunksize=max(1, min(10, len(tasks) // 4)))


def _found(comparison: Comparison, since_opening: str) -> Found:
    ratio = [e for e in comparison.estimates if e.contrast == CONTRAST and e.adjusted_for]
    ratios = (ratio[0].hazard_ratio, ratio[0].ci_low, ratio[0].ci_high) if ratio else (math.nan,) * 3
    d = comparison.difference
    adjusted = d if d is not None and d.method.startswith("adjusted") else None
    limits = (adjusted.per_100, adjusted.ci_low, adjusted.ci_high) if adjusted else (math.nan,) * 3
    failures = {g.name: g.failures for g in comparison.groups}
    return Found(
        *map(math.log, ratios),
        *limits,
        claimed=d.per_100 if d else math.nan,
        from_day=d.from_days if d else 0,
        to_day=days_of(d.years if d else ANALYSIS.horizon_years),
        verdict=comparison.verdict.code,
        since_opening=since_opening,
        failures_opened=failures.get("through_crown", 0),
        failures_before=failures.get("before_seat", 0),
    )


def _false_alarms(
    found: Sequence[Found], true_per_100: NDArray[np.float64], *, is_null: bool
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    # Verdicts without a claim (too early, cannot tell) cannot be false.
    verdict = np.array([f.verdict for f in found])
    claimed = np.array([f.claimed for f in found])
    wrong_sign = np.ones(len(found), dtype=np.bool_) if is_null else np.sign(claimed) != np.sign(true_per_100)
    beyond = np.abs(true_per_100) >= ANALYSIS.smallest_difference_per_100
    return (verdict == "differs") & wrong_sign, (verdict == "little_difference") & beyond


def _column(found: Sequence[Found], *names: str) -> NDArray[np.float64]:
    return np.array([[getattr(f, name) for f in found] for name in names])


def _coverage(estimates: NDArray[np.float64], truth: float | NDArray[np.float64]) -> float:
    """The share of estimates whose limits hold the truth; NaN without an estimate or a truth."""
    held = (estimates[1] <= truth) & (truth <= estimates[2])
    known = np.isfinite(estimates[0]) & np.isfinite(truth)
    return float(held[known].mean()) if known.any() else math.nan


def _excludes_none(estimates: NDArray[np.float64]) -> float:
    return float(np.mean((estimates[1] > 0) | (estimates[2] < 0)))


def _mean(values: Iterable[float]) -> float:
    return float(np.mean(np.fromiter(values, dtype=np.float64)))


def _known_mean(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else math.nan


def _mean_error(values: NDArray[np.float64]) -> float:
    known = values[np.isfinite(values)]
    return float(known.std(ddof=1) / math.sqrt(known.size)) if known.size > 1 else math.nan


def _progress(row: CalibrationRow) -> str:
    return (
        f"{row.setting}, {row.crowns:,} crowns: {row.practices} practices, "
        f"difference off by {row.difference_bias:+.2f} per 100, covered {row.difference_coverage:.3f}, "
        f"log ratio off by {row.log_hr_bias:+.3f}, covered {row.log_hr_coverage:.3f}, "
        f"too early {row.too_early:.3f}, false alarms {row.false_alarm_rate:.3f}"
    )
