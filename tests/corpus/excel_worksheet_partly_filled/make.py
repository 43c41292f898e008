"""A technique worksheet that comes back with one line of two filled in."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl

from pipeline.practice.tables import CROWN_DETAILS, CROWNS, ELSEWHERE, ELSEWHERE_HINTS, ENDO_COURSES, ENDO_DETAILS
from pipeline.reading.worksheets.lists import write_worksheet
from pipeline.reading.worksheets.technique import crowns_without_details, endo_without_details, teeth_to_ask


def make(folder: Path) -> None:
    day = dt.date(2020, 3, 1)
    known = {"crown_id": ["a", "b"], "patient_id": ["007", "007"], "tooth_fdi": [16, 26], "seat_date": [day, day]}
    absent = {name: None for name in CROWNS.columns if name not in known}
    crowns = pl.DataFrame(known | {n: [None, None] for n in absent}, schema_overrides=CROWNS.schema).with_columns(
        seat_recorded=pl.lit(False)
    )
    ids = pl.DataFrame({"patient_id": ["007"], "written_id": ["007"]})
    endo = endo_without_details(ENDO_COURSES.empty(), ENDO_DETAILS.empty(), ids, notation="universal").rows
    listed = crowns_without_details(crowns, CROWN_DETAILS.empty(), ids, notation="universal").rows
    first = pl.col("tooth") == "3"
    filled = listed.with_columns(material=pl.when(first).then(pl.lit("zirconia")))
    asked = teeth_to_ask(ELSEWHERE_HINTS.empty(), crowns, ELSEWHERE.empty(), ids, notation="universal").rows
    path = write_worksheet(folder, endo, filled, asked, practice="Alder Row Dental", notation="universal", made_on=day)
    path.rename(folder / "worksheet.xlsx")
