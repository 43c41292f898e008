"""The rules, as data: which field, what breaks it, in what words, what to do, and from where the rule is.

A rule is an expression over the rows of its table that is true where it is broken, false where it is kept and null
where there is nothing to check. No rule ties a filling method to a sealer: every combination is in use somewhere.
"""

from dataclasses import dataclass

import polars as pl

from pipeline.practice.file_sizes import SIZES
from pipeline.questions.trade_checks.canals import canals_out_of_range

COMMON = "common practice, no source"
ARITHMETIC = "arithmetic"
IMPOSSIBLE, UNUSUAL = "impossible", "unusual"
LOWEST_PERCENT, HIGHEST_PERCENT = 0.5, 8.25
MOST_SHORT_MM = 2.0
HARDLY_SHORT_MM = 5.0
MOST_VISITS = 5
HIGHEST_FERRULE_MM = 6.0
LONGEST_PREP_DAYS = 180
LAST_PERMANENT = 48  # ISO 3950: primary teeth are 51 to 85


@dataclass(frozen=True)
class Rule:
    """One rule. `says` completes "3 of 120 rows are ..." and "rows ..."."""

    id: str
    of: str  # table.field
    broken: pl.Expr
    says: str
    what_to_do: str
    kind: str = UNUSUAL
    source: str = COMMON


def _word(column: str) -> pl.Expr:
    return pl.col(column).str.strip_chars().str.to_lowercase()


_DAYS_TO_SEAT = (pl.col("seat_date") - pl.col("prep_date")).dt.total_days()

PRIMARY_TOOTH = "on a primary tooth, where no survival question looks"

RULES = (
    Rule(
        "naocl_strength",
        "endo_details.naocl_percent",
        (pl.col("naocl_percent") != 0) & ~pl.col("naocl_percent").is_between(LOWEST_PERCENT, HIGHEST_PERCENT),
        f"recorded with a strength outside {LOWEST_PERCENT:g} to {HIGHEST_PERCENT:g} %",
        "Check whether it is a percentage: a share (0.025) or a ratio is not. Write the strength as used.",
    ),
    Rule(
        "naocl_zero",
        "endo_details.naocl_percent",
        pl.col("naocl_percent") == 0,
        "recorded with a strength of 0 %",
        "Leave the field empty where the strength was not written down; 0 says that none was used.",
    ),
    Rule(
        "filling_long",
        "endo_details.length_short_of_apex_mm",
        pl.col("length_short_of_apex_mm") < 0,
        "recorded with the filling beyond the apex",
        "True overfilling is kept. If your software writes short as negative, turn the sign before export.",
        source=f"{COMMON}; 0 to 2 mm short is called adequate in published reviews",
    ),
    Rule(
        "filling_short",
        "endo_details.length_short_of_apex_mm",
        pl.col("length_short_of_apex_mm") > MOST_SHORT_MM,
        f"recorded with the filling more than {MOST_SHORT_MM:g} mm short of the apex",
        "A true shortfall is kept. If most rows are like this, the column may hold the working length.",
        source=f"{COMMON}; 0 to 2 mm short is called adequate in published reviews",
    ),
    Rule(
        "filling_far_short",
        "endo_details.length_short_of_apex_mm",
        pl.col("length_short_of_apex_mm") > HARDLY_SHORT_MM,
        f"recorded with the filling more than {HARDLY_SHORT_MM:g} mm short of the apex, which is hardly plausible",
        "Check that the field holds the distance from filling to apex, in millimetres, and not the working length.",
    ),
    Rule(
        "apical_size",
        "endo_details.master_apical_size_iso",
        ~pl.col("master_apical_size_iso").is_in(SIZES),
        "recorded with a size that no hand file has",
        "Check the field: 0.25 mm is size 25. Sizes between the steps exist for some engine-driven files only.",
        source="ISO 3630-1; the steps between sizes are common practice, no source",
    ),
    Rule(
        "canal_count",
        "endo_details.canals",
        canals_out_of_range(),
        "recorded with a canal count outside what this kind of tooth has",
        "Check the tooth number first, then the count; a single canal treated again is a count of canals treated.",
    ),
    Rule(
        "many_visits",
        "endo_details.visits",
        pl.col("visits") > MOST_VISITS,
        f"recorded with more than {MOST_VISITS} visits",
        "Check whether recalls or emergency visits were counted as visits of the course.",
    ),
    Rule(
        "visits_and_days",
        "endo_details.visits",
        pl.when(pl.col("visits").is_not_null() & pl.col("days_of_course").is_not_null()).then(
            (pl.col("visits") == 1) & (pl.col("days_of_course") > 1)
        ),
        "recorded as one visit though the ledger has rows of the course on several days",
        "Correct the number of visits, or the date of the ledger row that does not belong to the course.",
        kind=IMPOSSIBLE,
        source=ARITHMETIC,
    ),
    Rule(
        "root_canal_of_primary_tooth",
        "endo_details.tooth_fdi",
        pl.col("tooth_fdi") > LAST_PERMANENT,
        PRIMARY_TOOTH,
        "Check the way in which teeth are numbered: an extra tooth of one system is a primary tooth of another.",
        source=ARITHMETIC,
    ),
    Rule(
        "crown_of_primary_tooth",
        "crown_details.tooth_fdi",
        pl.col("tooth_fdi") > LAST_PERMANENT,
        PRIMARY_TOOTH,
        "Check the way in which teeth are numbered: an extra tooth of one system is a primary tooth of another.",
        source=ARITHMETIC,
    ),
    Rule(
        "seat_before_preparation",
        "crown_details.seat_date",
        _DAYS_TO_SEAT < 0,
        "recorded with the seat before the preparation",
        "Correct one of the two dates; until then the order of a root canal and the seat may be wrong.",
        kind=IMPOSSIBLE,
        source=ARITHMETIC,
    ),
    Rule(
        "long_wait_for_seat",
        "crown_details.seat_date",
        _DAYS_TO_SEAT > LONGEST_PREP_DAYS,
        f"seated more than {LONGEST_PREP_DAYS} days after the preparation",
        "Check the year of both dates.",
    ),
    Rule(
        "ferrule_height",
        "crown_details.ferrule_mm",
        pl.col("ferrule_mm") > HIGHEST_FERRULE_MM,
        f"recorded with a ferrule above {HIGHEST_FERRULE_MM:g} mm",
        "Check the unit: millimetres of sound dentine above the margin.",
    ),
    Rule(
        "post_without_core",
        "crown_details.post",
        pl.when(pl.col("post").is_not_null() & pl.col("core").is_not_null()).then(
            (_word("post") != "none") & (_word("core") == "none")
        ),
        "recorded with a post and no core",
        "A post is there to hold a core: fill in the core, or say that there was no post.",
    ),
    Rule(
        "post_in_vital_tooth",
        "crown_details.post",
        pl.when(pl.col("post").is_not_null() & pl.col("pulp_status_at_prep").is_not_null()).then(
            (_word("post") != "none") & pl.col("pulp_status_at_prep").is_in(("normal", "hyperemic"))
        ),
        "recorded with a post in a tooth recorded as having a live pulp",
        "Right where a root canal was done between preparation and seat; otherwise correct the pulp or the post.",
    ),
)
