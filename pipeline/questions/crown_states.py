"""What becomes of 100 crowns seated on a living tooth: in place and unopened, opened and in place, or lost.

Each crown passes from vital to opened to lost, or from vital to lost. The shares are those of Aalen and Johansen
(`stats/multi_state.py`): openings and losses take their part of the crowns still in that state, so the three states sum
to all crowns at any time, and a crown that leaves follow-up is taken to fare as those that stay. Death of the patient
ends follow-up; it is no state.
"""

import numpy as np
import polars as pl

from pipeline.practice.outcomes import was_followed
from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_rows import crown_rows
from pipeline.questions.groups import curve_start, days_of
from pipeline.results import DAYS_PER_YEAR
from pipeline.results.states import SHOWN_YEARS, STATES, CrownStates, StatePoint
from pipeline.stats.multi_state import STAYS, StateShares, state_shares
from pipeline.stats.spells import Floats

VITAL, OPENED, LOST = range(len(STATES))
POINTS_PER_YEAR = 4


def crown_states(crowns: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis) -> CrownStates | None:
    """The states of the practice's single crowns that were seated vital; None where too few are followed.

    Crowns seated before the records begin enter on their first day under observation, in the state of that day. A crown
    of unknown order of root canal and seat is left out. Errors are grouped by patient.
    """
    stays = state_stays(crown_rows(crowns, patients))
    rules = analysis.curve_rules()
    followed = stays.with_columns(event=pl.col("passes_to") == LOST)
    start = curve_start(followed, rules=rules) if stays.height else None
    if start is None or followed.filter(pl.col("exit_days") > start).is_empty():
        return None
    every = np.arange(int(SHOWN_YEARS[-1] * POINTS_PER_YEAR) + 1) / POINTS_PER_YEAR
    years = _as_far_as_followed(stays, every[every >= start / DAYS_PER_YEAR], analysis.min_at_risk)
    if len(years) < 2:
        return None
    shares = state_shares(
        stays["exit_days"],
        stays["passes_to"],
        [days_of(y) for y in years],
        state=stays["state"],
        n_states=len(STATES),
        entry_days=stays["entry_days"],
        cluster=stays["patient_id"],
        from_day=start,
        confidence=analysis.confidence,
    )
    lost = stays.filter(pl.col("passes_to") == LOST)
    return CrownStates(
        crowns=stays["crown_id"].n_unique(),
        patients=stays["patient_id"].n_unique(),
        opened=stays.filter((pl.col("state") == OPENED) | (pl.col("passes_to") == OPENED))["crown_id"].n_unique(),
        lost=lost.height,
        lost_opened=lost.filter(pl.col("state") == OPENED).height,
        starts_at_days=start,
        points=tuple(_point(float(y), shares, i, analysis.confidence) for i, y in enumerate(years)),
        told=tuple(y for y in SHOWN_YEARS if y in years),
        stops_early=bool(years[-1] < SHOWN_YEARS[-1]),
    )


def state_stays(rows: pl.DataFrame) -> pl.DataFrame:
    """One row per crown seated vital and state that it was in, from the rows of `crown_rows`.

    Columns: `crown_id, patient_id, state, passes_to, entry_days, exit_days`; states are numbered as in `STATES`. A
    crown opened on the last day followed passes on that day, and no more is known of it: openings are often the last
    visit. A crown that fails on the day of its opening is lost unopened, as it is labelled.
    """
    seated = rows.filter(pl.col("endo_timing").is_in(["vital", "through_crown"]))
    opens = pl.col("access_days").is_not_null() & (
        (pl.col("access_days") < pl.col("exit_days"))
        | ((pl.col("access_days") == pl.col("exit_days")) & ~pl.col("failure"))
    )
    seated = seated.with_columns(opens=opens)
    ends = pl.when("failure").then(pl.lit(LOST)).otherwise(pl.lit(STAYS))
    before = seated.filter(~pl.col("opens") | (pl.col("entry_days") < pl.col("access_days"))).select(
        "crown_id",
        "patient_id",
        "entry_days",
        exit_days=pl.when("opens").then("access_days").otherwise("exit_days"),
        state=pl.lit(VITAL),
        passes_to=pl.when("opens").then(pl.lit(OPENED)).otherwise(ends),
    )
    after = seated.filter("opens", pl.col("access_days") < pl.col("exit_days")).select(
        "crown_id",
        "patient_id",
        entry_days=pl.max_horizontal("entry_days", "access_days"),
        exit_days="exit_days",
        state=pl.lit(OPENED),
        passes_to=ends,
    )
    return pl.concat([before, after.select(before.columns)]).filter(was_followed()).sort("crown_id", "state")


def _as_far_as_followed(stays: pl.DataFrame, years: Floats, min_at_risk: int) -> Floats:
    """The years before the first at which fewer than `min_at_risk` crowns are followed, in whatever state."""
    enters, leaves = (np.sort(np.maximum(stays[c].to_numpy(), 0)) for c in ("entry_days", "exit_days"))
    days = np.array([days_of(y) for y in years], dtype=np.int64)
    followed = np.searchsorted(enters, days, side="right") - np.searchsorted(leaves, days, side="right")
    few = np.flatnonzero(followed < min_at_risk)
    return years[: few[0]] if len(few) else years


def _point(years: float, shares: StateShares, at: int, confidence: float) -> StatePoint:
    followed = shares.followed[:, at].tolist()
    (vital, opened, lost), lows, highs = (
        [float(v) for v in values[:, at]] for values in (shares.share, shares.low, shares.high)
    )
    limits = [
        _limits(*of_state, followed=sum(followed), confidence=confidence)
        for of_state in zip((vital, opened, lost), lows, highs, strict=True)
    ]
    (a, b), (c, d), (e, f) = limits
    return StatePoint(years, (followed[VITAL], followed[OPENED]), (vital, opened, lost), (a, c, e), (b, d, f))


def _limits(share: float, low: float, high: float, *, followed: int, confidence: float) -> tuple[float, float]:
    # While none has passed there is no error: the exact limit of none among those still followed (Clopper and Pearson
    # 1934) is wider than the truth and never claims certainty.
    if np.isfinite(low) and np.isfinite(high):
        return low, high
    reach = 1 - ((1 - confidence) / 2) ** (1 / followed) if followed else 1.0
    return (max(share - reach, 0.0), min(share + reach, 1.0))
