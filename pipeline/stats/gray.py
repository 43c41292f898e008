"""Gray's test: do groups differ in the cumulative incidence of one cause where other causes compete with it?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.stats.group_counts import Cells, carry_forward, cells_of, read_groups, running_product
from pipeline.stats.laws import chi2_upper
from pipeline.stats.spells import Floats, Values, whole_numbers


@dataclass(frozen=True)
class GrayTest:
    """Result. `score` is events less expected per group, its last entry left out (they sum to 0), with its variance.

    `df` is the number of groups less one. With no event of the cause there is nothing to test and `p` is NaN.
    """

    groups: tuple[Any, ...]
    score: Floats
    variance: Floats
    chi_square: float
    df: int
    p: float


def gray_test(
    exit_days: Values,
    cause: Values,
    group: Values,
    *,
    of_cause: int = 1,
    entry_days: Values | None = None,
    strata: Values | None = None,
    from_day: int = 0,
) -> GrayTest:
    """Gray's test [1] with rho = 0, for several groups; strata keep their own risk sets and add up.

    Who has had a competing event stays in the risk set of the cumulative incidence, so a group counts as
    R = at risk * (1 - F(t-)) / S(t-), with F its incidence of the cause and S its share free of any event. The score
    of a group is the sum of its events less its share of R on each day. Without late entry this is `cuminc` of the R
    package cmprsk, statistic and p. All other causes count as one. Rows count as independent: teeth that share a
    patient make p too small.

    With late entry the same counts are taken over those who have entered: at risk / S(t-) then estimates how many have
    entered and are not yet censored, which makes R the weighted risk set of [2], and the variance is that of the same
    sums of martingales. cmprsk does not offer this, so it is checked by hand-worked risk sets, by equality with the
    log-rank score where nothing competes, and by simulation without a difference. It needs every S above 0 while a
    group is at risk: start later with `from_day` where the first few at risk take a group to 0 (ValueError).

    Raises ValueError for fewer than two groups and as `read_spells` does.

    References
    ----------
    [1] Gray RJ. A class of K-sample tests for comparing the cumulative incidence of a competing risk. Ann Stat
        1988;16:1141-1154.
    [2] Geskus RB. Cause-specific cumulative incidence estimation and the Fine and Gray model under both left
        truncation and right censoring. Biometrics 2011;67:39-49.
    """
    code = whole_numbers(cause, "cause")
    kind = np.where(code == of_cause, 1, np.where(code == 0, 0, 2))
    rows = read_groups(exit_days, kind, group, entry_days=entry_days, strata=strata, from_day=from_day)
    return gray_of_cells(cells_of(rows, n_causes=2), labels=rows.labels)


def gray_of_cells(cells: Cells, *, labels: tuple[Any, ...]) -> GrayTest:
    """The test of `gray_test` from who is at risk and fails on each day, the cause of interest first."""
    groups = len(labels)
    score, variance = np.zeros(groups), np.zeros((groups, groups))
    ends = np.append(cells.starts[1:], len(cells.day))
    for begin, end in zip(cells.starts, ends, strict=True):
        part_score, part_variance = _stratum(_Days.of(cells, slice(int(begin), int(end))))
        score += part_score
        variance += part_variance
    df = groups - 1
    some = bool(cells.events[0].sum())
    chi_square = _quadratic(score[:df], variance[:df, :df]) if some else float("nan")
    return GrayTest(
        groups=labels,
        score=score[:df],
        variance=variance[:df, :df],
        chi_square=chi_square,
        df=df,
        p=float(chi2_upper(chi_square, df)),
    )


@dataclass(frozen=True)
class _Days:
    """One stratum: days with an event down, groups across. `before` and `after` are the share free of any event."""

    at_risk: Floats
    of_cause: Floats
    other: Floats
    before: Floats
    after: Floats
    incidence_before: Floats

    @classmethod
    def of(cls, cells: Cells, part: slice) -> _Days:
        at_risk, of_cause, other = cells.at_risk[part], cells.events[0, part], cells.events[1, part]
        start = np.zeros(1, dtype=np.int64)
        present = np.maximum(at_risk, 1.0)
        after = running_product((at_risk - of_cause - other + (at_risk == 0)) / present, start)
        before = carry_forward(after, start, 1.0)
        if np.any((before == 0) & (at_risk > 0)):
            raise ValueError("a group fails altogether before others of it enter: start later, with from_day")
        incidence = np.cumsum(before * of_cause / present, axis=0)
        return cls(at_risk, of_cause, other, before, after, carry_forward(incidence, start, 0.0))


def _stratum(days: _Days) -> tuple[Floats, Floats]:
    """Score and variance of one stratum, [1] section 2 and 3 with rho = 0, all groups kept."""
    safe_before = np.where(days.before > 0, days.before, 1.0)
    entered = days.at_risk / safe_before
    in_set = entered * (1 - days.incidence_before)
    events = days.of_cause.sum(axis=1)
    has = events > 0
    total = np.where(entered.sum(axis=1) > 0, entered.sum(axis=1), 1.0)
    set_total = np.where(in_set.sum(axis=1) > 0, in_set.sum(axis=1), 1.0)
    score = np.sum(days.of_cause - events[:, None] * in_set / set_total[:, None], axis=0)

    pooled = np.cumsum(events / total)
    pooled_before = np.concatenate(([0.0], pooled[:-1]))
    # How group i's score leans on group k's estimate: on the day itself (now), and through F and S later (later).
    groups = entered.shape[1]
    now = -entered[:, :, None] * entered[:, None, :] / total[:, None, None]
    now[:, np.arange(groups), np.arange(groups)] += entered
    left = np.where(pooled_before < 1, 1 - pooled_before, 1.0)
    later = np.cumsum(now * (events / total / left)[:, None, None], axis=0)

    present = days.at_risk > 0
    free = (1 - pooled)[:, None] / np.where(days.after > 0, days.after, 1.0)
    # A tie of d events leaves a little less to chance than d events one by one.
    tie = 1 - np.where(events > 1, events - 1, 0.0)[:, None] / np.maximum(total[:, None] * safe_before - 1, 1e-300)
    lean = np.where(days.after > 0, 1 - free, 1.0)
    chance = np.where(
        present & has[:, None], tie * safe_before * (events / total)[:, None] / np.maximum(days.at_risk, 1.0), 0.0
    )
    variance = _sums(now - lean[:, None, :] * later, lean, chance, later[-1])

    tie = 1 - np.maximum(days.other - 1, 0.0) / np.maximum(days.at_risk - 1, 1.0)
    chance = np.where(
        (days.after > 0) & (days.other > 0),
        tie * days.before**2 * days.other / np.maximum(days.at_risk, 1.0) ** 2,
        0.0,
    )
    return score, variance + _sums(free[:, None, :] * later, -free, chance, later[-1])


def _sums(own: NDArray[np.float64], lean: Floats, chance: Floats, last: Floats) -> Floats:
    """Sum over days and groups k of chance_k * (own_ik + lean_k * last_ik) * (own_jk + lean_k * last_jk).

    What group k's events of a day do to the scores: directly, and through its estimates from then to the end.
    """
    whole = own + lean[:, None, :] * last[None, :, :]
    found: Floats = np.einsum("tik,tjk,tk->ij", whole, whole, chance, optimize=True)
    return found


def _quadratic(score: Floats, variance: Floats) -> float:
    return float(score @ np.linalg.pinv(variance, hermitian=True) @ score)
