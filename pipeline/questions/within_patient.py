"""Does the difference show within the same patients? A check on what the crowns of one patient share.

Frail patients may lose crowns sooner and have them opened more often; nothing that is recorded need tell. A Cox model
with a baseline hazard for each patient compares crowns of one patient with one another alone, so that whatever they
share (frailty, habits, care, hygiene) drops out [Holt 1974]. It sees only the patients whose crowns are in different
states when one of them fails, and so is far less certain than the comparison of all: it is a check and never the
answer. A claim needs that it bears out the ratio of all patients, which takes two things:

- it lies nearer to that ratio than to none, on the scale of logarithms, so that what patients share made less than half
  of it;
- it lies on that side of none by `ERRORS_FROM_NONE` of its own standard errors. If what patients share made the whole
  difference, the ratio within patients is none but for chance, and chance takes it so far in 16 of 100 practices (a few
  more among those with a claim, since the two ratios share their failures), however large the practice and however much
  is shared. The first rule alone lets more pass, the less certain the check is.

Where too few patients tell, there is no check, and a claim stands without one.
"""

import math
from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.results import Estimate
from pipeline.results.steady import WithinPatient
from pipeline.stats.cox import Contrast, CoxInputError, fit_cox

# With fewer failures in the patients that it sees, no ratio is given.
MIN_FAILURES = 5
# So many of its own standard errors the ratio within patients must lie from none to bear out a claim.
ERRORS_FROM_NONE = 1.0


def compare_within_patients(
    spells: pl.DataFrame, contrast: tuple[str, str], states: Sequence[str], main: Estimate | None, *, confidence: float
) -> WithinPatient:
    """The ratio of `contrast` within patients, held against `main`, the adjusted ratio of all.

    `spells` as for the main model: `state, entry_days, exit_days, event, patient_id`. `states` are all that a crown can
    be in; a third one helps, since each of the two is compared with it within its own patients.
    """
    group, reference = contrast
    telling = pl.col("event").any() & (pl.col("state").n_unique() > 1)
    rows = spells.filter(pl.col("state").is_in(list(states)), pl.col("exit_days") >= pl.col("entry_days"))
    rows = rows.filter(telling.over("patient_id")).with_columns(
        # A crown is at risk on the day on which it begins at 0.
        entry_days=pl.when(pl.col("entry_days") <= 0).then(-1).otherwise("entry_days")
    )
    counts = _counts(rows)
    name = f"{group} vs {reference}"
    few = WithinPatient(
        name, None, None, None, *counts, None, "Too few patients have crowns of both kinds to compare within patients."
    )
    failed = set(rows.filter(pl.col("event"))["state"])
    if counts[1] < MIN_FAILURES or not {group, reference} <= failed:
        return few
    others = [s for s in states if s in failed and s != reference]
    x = np.column_stack([(rows["state"] == s).cast(pl.Float64).to_numpy() for s in others])
    try:
        fit = fit_cox(
            x,
            rows["exit_days"],
            rows["event"],
            names=others,
            entry_days=rows["entry_days"],
            strata=rows["patient_id"].rank("dense").cast(pl.Int64),
        )
    except CoxInputError:
        return few
    log = fit.contrast({group: 1.0}, confidence=confidence)
    if not np.isfinite(log.se):
        return few
    ratio, low, high = (float(np.exp(v)) for v in (log.estimate, log.low, log.high))
    agrees = None if main is None else bears_out(log, main)
    patients = f"{counts[0]:,} patient{'s' if counts[0] != 1 else ''}"
    told = f"Within the same patients: ratio {ratio:.1f} ({low:.1f} to {high:.1f}), from {patients}."
    if agrees is False and main is not None:
        nearer = _is_nearer(log, main)
        told += (
            f" This {'is too uncertain to bear out' if nearer else 'disagrees with'} the ratio of all patients, "
            f"{main.hazard_ratio:.1f}: something that a patient's crowns share may account for it."
        )
    return WithinPatient(name, ratio, low, high, *counts, agrees, told)


def bears_out(within: Contrast, main: Estimate) -> bool:
    """Whether the check bears out the ratio of all patients; `within` is the log ratio within patients.

    Where that claims something (its range leaves out 1): it lies nearer to that ratio than to none, and as many of its
    errors from none as it must. Else: its own range holds that ratio.
    """
    if main.ci_low <= 1 <= main.ci_high:
        return within.low <= math.log(main.hazard_ratio) <= within.high
    return _is_nearer(within, main) and abs(within.estimate) >= ERRORS_FROM_NONE * within.se


def _is_nearer(within: Contrast, main: Estimate) -> bool:
    return abs(within.estimate - math.log(main.hazard_ratio)) <= abs(within.estimate)


def _counts(rows: pl.DataFrame) -> tuple[int, int]:
    """Patients in which a failure finds a crown in another state at risk, and such failures."""
    columns = ("patient_id", "state", "entry_days", "exit_days")
    failures = rows.filter(pl.col("event")).select("patient_id", failed_in="state", day="exit_days").with_row_index()
    others = rows.select(columns)
    met = failures.join(others, on="patient_id").filter(
        pl.col("state") != pl.col("failed_in"),
        pl.col("entry_days") < pl.col("day"),
        pl.col("day") <= pl.col("exit_days"),
    )
    return met["patient_id"].n_unique(), met["index"].n_unique()
