"""What is wrong with a file that is no table of ours, where its headings and values show it: what to export instead."""

import polars as pl

from pipeline.practice.codes import BUILT_IN, built_in, normalise_code
from pipeline.practice.teeth import parse_teeth
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.profile import Column, FileProfile
from pipeline.transforms.dates import gather_evidence

_LEAST, _LEAST_LINES, _PART_OF = 2, 8, 0.2
_NEARLY_ALL, _LEAST_TEETH = 0.9, 16


def hints(file: FileProfile) -> list[str]:
    """Sentences with the next step; empty where nothing is known."""
    found = []
    if _counts_work(file):
        found.append(
            "its columns are headed by procedures and hold numbers: it counts work and does not say when it was done. "
            "Export the procedures themselves, one row each, in place of the summary."
        )
    if (across := _teeth_across(file)) >= _LEAST_TEETH:
        found.append(
            f"{across} of its columns are headed by the numbers of teeth: it is a chart with a column a tooth, and its "
            "cells say what was done. Such a chart is not read. Let the software print the list of treatments, one row "
            "a piece of work with its tooth; a sheet kept by hand is turned so: for each filled cell a row with the "
            "patient, the date, the number above the cell as the tooth and its letter as the code."
        )
    if any(map(_has_lines_between, file.columns)):
        found.append(
            "one column has days in some rows and words in others: each piece of work may be written over two lines. "
            "Export it as a table with one row a procedure, or let the report print one line a piece of work."
        )
    for column in file.columns:
        e = gather_evidence(column.common)
        if e.filled and e.month_only >= _NEARLY_ALL * e.filled:
            found.append(
                f"{column.heading or column.name} has months without a day. What came first in a month, a root canal "
                "or a crown, cannot be told from that: export the day of each procedure."
            )
    return found


def _teeth_across(file: FileProfile) -> int:
    """How many columns are headed by a tooth's number alone."""
    headings = pl.Series([c.heading.strip() for c in file.columns if c.heading], dtype=pl.String)
    read = [parse_teeth(headings, notation=n)["tooth_fdi"].count() for n in ("fdi", "palmer")]
    return max(read)


def _has_lines_between(column: Column) -> bool:
    """Whether days stand in a part of the rows and words in the others."""
    words = column.share(pl.col("text").str.contains(r"^\D*\p{L}{2}\D*$"))
    return column.n >= _LEAST_LINES and min(column.date_share, words) >= _PART_OF


def _counts_work(file: FileProfile) -> bool:
    headed = [c for c in file.columns if c.heading and (_is_code(c.heading) or len(likely_events(c.heading)) == 1)]
    return len(headed) >= _LEAST and all(c.number_share >= _NEARLY_ALL for c in headed if c.filled)


def _is_code(heading: str) -> bool:
    text = pl.DataFrame({"text": [heading]})
    return any(c.isalpha() for c in heading) and any(
        text.select(normalise_code(pl.col("text"), system=s).is_in(built_in(s)["code"].implode())).item()
        for s in BUILT_IN
    )
