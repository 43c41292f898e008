import math

import numpy as np
import pytest

from pipeline.stats.detectable import detectable_difference


def test_two_point_eight_standard_errors():
    # 1.959964 + 0.841621
    assert detectable_difference(1.0) == pytest.approx(2.801585, abs=1e-6)
    assert [detectable_difference(error) for error in (0, 0.5)] == pytest.approx([0, 2.801585 / 2], abs=1e-6)
    assert detectable_difference(2.0, power=0.9, confidence=0.9) == pytest.approx(2 * (1.644854 + 1.281552), abs=1e-5)


def test_power_is_what_was_asked_for():
    # By simulation: so large a difference is found that often; the far tail adds up to 0.00005 at a power of one half.
    noise = np.random.default_rng(1).normal(size=200_000)
    for power in (0.5, 0.8, 0.95):
        found = np.abs(detectable_difference(1.0, power=power) + noise) > 1.959964
        assert np.mean(found) == pytest.approx(power, abs=0.004)


def test_broken_errors_are_refused():
    for call in (lambda: detectable_difference(-1), lambda: detectable_difference(math.nan)):
        with pytest.raises(ValueError, match="std_error"):
            call()
    for power in (0.3, 0.499, 1):
        with pytest.raises(ValueError, match="power"):
            detectable_difference(1, power=power)
