"""Expected failures from a whole group's experience."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stats.expected import breslow_hazard


def test_a_hazard_worked_by_hand() -> None:
    # Five rows; day 2: 1 of 5 fails; day 4: 2 of 3 (one left on day 3); day 9 nobody fails.
    hazard = breslow_hazard([2, 3, 4, 4, 9], [1, 0, 1, 1, 0], np.ones(5))
    assert hazard.until([-1, 0, 1, 2, 3, 4, 100]) == pytest.approx(
        [0, 0, 0, 1 / 5, 1 / 5, 1 / 5 + 2 / 3, 1 / 5 + 2 / 3]
    )


def test_a_row_of_twice_the_risk_counts_as_two_at_risk() -> None:
    hazard = breslow_hazard([5, 8], [1, 1], [2.0, 1.0])
    assert hazard.until([5, 8]) == pytest.approx([1 / 3, 1 / 3 + 1])


def test_expected_failures_add_up_to_those_seen_in_any_order() -> None:
    draw = np.random.default_rng(4)
    days, event, score = draw.integers(0, 400, 500), draw.random(500) < 0.3, np.exp(draw.normal(0, 0.7, 500))
    hazard = breslow_hazard(days, event, score)
    assert np.sum(score * hazard.until(days)) == pytest.approx(event.sum())
    mixed = draw.permutation(500)
    again = breslow_hazard(days[mixed], event[mixed], score[mixed])
    assert np.array_equal(hazard.until(days), again.until(days))
