"""Ends behind the numbers of codes that may be stages of the work: `D2740.1` prepared, `D2740.2` seated.

Such an end is taken off, so that each stage counts as the work. Common practice, no source.
"""

import polars as pl

from pipeline.reading.doubts.doubt import Doubt, ask, status_from

_WITHIN, _LEAST, _SHARE, _STEM, _MOST_ENDS = 180, 5, 0.3, 3, 6


def end_of_code_doubts(where: str, frame: pl.DataFrame, code: str) -> list[Doubt]:
    """Crowns and root canals most of which stand under several ends of one code on different days, in their order;
    `frame` as `rows_held.RowsHeld.frame`, `code` the heading of the codes."""
    ended = frame.drop_nulls("end").with_columns(stem=pl.col("code").str.head(_STEM))
    ends = ended.drop_nulls(["kind", "tooth"]).group_by("patient", "tooth", "stem", "end").agg(pl.col("day").min())
    teeth = (
        ends.sort("patient", "tooth", "stem", "end")
        .group_by("patient", "tooth", "stem", maintain_order=True)
        .agg(
            n=pl.len(),
            in_turn=(pl.col("day").diff().drop_nulls().dt.total_days().is_between(1, _WITHIN)).all(),
        )
    )
    made: dict[str, str] = {}
    several = alone = 0
    for (stem,), of in sorted(teeth.group_by("stem")):
        staged = of.filter(pl.col("n") > 1, pl.col("in_turn")).height
        if staged < max(_LEAST, _SHARE * of.height):
            continue
        seen = sorted(ends.filter(pl.col("stem") == stem)["end"].unique())
        several, alone = several + staged, alone + of.filter(pl.col("n") == 1).height
        if len(seen) <= _MOST_ENDS:
            before = ended.filter(pl.col("stem") == stem, pl.col("end").is_in(seen[:-1]))
            made |= dict.fromkeys(sorted(before["ended"].unique()), "planned")
    if not made:
        return []
    return ask(
        "code_ends",
        where,
        f'in the column "{code}" crowns and root canals have ends behind their codes; {several:,} teeth have several '
        f"of them, one after the other on different days, and {alone:,} one only.",
        status_from(code, made, "yes: all but the last end; correct the texts"),
    )
