"""Hold the recorded technique against the rules: counts a rule and field, no rows."""

import polars as pl

from pipeline.practice.counts import count, plural, whole
from pipeline.practice.solutions import made_from
from pipeline.questions.trade_checks.rules import COMMON, IMPOSSIBLE, RULES, UNUSUAL, UPPER_FIRST_MOLARS, Rule
from pipeline.results.technique import TradeCheck, TradeCount

# Both 0 and 2 mm count as within 0 to 2 mm.
LENGTH_BANDS = (
    ("beyond the apex", pl.col("mm") < 0),
    ("0 to 0.5 mm short", pl.col("mm").is_between(0, 0.5)),
    ("over 0.5 to 1 mm short", (pl.col("mm") > 0.5) & (pl.col("mm") <= 1)),
    ("over 1 to 2 mm short", (pl.col("mm") > 1) & (pl.col("mm") <= 2)),
    ("over 2 to 5 mm short", (pl.col("mm") > 2) & (pl.col("mm") <= 5)),
    ("over 5 mm short", pl.col("mm") > 5),
)


def check_technique(
    endo_details: pl.DataFrame,
    crown_details: pl.DataFrame,
    endo_courses: pl.DataFrame,
    findings: pl.DataFrame,
    *,
    left_out: pl.DataFrame | None = None,
) -> tuple[TradeCheck, ...]:
    """Every rule with its counts, those that are broken most first.

    - `endo_details`, `crown_details`, `endo_courses`, `findings`: As declared in `pipeline.practice.tables`.
    - `left_out`: Texts that reading left out: `field, note, rows`.
    """
    dated = _with_days(endo_details, endo_courses)
    tables = {"endo_details": dated, "crown_details": crown_details, "findings": findings}
    found = [check for rule in RULES for check in _apply(rule, tables[rule.table], left_out)]
    found.append(_fourth_canals(endo_details))
    return tuple(sorted(found, key=lambda c: (c.rows == 0, c.kind != IMPOSSIBLE, -c.rows, c.id)))


def count_technique(endo_details: pl.DataFrame) -> tuple[TradeCount, ...]:
    """Strengths as recorded, each with the stock or dilution that it may be, and filling lengths in bands."""
    strengths = endo_details["naocl_percent"].drop_nulls()
    rows = strengths.value_counts(name="rows").sort("naocl_percent")
    out = [
        TradeCount(
            "endo_details",
            "naocl_percent",
            f"{percent:g} %",
            n,
            len(strengths),
            " or ".join(made_from(percent)) or "no stock or usual dilution",
        )
        for percent, n in rows.iter_rows()
    ]
    lengths = endo_details.select(mm="length_short_of_apex_mm").drop_nulls()
    for label, inside in LENGTH_BANDS if lengths.height else ():
        n = int(lengths.select(inside.sum()).item())
        out.append(TradeCount("endo_details", "length_short_of_apex_mm", label, n, lengths.height, ""))
    return tuple(out)


def _apply(rule: Rule, rows: pl.DataFrame, left_out: pl.DataFrame | None) -> list[TradeCheck]:
    if rule.broken is not None:
        broken = rows.select(broken=rule.broken)["broken"]
        n, checked = int(broken.sum()), broken.len() - broken.null_count()
    elif left_out is not None:
        own = left_out.filter(pl.col("field") == rule.field)
        n = int((own.filter(pl.col("note").is_in(rule.unread)) if rule.unread else own)["rows"].sum())
        checked = n + rows[rule.field].count()
    else:
        return []
    said = _said(n, checked, rule.says)
    return [TradeCheck(rule.id, rule.table, rule.field, rule.kind, checked, n, said, rule.what_to_do, rule.source)]


def _said(n: int, checked: int, says: str) -> str:
    if not checked:
        return f"No row has what is needed to look for rows {says}."
    return f"{whole(n)} of {count(checked, 'row')} {plural(1 if checked == 1 else n, 'is')} {says}."


def _with_days(details: pl.DataFrame, courses: pl.DataFrame) -> pl.DataFrame:
    """Adds `days_of_course`: days of the one course that holds the day of the details; null where none or several."""
    numbered = details.with_row_index("row")
    inside = (
        numbered.select("row", "patient_id", "tooth_fdi", "service_date")
        .join(
            courses.filter(pl.col("completed").is_not_null()).select(
                "patient_id", "tooth_fdi", "started", "completed", days_of_course="visits"
            ),
            on=["patient_id", "tooth_fdi"],
        )
        .filter(pl.col("service_date").is_between("started", "completed"))
        .unique("row", keep="none")
        .select("row", "days_of_course")
    )
    return numbered.join(inside, on="row", how="left").drop("row")


def _fourth_canals(details: pl.DataFrame) -> TradeCheck:
    molars = details.filter(pl.col("tooth_fdi").is_in(UPPER_FIRST_MOLARS), pl.col("canals").is_not_null())
    n = molars.filter(pl.col("canals") < 4).height
    few = 2 * n > molars.height
    share = f"{n:,} of {molars.height:,} upper first molars" if molars.height else "No upper first molar"
    return TradeCheck(
        id="fourth_canal",
        table="endo_details",
        field="canals",
        kind=UNUSUAL,
        checked=molars.height,
        rows=n if few else 0,
        sentence=f"{share} {'have fewer than four canals recorded' if molars.height else 'has a count of canals'}"
        f"{': more than half' if few else ''}.",
        what_to_do=(
            "Most upper first molars have four. Fewer is a question of finding and recording them, not of anatomy."
        ),
        source=COMMON,
    )
