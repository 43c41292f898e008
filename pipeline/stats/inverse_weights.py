"""Weights that make two groups alike in what was known before: inverse probability of the treatment received.

Stabilised weights [Robins 2000a]: the share treated (or not) over the fitted probability of what the crown received.
They average about 1. A few very large ones would carry the comparison, so both tails are set back to a quantile [Cole
2008]: less noise for some bias, which is why the bounds and the number of weights set back are part of the result.

Curves and Cox fits take these weights; give the patient as `cluster`, so that their errors do not take a weight of 2
for two crowns. Weights are taken as known there, which makes limits a little too wide rather than too narrow [Robins
2000a].
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.spells import Floats


@dataclass(frozen=True, eq=False)
class Weights:
    """`values` has one weight a row, of which `n_truncated` were set back to a quantile.

    `low` and `high` are the least and the largest weight after that.
    """

    values: Floats = field(repr=False)
    low: float
    high: float
    n_truncated: int


def stabilised_weights(
    treated: ArrayLike, probability: ArrayLike, *, quantiles: tuple[float, float] = (0.01, 0.99)
) -> Weights:
    """Stabilised inverse-probability weights, truncated at quantiles (0 and 1 for none; R's type 7).

    `probability` is each crown's fitted probability of being treated, strictly between 0 and 1. Raises ValueError
    otherwise, for groups of which one is empty, and for quantiles that are not in order.
    """
    chosen, chance = np.asarray(treated).astype(np.bool_), np.asarray(probability, dtype=np.float64)
    if chance.shape != chosen.shape or not np.all((chance > 0) & (chance < 1)):
        raise ValueError("probability needs a number between 0 and 1, both excluded, for each row.")
    if chosen.all() or not chosen.any():
        raise ValueError("One of the two groups is empty.")
    check_quantiles(quantiles)
    share = chosen.mean()
    raw = np.where(chosen, share / chance, (1 - share) / (1 - chance))
    low, high = np.quantile(raw, quantiles)
    values = np.clip(raw, low, high)
    return Weights(values, float(low), float(high), int(np.count_nonzero(values != raw)))


def check_quantiles(quantiles: tuple[float, float]) -> None:
    """Raise ValueError unless these are two shares in order."""
    if not 0 <= quantiles[0] < quantiles[1] <= 1:
        raise ValueError("quantiles must be two shares in order.")


def effective_sample_size(weights: ArrayLike) -> float:
    """How many rows of equal weight would tell as much: (sum of weights)^2 / sum of squares.

    Sources: Kish 1965, section 11.7.
    """
    weight = np.asarray(weights, dtype=np.float64)
    return float(weight.sum() ** 2 / np.sum(weight**2))
