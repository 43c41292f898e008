import math

import numpy as np
import pytest

from pipeline.stats.detectable import detectable_difference, detectable_ratio, power_at


def test_two_point_eight_standard_errors():
    # 1.959964 + 0.841621
    assert detectable_difference(1.0) == pytest.approx(2.801585, abs=1e-6)
    assert detectable_difference(2.0, power=0.9, confidence=0.9) == pytest.approx(2 * (1.644854 + 1.281552), abs=1e-5)
    assert detectable_ratio(0.25) == pytest.approx(math.exp(0.25 * 2.801585), abs=1e-6)


def test_power_is_what_was_asked_for():
    for power in (0.5, 0.8, 0.95):
        # The far tail adds up to 0.00005 at a power of one half.
        assert power_at(detectable_difference(0.03, power=power), 0.03) == pytest.approx(power, abs=5e-5)
    assert power_at(0, 0.03) == pytest.approx(0.05)
    assert power_at(-0.1, 0.03) == power_at(0.1, 0.03)


def test_power_by_simulation():
    draws = np.random.default_rng(1).normal(1.5, 1, 200_000)
    assert power_at(1.5, 1) == pytest.approx(np.mean(np.abs(draws) > 1.959964), abs=0.004)


def test_broken_errors_are_refused():
    for call in (lambda: detectable_difference(-1), lambda: detectable_difference(math.nan), lambda: power_at(1, 0)):
        with pytest.raises(ValueError, match="std_error"):
            call()
    with pytest.raises(ValueError, match="power"):
        detectable_difference(1, power=0.3)
