"""Sums over a run of positions of the weights whose rank is below a bound, for many runs at once.

A wavelet matrix [1]: the ranks are split bit by bit, highest first, zeros before ones, and each question follows its
bound down the bits. Cost is (positions + questions) times the number of bits, without a loop over either.

References
----------
[1] Claude F, Navarro G, Ordonez A. The wavelet matrix. Information Systems 2015;47:15-32.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def sums_below(rank: Ints, weight: Floats, begin: Ints, end: Ints, bound: Ints) -> Floats:
    """For each question q, the sum of `weight[p]` over begin[q] <= p < end[q] with `rank[p]` < `bound[q]`.

    Ranks are whole and not negative; a run with begin >= end sums to 0. Whole weights give exact sums.
    """
    begin, end = begin.copy(), np.maximum(begin, end)
    total = np.zeros(len(bound))
    highest = max(int(rank.max(initial=0)), int(bound.max(initial=0)))
    for bit in range(highest.bit_length() - 1, -1, -1):
        one = (rank >> bit & 1).astype(np.bool_)
        zeros = np.concatenate(([0], np.cumsum(~one)))
        zero_weight = np.concatenate(([0.0], np.cumsum(np.where(one, 0.0, weight))))
        goes_up = (bound >> bit & 1).astype(np.bool_)
        # A bound with this bit set is above every rank that shares its higher bits and has the bit clear.
        total += np.where(goes_up, zero_weight[end] - zero_weight[begin], 0.0)
        begin = np.where(goes_up, zeros[-1] + begin - zeros[begin], zeros[begin])
        end = np.where(goes_up, zeros[-1] + end - zeros[end], zeros[end])
        order = np.concatenate((np.flatnonzero(~one), np.flatnonzero(one)))
        rank, weight = rank[order], weight[order]
    return total
