"""Groups whose failures are held against those of the other groups: who stands out, and how surely that would show.

What is known of each group is how many of it failed on each day of the clock and how much risk it had followed on that
day (`Tally`). Nobody is held against an expectation that their own failures went into: the ratio of a group to the
others is the one of a Cox model with a mark for that group (`ratio_to`), and the number expected of it is its own over
that ratio, which is what the others' hazard leads one to expect of its rows.

Whether such a ratio is more than chance is asked as in a log-rank test: given who was followed on the days of failures,
each failure falls to the group with a chance of its share of the risk. So the error of the others' hazard counts: with
two groups of one size it is as large as the group's own. The number that falls to a group is judged as a binomial one
with that mean and spread; the spread is widened where rows of one cluster fail together (`dispersion_of`) and by the
error of the relative risks (`slopes`, `slope_cov`).

`judge` looks at all groups as one family. The one that stands out most is set aside and no longer part of what the
others are held against, then the rest are looked at again: else one group that fails often would make all others look
as if they failed seldom. Of two groups that are left only the difference between them can be told.
Sources: Peto 1972; Sidak 1967. From memory, as is the one further below.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc

from pipeline.stats.spells import Floats, Ints

Bools = NDArray[np.bool_]
STEPS = 200
SETTLED = 1e-10
# Simulated practices are counted in so many stretches of the clock, with about as many failures each.
STRETCHES = 12
HALVINGS = 36
# Below this many standard errors from the middle no tail is small enough for any level in use.
NEAR = 1.6


@dataclass(frozen=True, eq=False)
class Tally:
    """Failures and summed risk followed (rows scores), by group (first axis) and by day with a failure (last axis).

    `days` are those days. `slopes` (group by covariate) says by how much the log of the failures expected of a group
    moves with each coefficient of the relative risks, `slope_cov` is the covariance of these coefficients.
    """

    days: Floats
    failed: Floats
    risk: Floats
    slopes: Floats
    slope_cov: Floats

    @property
    def groups(self) -> int:
        """How many groups there are."""
        return len(self.failed)


@dataclass(frozen=True, eq=False)
class Ratio:
    """A group beside others: its rate over theirs, the failures theirs lead one to expect, and what is known of it.

    `expected` is None where nothing can be expected: the others were never followed on the days of its rows.
    `information` is that of the log ratio; 0 where nobody of either side was seen to fail.
    """

    ratio: float
    expected: float
    information: float


@dataclass(frozen=True, eq=False)
class Judged:
    """One entry a group (last axis), one practice a row.

    `flag`: 0 within chance, 1 outside the first level, 2 the second, of the family. `up`: more failed than expected.
    `of`: groups looked at together (2: only a difference, 0: not judged). `stage`: how many others had been set aside
    by then.
    """

    flag: Ints
    up: Bools
    of: Ints
    stage: Ints


def tally(
    exit_days: ArrayLike, event: ArrayLike, score: ArrayLike, group: ArrayLike, *, x: Floats, slope_cov: Floats
) -> Tally:
    """Count rows followed from day 0, each with its relative risk `score` = exp(x times the coefficients).

    A row is at risk on each day up to and including its exit. `x` has no columns where there are no covariates.
    """
    day, failed, weight = (np.asarray(v, dtype=np.float64) for v in (exit_days, event, score))
    code = np.asarray(group, dtype=np.int64)
    order = np.lexsort((weight, failed, day, code))
    day, failed, weight, code, x = day[order], failed[order], weight[order], code[order], np.asarray(x)[order]
    days, n = np.unique(day[failed > 0]), int(code.max(initial=-1)) + 1
    last = np.searchsorted(days, day, side="right")  # a row is at risk on the first so many days
    at = code * (len(days) + 1) + last

    def followed(values: Floats) -> Floats:
        sums = np.bincount(at, values, minlength=n * (len(days) + 1)).reshape(n, -1)
        left: Floats = np.cumsum(sums[:, ::-1], axis=1, dtype=np.float64)[:, ::-1][:, 1:]
        return left

    fell = np.bincount(at[failed > 0] - 1, minlength=n * (len(days) + 1)).reshape(n, -1)[:, : len(days)]
    counts, risk = fell.astype(np.float64), followed(weight)
    hazard = counts.sum(axis=0) / np.maximum(risk.sum(axis=0), 1e-300)
    expected = np.maximum(risk @ hazard, 1e-300)
    slopes = np.zeros((n, x.shape[1]))
    # The hazard falls where a coefficient makes everybody's risk rise; the part that all groups share cancels later.
    for j in range(x.shape[1]):
        moved = followed(weight * x[:, j])
        mean = moved.sum(axis=0) / np.maximum(risk.sum(axis=0), 1e-300)
        slopes[:, j] = ((moved - risk * mean) @ hazard) / expected
    return Tally(days, counts, risk, slopes, np.asarray(slope_cov, dtype=np.float64))


def ratio_to(found: Tally, mine: Bools, others: Bools) -> Ratio:
    """The rate of some groups over that of others, by maximum partial likelihood; the relative risks are taken as told.

    The ratio is 0 where none of the group failed and infinite where none of the others did.
    """
    failed, risk = found.failed[mine].sum(axis=0), found.risk[mine].sum(axis=0)
    their_failed, their_risk = found.failed[others].sum(axis=0), found.risk[others].sum(axis=0)
    both = (risk > 0) & (their_risk > 0)
    n, theirs = failed[both].sum(), their_failed[both].sum()
    if n == 0 or theirs == 0:
        usable = their_risk > 0
        expected = float((their_failed[usable] / their_risk[usable]) @ risk[usable])
        return Ratio(0.0 if n == 0 else np.inf, expected, 0.0)
    a, b, d = risk[both], their_risk[both], (failed + their_failed)[both]
    ratio = 1.0
    for _ in range(STEPS):
        share = ratio * a / (ratio * a + b)
        information = float(d @ (share * (1 - share)))
        step = float(np.clip((n - d @ share) / information, -1.0, 1.0))
        ratio *= np.exp(step)
        if abs(step) < SETTLED:
            break
    return Ratio(ratio, float(failed.sum()) / ratio, information)


def rates_together(found: Tally) -> tuple[Floats, Floats]:
    """Each group's rate in one model of all (their failures expected at rate 1 add up to all), and those expected.

    With no failures a group's rate is 0. Groups are those of a Cox model with a mark for each.
    """
    total, count = found.failed.sum(axis=0), found.failed.sum(axis=1)
    rate = np.ones(found.groups)
    expected = count
    for _ in range(STEPS):
        hazard = total / np.maximum(rate @ found.risk, 1e-300)
        expected = found.risk @ hazard
        expected = expected * (count.sum() / max(float(np.sort(expected).sum()), 1e-300))
        new = count / np.maximum(expected, 1e-300)
        moved = float(np.max(np.abs(new - rate), initial=0.0))
        rate = new
        if moved < 1e-7:
            break
    return rate, expected


def dispersion_of(
    found: Tally, exit_days: ArrayLike, event: ArrayLike, score: ArrayLike, *, group: ArrayLike, cluster: ArrayLike
) -> float:
    """How many times as far as single rows the groups' counts spread because rows of one cluster fail together.

    The sum of squares of the clusters' pulls on the log-rank scores of all groups, over what it is if every row goes
    its own way; each group at its own rate, so that groups that differ are not taken for rows that fail together. At
    least 1. Clusters with rows in several groups pull on each.
    Sources: Lin 1989.
    """
    day, failed, weight = (np.asarray(v, dtype=np.float64) for v in (exit_days, event, score))
    code, unit = np.asarray(group, dtype=np.int64), np.asarray(cluster, dtype=np.int64)
    order = np.lexsort((unit, weight, failed, day))
    day, failed, weight, code, unit = day[order], failed[order], weight[order], code[order], unit[order]
    count = found.failed.sum(axis=1)
    _, expected = rates_together(found)
    own = (count + 0.5) / (expected + 0.5)
    weight, risk = weight * own[code], found.risk * own[:, None]
    total, whole = found.failed.sum(axis=0), np.maximum(risk.sum(axis=0), 1e-300)
    hazard = np.concatenate([[0.0], np.cumsum(total / whole)])
    place = np.searchsorted(found.days, day, side="right")
    squares = plain = 0.0
    for one in range(found.groups):
        share = risk[one] / whole
        passed = np.concatenate([[0.0], np.cumsum(total * share / whole)])
        mine = code == one
        at_exit = share[np.maximum(place - 1, 0)]
        pull = failed * (mine - at_exit) - weight * (mine * hazard[place] - passed[place])
        squares += float(np.sum(np.sort(np.bincount(unit, pull) ** 2)))
        plain += float(total @ (share * (1 - share)))
    return max(1.0, squares / plain) if plain > 0 else 1.0


def in_stretches(found: Tally, stretches: int = STRETCHES) -> Tally:
    """The same tally with days taken together: failures are added up, risk is averaged by the failures of the days."""
    total = found.failed.sum(axis=0)
    if len(total) <= stretches:
        return found
    where = np.minimum((np.cumsum(total) - total / 2) / total.sum() * stretches, stretches - 1).astype(np.int64)
    first = np.unique(where, return_index=True)[1]
    failed = np.add.reduceat(found.failed, first, axis=1)
    weight = total / np.repeat(np.add.reduceat(total, first), np.diff([*first, len(total)]))
    return Tally(found.days[first], failed, np.add.reduceat(found.risk * weight, first, axis=1), found.slopes,
                 found.slope_cov)  # fmt: skip


def judge(
    found: Tally, failed: Floats, judged: Bools, *, dispersion: float, levels: tuple[float, float] = (0.05, 0.002)
) -> Judged:
    """Look at all groups together, in each of several practices: `failed` is practice by group by day.

    `judged` have enough to be looked at; the others are part of what these are held against, unless only two are
    judged. `levels` are the chances of at least one group outside where all are alike.
    """
    looks, n = failed.shape[0], found.groups
    flag, of = np.zeros((looks, n), dtype=np.int64), np.zeros((looks, n), dtype=np.int64)
    up = np.zeros((looks, n), dtype=np.bool_)
    company, stage = np.ones((looks, n), dtype=np.bool_), np.zeros((looks, n), dtype=np.int64)
    still, round_no = np.arange(looks), 0
    while len(still):
        asked = company[still] & judged
        number = asked.sum(axis=1)
        pair = number == 2
        company[still[pair]] = asked[pair]
        still, asked, number, pair = (v[number > 0] for v in (still, asked, number, pair))
        if not len(still):
            break
        tail, more = _tails(found, failed[still], company[still], asked, dispersion)
        tests = np.where(pair, 1, number)
        first, second = (1 - (1 - level) ** (1 / tests) for level in levels)
        least = tail.min(axis=1)
        of[still] = np.where(asked, number[:, None], of[still])
        stage[still] = np.where(asked, round_no, stage[still])
        up[still] = np.where(asked, more, up[still])
        out = least < first / 2
        who = np.where(pair[:, None], asked, (tail == least[:, None]) & asked) & out[:, None]
        how = np.where(least < second / 2, 2, 1)
        flag[still] = np.where(who, how[:, None], flag[still])
        company[still] &= ~who
        # After a pair, and where nobody stands out, all is said; a group alone with no other has no one beside it.
        still = still[out & ~pair & (company[still].sum(axis=1) > 1)]
        round_no += 1
    return Judged(flag, up, of, stage)


def limits_of(found: Tally, mine: Bools, others: Bools, *, dispersion: float, tail: float) -> tuple[float, float]:
    """The lowest and highest ratio to the others that is not outside, for this many failures of both together."""
    failed = found.failed[None]
    total, share, spread = _chances(found, failed, mine[None], others[None], dispersion)
    d, p, psi = float(total[0]), float(share[0]), float(spread[0])
    if not d > 0:
        return 0.0, np.inf
    low, high = 0.0, d
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if _upper(middle, d, p, psi) > tail else (low, middle)
    most = low
    low, high = 0.0, d
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (low, middle) if _lower(middle, d, p, psi) > tail else (middle, high)
    least = high if _lower(0.0, d, p, psi) <= tail else 0.0
    return _as_ratio(found, mine, others, least), _as_ratio(found, mine, others, most)


def _as_ratio(found: Tally, mine: Bools, others: Bools, count: float) -> float:
    """The ratio that so many failures of the group would give, of all that both sides had on the days of both."""
    risk, their_risk = found.risk[mine].sum(axis=0), found.risk[others].sum(axis=0)
    both = (risk > 0) & (their_risk > 0)
    a, b, d = risk[both], their_risk[both], found.failed[mine | others].sum(axis=0)[both]
    if count <= 0:
        return 0.0
    if count >= d.sum() - 1e-9:
        return float("inf")
    low, high = -12.0, 12.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        ratio = np.exp(middle)
        low, high = (low, middle) if d @ (ratio * a / (ratio * a + b)) > count else (middle, high)
    return float(np.exp((low + high) / 2))


def _chances(
    found: Tally, failed: Floats, mine: Bools, others: Bools, dispersion: float
) -> tuple[Floats, Floats, Floats]:
    """Failures of both sides on days with both at risk, the chance that one falls to the group, and the spread.

    One entry a practice: `failed` is practice by group by day, `mine` and `others` practice by group. The spread is in
    multiples of the binomial one.
    """
    risk, theirs = mine @ found.risk, others @ found.risk
    share = np.where((risk > 0) & (theirs > 0), risk / np.maximum(risk + theirs, 1e-300), 0.0)
    counted = np.einsum("sgt,sg->st", failed, (mine | others).astype(np.float64)) * (share > 0)
    total = counted.sum(axis=1)
    mean, variance = (counted * share).sum(axis=1), (counted * share * (1 - share)).sum(axis=1)
    p = mean / np.maximum(total, 1e-300)
    expected = np.maximum(found.failed.sum(axis=1), 0.5)
    weight = others * expected
    gap = (mine @ found.slopes) / mine.sum(axis=1)[:, None] - (weight @ found.slopes) / weight.sum(axis=1)[:, None]
    unsure = np.einsum("sj,jk,sk->s", gap, found.slope_cov, gap)
    whole = dispersion * variance + unsure * variance**2
    spread = np.where(total > 0, whole / np.maximum(total * p * (1 - p), 1e-300), 1.0)
    return total, p, spread


def _tails(found: Tally, failed: Floats, company: Bools, asked: Bools, dispersion: float) -> tuple[Floats, Bools]:
    """The smaller tail of each group that is asked about, and whether it lies above; 1 for the others."""
    looks, n = asked.shape
    tail, up = np.ones((looks, n)), np.zeros((looks, n), dtype=np.bool_)
    for one in range(n):
        mine = np.zeros((looks, n), dtype=np.bool_)
        mine[:, one] = True
        others = company & ~mine
        rows = np.flatnonzero(asked[:, one] & others.any(axis=1))
        if not len(rows):
            continue
        d, p, psi = _chances(found, failed[rows], mine[rows], others[rows], dispersion)
        usable = ((found.risk[one] > 0) & ((others[rows] @ found.risk) > 0)).astype(np.float64)
        count = (failed[rows, one] * usable).sum(axis=1)
        error = np.sqrt(np.maximum(psi * d * p * (1 - p), 1e-300))
        far = (np.abs(count - d * p) > NEAR * error) & (d > 0)
        up[rows, one] = count > d * p
        k, total, chance, spread = count[far], d[far], p[far], psi[far]
        tail[rows[far], one] = np.where(
            k > total * chance, _upper(k, total, chance, spread), _lower(k, total, chance, spread)
        )
    return tail, up


def _upper(count: ArrayLike, total: ArrayLike, p: ArrayLike, spread: ArrayLike) -> Floats:
    """Chance of so many or more; counts and totals are divided by the spread and need not be whole."""
    k, n = np.asarray(count) / spread, np.asarray(total) / spread
    found: Floats = np.where(k > 0, betainc(np.maximum(k, 1e-12), np.maximum(n - k, 0.0) + 1, p), 1.0)
    return found


def _lower(count: ArrayLike, total: ArrayLike, p: ArrayLike, spread: ArrayLike) -> Floats:
    """Chance of so many or fewer."""
    return _upper(np.asarray(total) - count, total, 1 - np.asarray(p), spread)


def simulate(
    found: Tally, rate: Floats, hazard: Floats, *, dispersion: float, looks: int, draw: np.random.Generator
) -> tuple[Floats, float]:
    """Failures of simulated practices (practice by group by day), with the risk that each group had followed.

    `rate` multiplies the hazard of each group, `hazard` is what one unit of risk fails on each day. Counts at rate 1
    vary `dispersion` times as much as Poisson counts; where a group fails more often, more of a cluster fail, and what
    is above 1 grows with the rate. The relative risks are drawn within their error. Also gives the dispersion that one
    would find in such a practice.
    """
    mean = found.risk * hazard * rate[:, None]
    size = (looks, *mean.shape)
    if found.slopes.shape[1]:
        root = np.linalg.cholesky(found.slope_cov + 1e-14 * np.eye(len(found.slope_cov)))
        moved = draw.standard_normal((looks, found.slopes.shape[1])) @ root.T @ found.slopes.T
        mean = mean * np.exp(moved)[:, :, None]
    if dispersion <= 1 + 1e-9:
        return draw.poisson(mean, size).astype(np.float64), 1.0
    above = (dispersion - 1) * np.maximum(rate, 1e-6)
    clumped = draw.gamma(np.maximum(mean, 1e-12) / above[:, None], above[:, None], size)
    overall = 1 + float(np.average(above, weights=np.maximum((found.risk * hazard * rate[:, None]).sum(axis=1), 1e-12)))
    return draw.poisson(clumped).astype(np.float64), overall
