"""Restricted mean survival time: the mean number of days free of the event, of the first so many days."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.counts import count, event_free, exposure, per_survivor
from pipeline.stats.influence import unit_sums
from pipeline.stats.kaplan_meier import one_event
from pipeline.stats.spells import Floats, Values, read_spells


@dataclass(frozen=True)
class RestrictedMean:
    """Area under the curve from `from_day` to `horizon`, in days, and its error.

    `std_error` is the Greenwood form that R prints beside `rmean`; `clustered_std_error` is that of the infinitesimal
    jackknife grouped by unit, and `influence` its parts, one per label of `units`.
    """

    days: float
    std_error: float
    clustered_std_error: float
    horizon: int
    from_day: int
    units: NDArray[Any]
    influence: Floats


def restricted_mean(
    exit_days: Values,
    event: Values,
    horizon: int,
    *,
    entry_days: Values | None = None,
    weights: Values | None = None,
    subject: Values | None = None,
    cluster: Values | None = None,
    from_day: int = 0,
) -> RestrictedMean:
    """Restricted mean survival time [1] of one group up to day `horizon`.

    With weights the Greenwood form means nothing and is NaN. Raises ValueError if the curve is not known up to
    `horizon` (follow-up ended before it with the curve above 0), or does not start before it.

    References
    ----------
    [1] Royston P, Parmar MKB. Restricted mean survival time. BMC Med Res Methodol 2013;13:152.
    """
    if horizon <= from_day:
        raise ValueError("horizon must lie after from_day")
    spells = read_spells(
        exit_days,
        event,
        entry_days=entry_days,
        weights=weights,
        subject=subject,
        cluster=cluster,
        from_day=from_day,
        with_units=True,
    )
    one_event(spells)
    counts = count(spells, n_causes=1)
    survival = event_free(counts)
    if counts.time[-1] < horizon and survival[-1] > 0:
        raise ValueError("follow-up ends before the horizon")
    # Areas from each exit day on to the horizon; the first stretch, at survival 1, ends with the first exit day.
    edges = np.minimum(np.concatenate((counts.time, [max(horizon, int(counts.time[-1]))])), horizon)
    pieces = survival * np.diff(edges)
    area_after = np.cumsum(pieces[::-1])[::-1]
    step, own = per_survivor(counts)
    inside = counts.time <= horizon
    gain = np.cumsum(np.where(inside, step * area_after, 0.0))
    jump = np.where((spells.cause > 0) & inside[counts.last], (own * area_after)[counts.last], 0.0)
    last = int(np.searchsorted(counts.time, horizon, side="right")) - 1
    pull = unit_sums(exposure(spells, counts), gain, jump, np.array([last]))[:, 0]
    greenwood = float(np.sqrt(np.sum(np.where(inside, step * area_after**2, 0.0))))
    return RestrictedMean(
        days=float(edges[0] - from_day + pieces.sum()),
        std_error=greenwood if weights is None else float("nan"),
        clustered_std_error=float(np.sqrt(np.sum(pull**2))),
        horizon=horizon,
        from_day=from_day,
        units=spells.unit_labels,
        influence=pull,
    )
