"""How many canals a permanent tooth may plausibly have (common practice, no source).

Wide on purpose: a count outside is more often a wrong tooth number or a slip of the pen than rare anatomy.
"""

import polars as pl

# Arch (1 upper, 2 lower) and position from the midline to the fewest and most canals that raise no question.
PLAUSIBLE: dict[tuple[int, int], tuple[int, int]] = {
    (1, 1): (1, 2), (1, 2): (1, 2), (1, 3): (1, 2), (1, 4): (1, 3), (1, 5): (1, 3),
    (1, 6): (2, 5), (1, 7): (1, 5), (1, 8): (1, 5),
    (2, 1): (1, 2), (2, 2): (1, 2), (2, 3): (1, 2), (2, 4): (1, 3), (2, 5): (1, 3),
    (2, 6): (2, 5), (2, 7): (1, 5), (2, 8): (1, 5),
}  # fmt: skip
UPPER_FIRST_MOLARS = (16, 26)


def canals_out_of_range() -> pl.Expr:
    """True where `canals` is outside the plausible range of `tooth_fdi`; null without a count or a permanent tooth."""
    teeth = {10 * q + p: limits for (arch, p), limits in PLAUSIBLE.items() for q in ((1, 2) if arch == 1 else (3, 4))}
    tooth = pl.col("tooth_fdi").cast(pl.Int64)
    low = tooth.replace_strict({t: few for t, (few, _) in teeth.items()}, default=None, return_dtype=pl.Int64)
    high = tooth.replace_strict({t: many for t, (_, many) in teeth.items()}, default=None, return_dtype=pl.Int64)
    return (pl.col("canals") < low) | (pl.col("canals") > high)
