"""Interval-censored times: by hand, against a published example and R, and what must hold of any times."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from r_session import needs_r, run_r

from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.turnbull import turnbull

DATA = Path(__file__).resolve().parents[1] / "data" / "survival" / "cosmesis.csv"
INF = float("inf")


def cosmesis() -> tuple[np.ndarray, np.ndarray]:
    rows = pl.read_csv(DATA)
    return rows["left"].to_numpy().astype(float), rows["right"].fill_null(INF).to_numpy().astype(float)


def cells(found) -> list[tuple[float, float, float]]:
    return [tuple(map(float, row)) for row in zip(found.left, found.right, found.mass, strict=True)]


def test_by_hand():
    # Two lie in (0, 2], one in (1, 3], one after 2. Innermost: (1, 2] and (2, 3]; the chance p of the first has the
    # likelihood p^2 * 1 * (1 - p), which is largest at 2/3.
    found = turnbull([0, 0, 1, 2], [2, 2, 3, INF])
    assert cells(found) == [(1, 2, pytest.approx(2 / 3)), (2, 3, pytest.approx(1 / 3))]
    assert found.log_likelihood == pytest.approx(np.log(4 / 27))
    assert found.by([1, 1.5, 2, 2.5, 3]).tolist() == pytest.approx([0, 1 / 3, 2 / 3, 5 / 6, 1])
    assert found.at_least([1.5, 2]).tolist() == pytest.approx([0, 2 / 3])
    assert found.at_most([1, 1.5, 2, 2.5]).tolist() == pytest.approx([0, 2 / 3, 2 / 3, 1])


def test_what_was_never_seen_has_no_place_in_time():
    found = turnbull([0, 3], [2, INF])
    assert cells(found) == [(0, 2, pytest.approx(0.5)), (3, INF, pytest.approx(0.5))]
    assert found.by([2, 3, 1e9]).tolist() == pytest.approx([0.5, 0.5, 0.5])
    assert found.at_most([0, 1, 4]).tolist() == pytest.approx([0, 0.5, 0.5])


def test_a_known_time_comes_before_what_is_open_there():
    # Known at 2, and open from 2 to 4: no chance can serve both.
    assert cells(turnbull([2, 2], [2, 4])) == [(2, 2, pytest.approx(0.5)), (2, 4, pytest.approx(0.5))]
    # Known at 2 and within (1, 2]: the known time serves both.
    assert cells(turnbull([2, 1], [2, 2])) == [(2, 2, pytest.approx(1))]


def test_published_breast_cosmesis_radiotherapy():
    # 46 women with radiotherapy alone, Finkelstein DM, Wolfe RA. Biometrics 1985;41:933-945, months to retraction. The
    # estimate is that printed by Fay MP, Shaw PA. J Stat Softw 2010;36(2) (values from memory, to four decimals).
    printed = [
        (4, 5, 0.0463),
        (6, 7, 0.0334),
        (7, 8, 0.0887),
        (11, 12, 0.0708),
        (24, 25, 0.0926),
        (33, 34, 0.0818),
        (38, 40, 0.1209),
        (46, 48, 0.4656),
    ]
    found = turnbull(*cosmesis())
    assert cells(found) == [(a, b, pytest.approx(m, abs=6e-5)) for a, b, m in printed]
    assert found.gap <= 1e-8


@needs_r
def test_against_r(tmp_path):
    # R's survfit takes each innermost interval at its middle, and its EM steps stop early: where the likelihood is
    # flat, it may be a hundredth off, and is then the less likely of the two.
    rng = np.random.default_rng(7)
    left, right = looked_at(rng, 200)
    frames = {"cosmesis": cosmesis(), "drawn": (left, right)}
    for name, (a, b) in frames.items():
        folder = tmp_path / name
        folder.mkdir()
        rows = pl.DataFrame({"left": a, "right": [None if np.isinf(x) else float(x) for x in b]})
        said = run_r(
            folder,
            rows,
            """
            fit <- survfit(Surv(left, right, type="interval2") ~ 1, data=d)
            list(time=fit$time, surv=fit$surv)
            """,
        )
        found = turnbull(a, b)
        ours = 1 - np.array([np.sum(found.mass[(found.left + found.right) / 2 <= t + 1e-9]) for t in said["time"]])
        theirs = np.array(said["surv"])
        assert np.max(np.abs(ours - theirs)) < (2e-3 if name == "cosmesis" else 0.02)
        assert np.median(np.abs(ours - theirs)) < 1e-3
        at, mass = np.array(said["time"]), -np.diff(theirs, prepend=1.0)
        rest = theirs[-1] * np.isinf(b)  # what R leaves after the last time
        chance = ((at > a[:, None]) & (at <= b[:, None])) @ mass + rest
        assert 0 <= found.log_likelihood - float(np.log(chance).sum()) < 0.05


def looked_at(rng, n: int) -> tuple[np.ndarray, np.ndarray]:
    """Exponential times with a mean of 20, looked at one to five times within 60."""
    time = rng.exponential(20, n)
    left, right = np.zeros(n), np.full(n, INF)
    for i in range(n):
        looks = np.unique(rng.integers(1, 60, rng.integers(1, 6)))
        after = np.searchsorted(looks, time[i])
        left[i] = looks[after - 1] if after else 0
        right[i] = looks[after] if after < len(looks) else INF
    return left, right


def test_known_times_give_kaplan_meier():
    rng = np.random.default_rng(3)
    time, seen = rng.integers(1, 40, 120), rng.random(120) < 0.6
    found = turnbull(time, np.where(seen, time, INF))
    curve = kaplan_meier(time, seen)
    at = np.asarray(curve.time)
    assert found.by(at).tolist() == pytest.approx((1 - np.asarray(curve.survival)).tolist(), abs=1e-6)


INTERVALS = st.lists(
    st.tuples(st.integers(0, 12), st.one_of(st.integers(0, 8), st.none()), st.integers(1, 3)), min_size=1, max_size=25
)


@settings(max_examples=60)
@given(INTERVALS, st.randoms(use_true_random=False))
def test_what_holds_of_any_times(drawn, random):
    left = np.array([a for a, _, _ in drawn], float)
    right = np.array([INF if d is None else a + d for a, d, _ in drawn], float)
    weight = np.array([w for _, _, w in drawn], float)
    found = turnbull(left, right, weight=weight)
    assert found.mass.sum() == pytest.approx(1)
    assert found.gap <= 1e-6
    # No other distribution on the same intervals is likelier.
    for _ in range(5):
        other = np.array([0.01 + random.random() for _ in found.mass])
        other = 0.9 * found.mass + 0.1 * other / other.sum()
        inside = (found.left >= left[:, None]) & (found.right <= right[:, None])
        inside &= ~((found.right == left[:, None]) & (right > left)[:, None])  # a known time at the row's open end
        assert weight @ np.log(inside @ other) <= found.log_likelihood + 1e-7
    order = list(range(len(left)))
    random.shuffle(order)
    again = turnbull(left[order], right[order], weight=weight[order])
    assert cells(again) == cells(found)
    copies = np.repeat(np.arange(len(left)), weight.astype(int))
    copied = turnbull(left[copies], right[copies])
    assert cells(copied) == cells(found)


@pytest.mark.parametrize(
    ("left", "right"), [([], []), ([1], [0]), ([-1], [2]), ([1, 2], [3]), ([float("nan")], [1]), ([INF], [INF])]
)
def test_what_is_no_interval_is_refused(left, right):
    with pytest.raises(ValueError, match=r"ends|No rows"):
        turnbull(left, right)
