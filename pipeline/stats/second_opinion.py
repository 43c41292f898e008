"""The same figures by another library, on the practice's own rows, each run.

lifelines [Davidson-Pilon 2019] is used for what it was found to do rightly: Kaplan-Meier with late entry and its
log-log limits, and the coefficients of a Cox model. Its robust errors with late entry, its Aalen-Johansen estimator,
its medians and its predictions with late entry are wrong in version 0.30 and are not used anywhere.
"""

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.kaplan_meier import kaplan_meier

# Its Cox fit takes time with the square of the rows when some enter late.
MOST_ROWS_FOR_COX = 6_000


@dataclass(frozen=True)
class Opinion:
    """The largest absolute gap between our figures and the other library's."""

    what: str
    by: str
    rows: int
    largest_gap: float


@dataclass(frozen=True)
class CurveAsked:
    """A curve to be computed again: one row per tooth, in whole days; `what` names it."""

    what: str
    exit_days: NDArray[np.int64]
    event: NDArray[np.bool_]
    entry_days: NDArray[np.int64]

    def opinion(self) -> Opinion:
        """Kaplan-Meier share and log-log limits at every failure day, ours against lifelines'."""
        import lifelines

        ours = kaplan_meier(self.exit_days, self.event, entry_days=self.entry_days)
        fitter = lifelines.KaplanMeierFitter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            fitter.fit(self.exit_days, self.event, entry=_entry(self.entry_days))
        at = ours.time[(ours.events > 0) & (ours.survival > 0) & (ours.survival < 1)]
        mine = np.searchsorted(ours.time, at)
        theirs = np.searchsorted(fitter.survival_function_.index.to_numpy(), at)
        limits = fitter.confidence_interval_.to_numpy()[theirs]
        gaps = [
            np.abs(ours.survival[mine] - fitter.survival_function_.to_numpy()[theirs, 0]),
            np.abs(ours.low[mine] - limits[:, 0]),
            np.abs(ours.high[mine] - limits[:, 1]),
        ]
        largest = max((float(g.max()) for g in gaps if len(g)), default=0.0)
        return Opinion(self.what, f"lifelines {lifelines.__version__}", len(self.exit_days), largest)


@dataclass(frozen=True)
class CoxAsked:
    """Our log hazard ratios `coef` of the columns of `x`, to be fitted again; rows as those of a curve."""

    what: str
    coef: NDArray[np.float64]
    x: NDArray[np.float64]
    exit_days: NDArray[np.int64]
    event: NDArray[np.bool_]
    entry_days: NDArray[np.int64]

    def opinion(self) -> Opinion | None:
        """Cox log hazard ratios, ours against lifelines'; None for too many rows, or where its steps find no end."""
        if len(self.exit_days) > MOST_ROWS_FOR_COX:
            return None
        import lifelines
        import pandas as pd

        columns = {f"x{i}": column for i, column in enumerate(self.x.T)}
        frame = pd.DataFrame(columns).assign(entry=_entry(self.entry_days), exit=self.exit_days, event=self.event)
        fitter = lifelines.CoxPHFitter()
        options = {"precision": 1e-12, "r_precision": 1e-15}
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                fitter.fit(frame, "exit", "event", entry_col="entry", fit_options=options)
            except lifelines.exceptions.ConvergenceError:  # few failures, or all in one group
                return None
        gap = float(np.abs(fitter.params_.to_numpy() - self.coef).max())
        return Opinion(self.what, f"lifelines {lifelines.__version__}", len(self.exit_days), gap)


Asked = CurveAsked | CoxAsked


def opinions(asked: Sequence[Asked], *, say: Callable[[str], None] = print) -> tuple[Opinion, ...]:
    """The other library's opinions, in the order asked; none of what has too many rows for it. Nothing is said."""
    found = (one.opinion() for one in asked)
    return tuple(opinion for opinion in found if opinion is not None)


def _entry(days: NDArray[np.int64]) -> NDArray[np.int64]:
    """Days of entry as the other library takes them: there from the start is before day 0."""
    return np.where(days <= 0, -1, days)
