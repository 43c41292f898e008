"""Sizes of hand files and the diameter along a file.

ISO 3630-1: the size is the diameter at the tip in hundredths of a millimetre, and the taper of a hand file is 2 %.
The steps between sizes are common practice, no source: 06-08-10 by 2, 10-60 by 5, 60-140 by 10.
"""

from __future__ import annotations

HAND_TAPER = 0.02
CUTTING_LENGTH_MM = 16.0
SIZES = (*range(6, 10, 2), *range(10, 60, 5), *range(60, 141, 10))


def diameter_at(size: int, *, from_tip_mm: float, taper: float = HAND_TAPER) -> float:
    """Diameter in mm at a distance from the tip: tip + taper times distance. Size 30, 2 %, 3 mm: 0.36 mm.

    Many engine-driven files have a varying taper; for them it holds near the tip only (common practice, no source).

    Raises ValueError for a negative distance.
    """
    if from_tip_mm < 0:
        raise ValueError("the distance from the tip must not be negative")
    return size / 100 + taper * from_tip_mm


def nearest_sizes(size: int) -> tuple[int, ...]:
    """The size itself if there is one, else the sizes on either side of it."""
    if size in SIZES:
        return (size,)
    below, above = [s for s in SIZES if s < size], [s for s in SIZES if s > size]
    return (*below[-1:], *above[:1])
