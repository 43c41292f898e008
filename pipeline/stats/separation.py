"""Finds, before any model is fitted, covariates whose hazard ratio the data put at nought or infinity.

A group without failures is the plain case: its estimate runs off to nought, and a robust standard error then comes out
small, so that nothing looks like a finding. The general case is a combination of covariates that is never higher in a
row at risk than in the row that fails (monotone likelihood) [1]. That is a linear feasibility problem and is answered
exactly, adding the comparisons that matter a few hundred at a time.

References
----------
[1] Heinze G, Schemper M. A solution to the problem of monotone likelihood in Cox regression. Biometrics
    2001;57:114-119.
[2] Bryson MC, Johnson ME. The incidence of monotone likelihood in the Cox model. Technometrics 1981;23:381-383.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike
from scipy import optimize

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import make_design, refuse_collinear
from pipeline.stats.cox_input import CoxRows, check_rows
from pipeline.stats.cox_kernel import Floats, Ints, RiskSets

ADDED_PER_ROUND = 300
TOLERANCE = 1e-7


@dataclass(frozen=True)
class Separation:
    """What the data cannot estimate.

    `no_events` lists (covariate, level, rows) of two-valued covariates with no event at that level. `direction` gives
    covariates and signs of a combination on which the likelihood rises without end; empty if every estimate is finite.
    """

    no_events: tuple[tuple[str, float, int], ...]
    direction: dict[str, int]

    @property
    def found(self) -> bool:
        """True if some coefficient has no finite estimate: use `firth.fit_firth`, print no Cox limits."""
        return bool(self.direction)


def events_by_level(
    x: ArrayLike, exit_days: ArrayLike, event: ArrayLike, *, names: Sequence[str], entry_days: ArrayLike | None = None
) -> pl.DataFrame:
    """Rows and events at each level of the covariates that take two values.

    One row per such covariate and level: `covariate`, `level`, `n_rows`, `n_events`. Raises CoxInputError as
    `cox_input.check_rows`.
    """
    return _levels(check_rows(x, exit_days, event, names=names, entry_days=entry_days))


def find_separation(
    x: ArrayLike,
    exit_days: ArrayLike,
    event: ArrayLike,
    *,
    names: Sequence[str],
    entry_days: ArrayLike | None = None,
    strata: ArrayLike | None = None,
) -> Separation:
    """Look for groups without events and for any combination of covariates that separates those who fail.

    Weights and clusters make no difference to it. Raises CoxInputError as `cox.fit_cox`.
    """
    rows = check_rows(x, exit_days, event, names=names, entry_days=entry_days, strata=strata)
    design = make_design(rows, "breslow")
    at_zero = kernel.moments(design.sets, design.z, np.zeros(len(rows.names)))
    refuse_collinear(rows, kernel.information(design.sets, design.z, at_zero))
    direction = _separating(design.sets, design.z, kernel.score(design.sets, design.z, at_zero))
    empty = _levels(rows).filter(pl.col("n_events") == 0)
    return Separation(
        no_events=tuple(empty.select("covariate", "level", "n_rows").iter_rows()),
        direction={
            name: int(np.sign(along))
            for name, along in zip(rows.names, direction, strict=True)
            if abs(along) > TOLERANCE
        },
    )


def _levels(rows: CoxRows) -> pl.DataFrame:
    found = []
    for name, column in zip(rows.names, rows.x.T, strict=True):
        low, high = column.min(), column.max()
        at_high = column == high
        if np.all(at_high | (column == low)):
            for level, chosen in ((low, ~at_high), (high, at_high)):
                found.append((name, float(level), int(chosen.sum()), int((chosen & rows.event).sum())))
    return pl.DataFrame(
        found,
        schema={"covariate": pl.String, "level": pl.Float64, "n_rows": pl.Int64, "n_events": pl.Int64},
        orient="row",
    )


def _separating(sets: RiskSets, z: Floats, score: Floats) -> Floats:
    """A direction along which each event is at the top of its risk set, not always tied; zeros if there is none.

    Among such directions the score at zero is the sum of all their leads, so the program maximises it within a box:
    its optimum touches the box, or is zero. Each round adds the comparisons that the last optimum violates most.
    """
    leads = np.zeros((0, len(z)))
    scale = float(np.abs(score).max()) or 1.0
    while True:
        answer = optimize.linprog(
            -score / scale,
            A_ub=-leads if len(leads) else None,
            b_ub=np.zeros(len(leads)) if len(leads) else None,
            bounds=(-1, 1),
            method="highs",
        )
        if not answer.success:
            raise RuntimeError(f"The search for separation failed: {answer.message}")
        direction = np.asarray(answer.x)
        if np.abs(direction).max() < 0.5 or direction @ score <= TOLERANCE * scale:
            return np.zeros(len(z))
        worst_event, best_at_risk = _extremes(sets, direction @ z)
        lead = z[:, worst_event] - z[:, best_at_risk]
        short = direction @ lead
        violated = np.flatnonzero(short < -TOLERANCE * np.maximum(1, np.abs(lead).max(axis=0)))
        if not len(violated):
            return direction
        worst = violated[np.argsort(short[violated], kind="stable")[:ADDED_PER_ROUND]]
        added = lead[:, worst] / np.abs(lead[:, worst]).max(axis=0)
        leads = np.unique(np.vstack((leads, added.T)), axis=0)


def _extremes(sets: RiskSets, value: Floats) -> tuple[Ints, Ints]:
    """Per group, the row with the lowest value among its events and the row with the highest among all at risk."""
    order = np.argsort(value, kind="stable")
    rank = np.empty(len(value), dtype=np.intp)
    rank[order] = np.arange(len(value))
    lowest = np.full(sets.n_groups, len(value), dtype=np.intp)
    np.minimum.at(lowest, sets.event_group, rank[sets.event_row])
    return order[lowest], order[_highest_at_risk(sets, rank)]


def _highest_at_risk(sets: RiskSets, rank: Ints) -> Ints:
    """Per group, the highest rank among the rows whose run covers it.

    A run of groups is two overlapping stretches of a power of two; from the longest down, each stretch hands its
    highest rank to its two halves.
    """
    length = sets.last - sets.first
    rows = np.flatnonzero(length > 0)
    power = np.frexp(length[rows])[1] - 1
    table = np.full((int(power.max()) + 1, sets.n_groups), -1, dtype=np.intp)
    np.maximum.at(table, (power, sets.first[rows]), rank[rows])
    np.maximum.at(table, (power, sets.last[rows] - (1 << power)), rank[rows])
    for k in range(len(table) - 1, 0, -1):
        half = 1 << (k - 1)
        np.maximum(table[k - 1], table[k], out=table[k - 1])
        np.maximum(table[k - 1, half:], table[k, :-half], out=table[k - 1, half:])
    highest: Ints = table[0]
    return highest
