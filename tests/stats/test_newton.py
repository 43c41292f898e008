"""How a likelihood is climbed, step by step, on ones whose top is known."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.stats.cox import Maximum, fit_cox, invert_information, make_design, maximise
from pipeline.stats.cox_input import check_rows
from pipeline.stats.cox_kernel import Floats
from pipeline.stats.cox_partitions import CoxPart, _InParts, lay_out, place_pieces, take_census
from pipeline.stats.cox_partitions import _sum_censuses as sum_censuses
from pipeline.stats.log_f import LogF


@dataclass
class Hill:
    """A likelihood by its height and slope; it remembers where it was asked for its height."""

    height: Callable[[Floats], float]
    slopes: Callable[[Floats], tuple[Floats, Floats]]
    width: Floats = field(default_factory=lambda: np.ones(1))
    events: float = 1.0
    asked: list[float] = field(default_factory=list)

    def moments(self, beta: Floats) -> Any:
        self.asked.append(float(beta[0]))
        return SimpleNamespace(loglik=self.height(beta))

    def slope(self, beta: Floats, at: Any) -> tuple[Floats, Floats]:
        return self.slopes(beta)

    def reach(self, step: Floats) -> float:
        return float(np.max(np.abs(step)))


def _climbed(hill: Any, names: tuple[str, ...] = ("a",)) -> Maximum:
    return maximise(hill, names)


def _round(top: float) -> Hill:
    return Hill(lambda b: -((b[0] - top) ** 2) / 2, lambda b: (top - b, np.ones((1, 1))))


def test_no_step_is_longer_than_ten_and_the_last_one_gains_nothing() -> None:
    hill = _round(25)
    found = _climbed(hill)
    assert hill.asked == [0, 10, 20, 25, 25]
    assert (found.iterations, found.converged, found.beta[0]) == (4, True, 25)


def test_sixty_steps_are_taken_at_most() -> None:
    found = _climbed(_round(10_000))
    assert (found.iterations, found.converged, found.beta[0], found.moving[0]) == (60, False, 600, False)


def _stepping_one(height: Callable[[Floats], float]) -> Hill:
    return Hill(height, lambda b: (np.ones(1) - b, np.ones((1, 1))))


def test_a_step_is_halved_thirty_times_at_most() -> None:
    hill = _stepping_one(lambda b: 0.0 if b[0] == 0 else -1.0)
    found = _climbed(hill)
    assert hill.asked == [0, *(2.0**-k for k in range(30))]
    assert (found.beta[0], found.converged) == (0, False)


@pytest.mark.parametrize(
    ("first", "halved"),
    [(np.inf, True), (np.nan, True), (-1.0, True), (-1.5e-12, True), (-1e-12, False), (0.0, False), (1.0, False)],
)
def test_a_step_is_halved_where_the_likelihood_is_lower_by_more_than_rounding_or_not_finite(
    first: float, halved: bool
) -> None:
    hill = _stepping_one(lambda b: {0.0: 0.0, 1.0: first}.get(b[0], 2.0))
    _climbed(hill)
    assert hill.asked[:3] == ([0, 1, 0.5] if halved else [0, 1, 1])


@pytest.mark.parametrize(
    ("errors", "moving"),
    [
        # The first still moves though hardly anything is gained; an error above 30 over the width tells nothing.
        ((300, 15.1, 1), (True, True, False)),
        ((300, 14.9, 30.5), (True, False, True)),
        ((300, 14.9, 29.9), (True, False, False)),
    ],
)
def test_coefficients_without_bound_are_told(errors: tuple[float, ...], moving: tuple[bool, ...]) -> None:
    information = np.diag(1 / np.square(errors))
    hill = Hill(lambda _: 0.0, lambda _: (information @ [0.2, 0, 0], information), width=np.array([1.0, 2.0, 1.0]))
    found = _climbed(replace(hill, events=1e-9), ("a", "b", "c"))
    assert not found.converged
    assert tuple(found.moving) == moving


def test_all_are_told_where_none_stands_out() -> None:
    hill = Hill(lambda _: 0.0, lambda b: (np.full(2, 1e-7), np.eye(2)), width=np.ones(2))
    hill.reach = lambda step: 0.2  # type: ignore[method-assign]  # two that move together, neither much
    assert _climbed(hill, ("a", "b")).moving.tolist() == [True, True]


def test_an_information_that_is_gone_leaves_a_large_variance_and_no_infinite_one() -> None:
    tiny = np.finfo(float).eps
    for largest in (1.0, 4.0):
        inverse = invert_information(np.diag([largest, 1e-40]))
        # Scaled by 1e-16 of the largest, and no share below two roundings of it.
        assert inverse[1, 1] == pytest.approx(1 / (2 * tiny * 1e-16 * largest))
        assert inverse[0, 0] == pytest.approx(1 / largest)
    assert invert_information(np.diag([1.0, -1e-20]))[1, 1] > 1e30
    matrix = np.array([[2.0, 1.0], [1.0, 3.0]])
    assert invert_information(matrix) @ matrix == pytest.approx(np.eye(2))
    assert np.isfinite(invert_information(np.zeros((1, 1)))).all()


def test_rows_in_parts_are_standardised_as_all_rows_are_and_a_step_reaches_as_far() -> None:
    rng = np.random.default_rng(4)
    x, days, event = rng.normal(3, 2, (60, 2)), rng.integers(1, 30, 60), rng.random(60) < 0.5
    x[:20] += 5  # so that parts differ
    names = ("a", "b")
    whole = make_design(check_rows(x, days, event, names=names), "efron")
    parts = [CoxPart(x[rows], days[rows], event[rows]) for rows in (slice(0, 20), slice(20, 60), slice(0, 0))]
    read = [check_rows(p.x, p.exit_days, p.event, names=names) for p in parts[:2]]
    layout = lay_out(sum_censuses([take_census(rows) for rows in read], names), names, "efron")
    placed = [one for part in parts for one in place_pieces(part, layout)]
    assert np.concatenate([one.z for one in placed], axis=1) == pytest.approx(whole.z)
    likelihood = _InParts(parts, lambda part: part, layout, sum_censuses([take_census(r) for r in read], names), map)
    assert likelihood.width == pytest.approx(np.ptp(whole.z, axis=1))
    for step in (np.array([1.0, -2.0]), np.array([-0.5, 0.1])):
        assert likelihood.reach(step) == pytest.approx(np.ptp(step @ whole.z))
    both = _InParts([parts], lambda some: some, layout, likelihood.whole, map)
    for beta in (np.zeros(2), np.array([0.3, -0.2])):
        at, together = likelihood.moments(beta), both.moments(beta)
        assert together.loglik == pytest.approx(at.loglik)
        for found, expected in zip(both.slope(beta, together), likelihood.slope(beta, at), strict=True):
            assert found == pytest.approx(expected)
        assert both.reach(beta) == pytest.approx(likelihood.reach(beta))


def test_the_likelihood_told_of_a_fit_with_a_belief_is_that_of_the_rows_alone() -> None:
    # Two rows of which either may fail first: the log of e^b / (e^b + 1); the belief pulls b to nothing.
    prior = LogF(np.array([[1.0]]), 3.0)
    days, event = [1, 2, 1, 2], [True, False, True, False]
    x, strata = np.array([[1.0], [0.0], [1.0], [0.0]]), [0, 0, 1, 1]
    fit = fit_cox(x, days, event, names=["a"], strata=strata, prior=prior, robust=True)
    share = 1 / (1 + np.exp(-fit.coef[0]))
    assert share == pytest.approx((2 + 3 / 2) / (2 + 3))  # two of two, and half of the belief's three
    assert fit.loglik == pytest.approx(2 * np.log(share))
    # What each half of the belief adds to the score, over the information.
    pulls = np.array([1.5 * (1 - share), -1.5 * share])
    information = 5 * share * (1 - share)
    assert fit.model_cov[0, 0] == pytest.approx(1 / information)
    halves = fit.robust_cov[0, 0] - (fit.influence() ** 2).sum()
    assert halves == pytest.approx((pulls**2).sum() / information**2)
