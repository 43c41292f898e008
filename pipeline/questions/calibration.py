"""How the comparison did on invented practices whose truth is known: the shipped table and a sentence on it.

The table is made by `python -m tests.calibration` in the project's source; see tests/calibration/README.md.
"""

import math
import typing
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from pipeline.machine.data_tables import data_rows

CONFIDENCE = 0.95
# A setting falls short when its coverage lies further below the confidence than this many standard errors of a share
# from so many practices: chance alone seldom does that to one of ten settings.
ERRORS_BELOW = 3.0
# Share of false verdicts above which a setting is named.
ALARMING = 0.10


@dataclass(frozen=True)
class CalibrationRow:
    """One setting at one size, `crowns` a practice; shares lie between 0 and 1, `*_mc_error` is the standard error.

    The ratio is the adjusted hazard ratio (logarithm), opened against root canal before the seat; the difference the
    adjusted one, in failures per 100 by its horizon. Bias and coverage are over practices with an estimate
    (`*_estimated`), power is the share of all whose interval left out no effect. `log_hr_truth` holds for one and the
    same crown; it is NaN, as are bias and coverage, where no one ratio is true. `log_hr_all_patients` is what very
    large practices without faults show: nearer to none where patients differ in ways not recorded. `difference_truth`
    is over all patients, the mean over practices.

    `too_early` to `cannot_tell` are shares of verdicts. False alarms: `false_differs`, a difference claimed where there
    is none or of the wrong sign; `false_little_difference`, one wrongly called smaller than what matters;
    `false_alarm_rate`, either. `since_opening_false_differs` is measured where opening does nothing and NaN elsewhere.
    """

    setting: str
    about: str
    practices: int
    crowns: int
    failures_opened: float
    failures_before: float
    log_hr_truth: float
    log_hr_estimated: int
    log_hr_bias: float
    log_hr_bias_mc_error: float
    log_hr_coverage: float
    log_hr_power: float
    log_hr_all_patients: float
    log_hr_all_patients_mc_error: float
    log_hr_bias_all_patients: float
    log_hr_coverage_all_patients: float
    difference_truth: float
    difference_estimated: int
    difference_bias: float
    difference_bias_mc_error: float
    difference_coverage: float
    difference_coverage_mc_error: float
    difference_power: float
    too_early: float
    little_difference: float
    differs: float
    cannot_tell: float
    since_opening_false_differs: float
    false_differs: float
    false_little_difference: float
    false_alarm_rate: float
    date: str
    seed: int


def calibration_rows() -> list[CalibrationRow]:
    """The table of the last full calibration: a row for each setting and size, in the order of the settings."""
    kinds = typing.get_type_hints(CalibrationRow)
    lines = data_rows("calibration")
    return [CalibrationRow(**{name: kinds[name](value) for name, value in line.items()}) for line in lines]


def calibration_sentence(rows: Sequence[CalibrationRow], crowns: int | None = None) -> str:
    """The table in a few sentences, every number from its rows of the size nearest to a practice of so many crowns.

    Without `crowns` of the largest size. Coverage is that of the adjusted difference, on which the verdict stands.
    Settings in which it falls short, or in which more than `ALARMING` of the verdicts were false, are named.
    """
    size = nearest_size({r.crowns for r in rows}, crowns)
    told = [r for r in rows if r.crowns == size]
    practices = sum(r.practices for r in told)
    poor = [r for r in told if r.difference_estimated and falls_short(r)]
    none = [r for r in told if not r.difference_estimated]
    good = [r.difference_coverage for r in told if r not in poor and r not in none]
    about = f"{size:,} crowns each" + ("" if crowns is None else ", the size nearest to this practice's")
    held = [f"held the truth in {_range(good)} of 100"] if good else []
    if poor:
        held.append(f"held it in too few where {_named(poor, 'difference_coverage')}")
    if none:
        held.append(f"could not be given where {_listed(r.about for r in none)}")
    early = [r.too_early for r in told]
    alarms = sorted((r for r in told if r.false_alarm_rate > ALARMING), key=lambda r: -r.false_alarm_rate)
    others = [r.false_alarm_rate for r in told if r not in alarms]
    false = [f"in at most {100 * max(others):.1f} of 100"] if others else []
    if alarms:
        more = _named(alarms, "false_alarm_rate")
        false = [f"{false[0]}, and in more where {more}"] if false else [f"too often: where {more}"]
    return (
        f"On {practices:,} invented practices of {about}, in {len(told)} settings (made {told[0].date}, seed "
        f"{told[0].seed}), the 95% range of the adjusted difference {_listed(held)}; it was too early for a verdict in "
        f"{_range(early)} of 100. A verdict claimed what was not so {_listed(false)}."
    )


def nearest_size(sizes: Collection[int], crowns: int | None) -> int:
    """The size, as a ratio, nearest to so many crowns; the larger of two as near, the largest without a number."""
    if crowns is None:
        return max(sizes)
    return min(sizes, key=lambda size: (abs(math.log(size / max(crowns, 1))), -size))


def falls_short(row: CalibrationRow) -> bool:
    """Whether the adjusted difference holds the truth too seldom, beyond chance; also where it was never given."""
    error = math.sqrt(CONFIDENCE * (1 - CONFIDENCE) / max(row.difference_estimated, 1))
    return not row.difference_coverage >= CONFIDENCE - ERRORS_BELOW * error


def _named(rows: Sequence[CalibrationRow], figure: str) -> str:
    return _listed(f"{r.about} ({100 * getattr(r, figure):.0f} of 100)" for r in rows)


def _listed(parts: Iterable[str]) -> str:
    *most, last = parts
    return f"{', '.join(most)} and {last}" if most else last


def _range(shares: Sequence[float]) -> str:
    low, high = (f"{100 * share:.0f}" for share in (min(shares), max(shares)))
    return low if low == high else f"{low} to {high}"
