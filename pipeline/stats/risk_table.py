"""The table under a curve: who has entered, is still followed, has failed, or whose follow-up has ended."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.spells import Ints, Values, read_spells


@dataclass(frozen=True)
class RiskTable:
    """One value per day of `days`, all just before that day; entered = followed + failed + ended in every column.

    - `entered`: rows under observation at some time before the day; on day 0 those that start on day 0.
    - `followed`: at risk on the day, entry < day <= exit.
    - `failed`, `ended`: left on an earlier day, with and without the event.
    """

    days: Ints
    entered: Ints
    followed: Ints
    failed: Ints
    ended: Ints


def risk_table(exit_days: Values, event: Values, days: ArrayLike, *, entry_days: Values | None = None) -> RiskTable:
    """Counts of one group at chosen whole days, as laid out in [Morris 2019].

    A row counts once, whatever it weighs elsewhere; a tooth that leaves the group and comes back counts as ended and
    entered again. Raises ValueError as `read_spells` does.
    """
    spells = read_spells(exit_days, event, entry_days=entry_days)
    day = np.atleast_1d(np.asarray(days)).astype(np.int64)
    is_failure = spells.cause > 0
    entered = _before(spells.entry, day)
    failed = _before(spells.exit[is_failure], day)
    ended = _before(spells.exit[~is_failure], day)
    return RiskTable(days=day, entered=entered, followed=entered - failed - ended, failed=failed, ended=ended)


def _before(happened: Ints, days: Ints) -> Ints:
    """How many of `happened` lie before each of `days`."""
    return np.searchsorted(np.sort(happened), days, side="left").astype(np.int64)
