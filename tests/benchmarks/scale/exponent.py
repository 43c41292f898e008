"""How cost grows with size."""

from __future__ import annotations

import math
from collections.abc import Sequence


def exponent(sizes: Sequence[float], costs: Sequence[float]) -> float | None:
    """The power of size that cost grows with: the slope of the least-squares line of log cost on log size.

    1 is cost in proportion to size. None for fewer than two sizes, or where a size or a cost is not above 0.
    """
    if len(set(sizes)) < 2 or min(*sizes, *costs) <= 0:
        return None
    x, y = [math.log(s) for s in sizes], [math.log(c) for c in costs]
    x_mean, y_mean = sum(x) / len(x), sum(y) / len(y)
    spread = sum((a - x_mean) ** 2 for a in x)
    return sum((a - x_mean) * (b - y_mean) for a, b in zip(x, y, strict=True)) / spread
