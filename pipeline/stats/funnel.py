"""Observed against expected counts: how far chance alone spreads them.

Limits are exact for a Poisson count, drawn as a smooth line by letting the count be any number >= 0: for whole counts
the chance of k or more with mean m is the regularised incomplete gamma function P(k, m), which is defined in between.
A whole count lies outside the line exactly if its own tail is smaller than half of what the line leaves out.
Sources: Spiegelhalter 2005; Garwood 1936.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainc, gammaincc

Floats = NDArray[np.float64]
HALVINGS = 80


def tails(observed: float, expected: float) -> tuple[float, float]:
    """Chance of as few or fewer, and of as many or more, than observed where `expected` is the mean.

    Raises ValueError for an expectation that is not above 0.
    """
    _check(expected)
    return float(gammaincc(observed + 1, expected)), float(gammainc(observed, expected)) if observed > 0 else 1.0


def limits(expected: ArrayLike, *, coverage: float) -> tuple[Floats, Floats]:
    """Lower and upper limit of observed / expected for each expectation; a count on the line is inside.

    The lower limit is 0 where not even a count of 0 would be unlikely enough.
    """
    wanted = np.atleast_1d(np.asarray(expected, dtype=np.float64))
    for one in wanted:
        _check(float(one))
    mean, tail = wanted, (1 - coverage) / 2
    most = mean + 20 * np.sqrt(mean) + 40
    # P(k or more) falls as k grows, P(k or fewer) rises.
    high = _bisect(lambda k: gammainc(np.maximum(k, 1e-300), mean) > tail, np.zeros_like(mean), most)
    low = _bisect(lambda k: gammaincc(k + 1, mean) < tail, np.zeros_like(mean), most)
    low = np.where(gammaincc(1.0, mean) >= tail, 0.0, low)
    return low / mean, high / mean


def _bisect(above: object, low: Floats, high: Floats) -> Floats:
    assert callable(above)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        still = above(middle)
        low, high = np.where(still, middle, low), np.where(still, high, middle)
    return (low + high) / 2


def _check(expected: float) -> None:
    if not expected > 0:
        raise ValueError("expected must be above 0")
