"""Whatever stands in a cell: one result per text, and never a failure of ours."""

from __future__ import annotations

import datetime as dt
import os
from contextlib import suppress

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import DataError
from pipeline.practice.codes import built_in
from pipeline.practice.tables import PROCEDURES
from pipeline.transforms.clean import Reading, clean
from pipeline.transforms.dates import DateForm, decide_form, gather_evidence, parse_dates
from pipeline.transforms.other_days import as_ordinary, in_one_form, without_weekday
from pipeline.transforms.parsers import gather_decimals, parse_fees, parse_numbers
from pipeline.transforms.tooth_lists import parse_tooth_lists

# Pieces of dates, teeth and amounts, digits of other scripts, and anything at all.
PIECES = ["-", "/", ".", ",", " ", "#", "UR", "LL", "A", "T", "to", "Mar", "20", "2020", "31", "3", "0", "60", "43891"]
ODD = ["٣", "３", "²", "\x00", "\u200b", "−", "–", "(", ")", "€", "kr", "'", "T10:30", "\n", "Σ", "İ", "ß"]
CELL = st.one_of(st.lists(st.sampled_from(PIECES + ODD), max_size=6).map("".join), st.text(max_size=12))
TEXTS = st.lists(CELL, min_size=1, max_size=20).map(lambda texts: list(dict.fromkeys(texts)))
TODAY = dt.date(2026, 1, 31)
EXAMPLES = 100 if os.environ.get("THOROUGH") else 20
FORMS = [
    DateForm(),
    DateForm(True, years_from=1950, serial="1900", born_by=TODAY),
    DateForm(False, serial="1904"),
    DateForm(pattern="%d.%m.%y", years_from=1950),
    DateForm(pattern="%d/%m/%Y %H:%M"),
]


@settings(max_examples=EXAMPLES)
@given(TEXTS)
def test_every_parser_gives_one_result_per_text(texts: list[str]):
    series = pl.Series(texts, dtype=pl.String)
    for form in FORMS:
        assert parse_dates(series, form)["text"].to_list() == texts
    tried = series.to_frame("text").select(in_one_form(without_weekday(pl.col("text")))).to_series()
    assert as_ordinary(series).to_list() == tried.to_list()
    for sign in ".,":
        assert parse_fees(series, decimal=sign)["text"].to_list() == texts
        assert parse_numbers(series, low=0, high=9, whole=True, decimal=sign)["text"].to_list() == texts
    for notation in ("universal", "fdi", "palmer"):
        found = parse_tooth_lists(series, notation=notation)
        assert found.height == len(texts)
        one, several, wrong = (found[c].is_not_null() for c in ("tooth_fdi", "all_fdi", "fault"))
        assert (one.cast(int) + several.cast(int) + wrong.cast(int) == 1).all()
    counts = pl.DataFrame({"text": texts, "n": [1] * len(texts)})
    gather_decimals(counts)
    for years_from, serial in ((None, None), (1950, "1900")):
        with suppress(DataError):
            decide_form(gather_evidence(counts), column="c", table="t", years_from=years_from, serial=serial)


@settings(max_examples=EXAMPLES)
@given(st.lists(st.tuples(CELL, CELL, CELL, CELL, CELL), min_size=1, max_size=12))
def test_every_row_comes_out(rows: list[tuple[str, ...]]):
    fields = ("patient_id", "service_date", "tooth", "fee", "status")
    raw = pl.DataFrame(rows, schema=dict.fromkeys(fields, pl.String), orient="row")
    raw = raw.with_columns(pl.lit("D2740").alias("code")).with_row_index("row_number", 1).cast({"row_number": pl.Int64})
    forms = {"service_date": DateForm(True, years_from=1950, serial="1900")}
    out = clean(raw, Reading(PROCEDURES, "universal", "cdt", built_in("cdt"), TODAY, dates=forms))
    seen = sorted(out.rows.filter(pl.col("part") == 1)["row_number"].to_list() + out.rejects["row_number"].to_list())
    assert seen == list(range(1, len(rows) + 1))
    assert out.rows.select("row_number", "part").is_unique().all()
