"""A Cox fit again, with a group whose hazard ratio may change on given days since the group's own start."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.cox import CoxFit, fit_cox
from pipeline.stats.cox_kernel import Ints
from pipeline.stats.log_f import LogF
from pipeline.stats.standardise_windows import Phases


@dataclass(frozen=True, eq=False)
class PhaseFit:
    """The fit with a column per phase (`names`), the failures in each, and a piece of every row of the fit before."""

    fit: CoxFit
    names: tuple[str, ...]
    failures: tuple[int, ...]
    piece: Ints

    def set_to(self, in_group: bool, others: dict[str, float]) -> Phases:
        """The values of the phases' columns, phase by phase, for crowns in the group or not, with those of `others`."""
        return [{**{n: float(in_group and n == name) for n in self.names}, **others} for name in self.names]


def fit_phases(fit: CoxFit, group: str, *, start: ArrayLike, cuts: Sequence[int], alike: float = 0.0) -> PhaseFit:
    """Fit `fit` again with the column `group` cut in phases, each with a ratio of its own.

    - `start`: Per fitted row the day of the fit's clock on which its group began; of rows outside the group it is not
      read.
    - `cuts`: Increasing days since then. A phase lasts to the end of its cut's day, the last one as long as rows are
      followed; rows of the group are cut there, rows outside it stay whole.
    - `alike`: How many failures it is worth that two phases which adjoin have the same ratio (`log_f.py`). Above 0 a
      phase without a failure has a ratio too.

    Raises CoxInputError where a phase has no rows at risk, or as `fit_cox`.
    """
    rows, place = fit.design.rows, fit.names.index(group)
    mine = rows.x[:, place] != 0
    begin = np.where(mine, np.asarray(start, dtype=np.float64), 0.0)
    edges = (-np.inf, *(float(c) for c in cuts), np.inf)
    pieces = []
    for k, (low, high) in enumerate(pairwise(edges)):
        entry = np.where(mine, np.maximum(rows.entry, begin + low), rows.entry)
        exits = np.where(mine, np.minimum(rows.exit, begin + high), rows.exit)
        there = np.flatnonzero((entry < exits) & (mine | (k == 0)))
        pieces.append((there, np.full(len(there), k), entry[there], exits[there]))
    row, phase, entry, exits = (np.concatenate(part) for part in zip(*pieces, strict=True))
    event = rows.event[row] & (exits == rows.exit[row])
    names = tuple(f"{group}_{k}" for k in range(len(edges) - 1))
    kept = [j for j in range(len(fit.names)) if j != place]
    in_group = rows.x[row, place]
    columns = [in_group * (phase == k) for k in range(len(names))]
    found = fit_cox(
        np.column_stack([*columns, rows.x[row][:, kept]]),
        exits,
        event,
        names=(*names, *(fit.names[j] for j in kept)),
        entry_days=entry,
        strata=rows.strata[row],
        weights=rows.weight[row],
        cluster=None if rows.cluster is None else rows.cluster[row],
        ties=fit.design.ties,
        start=np.concatenate((np.repeat(fit.coef[place], len(names)), fit.coef[kept])),
        prior=_adjoining(len(names), len(names) + len(kept), alike) if alike else None,
    )
    failures = tuple(int(np.count_nonzero(event & mine[row] & (phase == k))) for k in range(len(names)))
    first = np.full(len(rows.exit), len(row))
    np.minimum.at(first, row, np.arange(len(row)))
    return PhaseFit(found, names, failures, first)


def _adjoining(phases: int, columns: int, worth: float) -> LogF:
    """Each phase, the first of the columns, less the next one."""
    return LogF(np.eye(phases - 1, columns) - np.eye(phases - 1, columns, 1), worth)
