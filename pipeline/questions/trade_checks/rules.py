"""The rules: what breaks each here, its limits, words, advice and source in `pipeline/data/trade_rules.csv`.

No rule ties a filling method to a sealer: every combination is in use somewhere.
"""

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.file_sizes import SIZES

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


COMMON = "common practice, no source"
IMPOSSIBLE, UNUSUAL = "impossible", "unusual"
LAST_PERMANENT = 48  # ISO 3950: primary teeth are 51 to 85


@dataclass(frozen=True)
class Rule:
    """One rule. `says` completes "3 of 120 rows are ..." and "rows ...".

    `broken` is an expression over the rows of its table that is true where the rule is broken, false where it is kept
    and null where there is nothing to check; None where reading left out what breaks it, with one of the notes `unread`
    (empty for any).
    """

    id: str
    table: str
    field: str
    kind: str
    broken: pl.Expr | None
    unread: tuple[str, ...]
    says: str
    what_to_do: str
    source: str


def _word(column: str) -> pl.Expr:
    return pl.col(column).str.strip_chars().str.to_lowercase()


def _with(one: str, other: str, broken: pl.Expr) -> pl.Expr:
    """Checked where both columns are filled in."""
    return pl.when(pl.col(one).is_not_null() & pl.col(other).is_not_null()).then(broken)


def _above(column: str) -> Callable[[float], pl.Expr]:
    return lambda limit: pl.col(column) > limit


_DAYS_TO_SEAT = (pl.col("seat_date") - pl.col("prep_date")).dt.total_days()
_HAS_POST = _word("post") != "none"
# What breaks a rule, given its limits.
_BROKEN: dict[str, Callable[..., pl.Expr]] = {
    "naocl_strength": lambda low, high: (pl.col("naocl_percent") != 0) & ~pl.col("naocl_percent").is_between(low, high),
    "naocl_zero": lambda: pl.col("naocl_percent") == 0,
    "filling_long": lambda: pl.col("length_short_of_apex_mm") < 0,
    "filling_short": _above("length_short_of_apex_mm"),
    "filling_far_short": _above("length_short_of_apex_mm"),
    "apical_size": lambda: ~pl.col("master_apical_size_iso").is_in(SIZES),
    "canal_count": canals_out_of_range,
    "many_visits": _above("visits"),
    "visits_and_days": lambda: _with(
        "visits", "days_of_course", (pl.col("visits") == 1) & (pl.col("days_of_course") > 1)
    ),
    "root_canal_of_primary_tooth": lambda: pl.col("tooth_fdi") > LAST_PERMANENT,
    "crown_of_primary_tooth": lambda: pl.col("tooth_fdi") > LAST_PERMANENT,
    "seat_before_preparation": lambda: _DAYS_TO_SEAT < 0,
    "long_wait_for_seat": lambda days: days < _DAYS_TO_SEAT,
    "ferrule_height": _above("ferrule_mm"),
    "post_without_core": lambda: _with("post", "core", _HAS_POST & (_word("core") == "none")),
    "post_in_vital_tooth": lambda: _with(
        "post", "pulp_status_at_prep", _HAS_POST & pl.col("pulp_status_at_prep").is_in(("normal", "hyperemic"))
    ),
}


def _rule(row: dict[str, str]) -> Rule:
    table, field = row["field"].split(".")
    limits = [float(n) for n in row["limits"].split()]
    return Rule(
        id=row["rule"],
        table=table,
        field=field,
        kind=row["kind"],
        broken=None if row["unread"] else _BROKEN[row["rule"]](*limits),
        unread=() if row["unread"] in ("", "any") else tuple(row["unread"].split("|")),
        says=row["says"].format(*row["limits"].split()),
        what_to_do=row["what_to_do"],
        source=row["source"],
    )


RULES = tuple(_rule(row) for row in data_rows("trade_rules"))
