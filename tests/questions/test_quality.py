"""Figures on the data's quality: unknown codes with lines to paste, files with what was mended, changes."""

from __future__ import annotations

import tomllib

import polars as pl

from pipeline.codes import read_overrides
from pipeline.questions.quality import make_quality, unknown_codes_advice
from pipeline.results import FileChange, Quality, UnknownCode
from pipeline.tables import LOADS, QUARANTINE


def quality(**given: object) -> Quality:
    frames: dict[str, object] = {
        "loads": LOADS.empty(),
        "quarantine": QUARANTINE.empty(),
        "reasons": {},
        "filled": {},
        "unknown_codes": (),
        "link_counts": {},
    }
    return make_quality(**(frames | given))  # type: ignore[arg-type]


def test_the_lines_to_paste_are_toml_that_changes_nothing_yet():
    strange = 'A"\\\n\x7f=1'
    lines = unknown_codes_advice((UnknownCode(strange, 1, 0), UnknownCode("X1", 1200, 40)))
    assert lines[2] == '"X1" = "other"  # 1,200 rows, 40 teeth'
    read = tomllib.loads("\n".join(lines))["codes"]
    assert read == {"X1": "other", strange: "other"}
    assert {o.event for o in read_overrides(read).values()} == {"other"}
    assert unknown_codes_advice(()) == ()


def test_files_say_what_was_taken_back_and_what_was_mended():
    load = (1, "ledger.csv", "h", "procedures", 10, 5, 1, 2, 2)
    loads = pl.DataFrame([load], schema=LOADS.schema, orient="row")
    aside = pl.DataFrame(
        [
            ("ledger.csv", "procedures", n, None, None, reason, "{}", "ingest")
            for n, reason in ((1, "corrected"), (2, "x"))
        ],
        schema=QUARANTINE.schema,
        orient="row",
    )
    (row,) = quality(loads=loads, quarantine=aside).loads
    assert (row.rows_read, row.loaded, row.duplicate, row.reversed, row.quarantined, row.mended) == (10, 5, 1, 2, 2, 1)


def test_changes_between_exports_come_along():
    changes = pl.DataFrame(
        {"table_name": ["procedures"], "earlier": ["a"], "later": ["b"], "field": ["code"], "rows": [2]}
    )
    assert quality(changes=changes).changes == (FileChange("procedures", "a", "b", "code", 2),)
