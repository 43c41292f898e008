"""Figures on the data's quality: unknown codes with lines to paste, files with what was mended, changes."""

from __future__ import annotations

import tomllib

import polars as pl

from pipeline.practice.codes import built_in, read_overrides
from pipeline.practice.tables import CROWN_DETAILS, ELSEWHERE, FINDINGS, LOADS, PATIENTS, QUARANTINE
from pipeline.questions.quality import LINK_MEANINGS, OF_OTHERS, make_quality, unknown_codes_advice
from pipeline.results import FileChange, Quality, UnknownCode
from pipeline.transforms.link import LinkInput, link
from pipeline.transforms.rules import LinkRules
from tests.drawn import procedures


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
    load = (2, "ledger.csv", "h", "procedures", 10, 5, 1, 2, 2)
    earlier = (1, "ledger.csv", "g", "procedures", 4, 4, 0, 0, 0)  # of one name, and so told apart by its number alone
    loads = pl.DataFrame([load, earlier], schema=LOADS.schema, orient="row")
    aside = pl.DataFrame(
        [
            ("ledger.csv", "procedures", n, None, None, reason, "{}", "ingest")
            for n, reason in ((1, "corrected"), (2, "x"))
        ],
        schema=QUARANTINE.schema,
        orient="row",
    )
    first, row = quality(loads=loads, quarantine=aside).loads
    assert (first.rows_read, first.mended) == (4, 0)
    assert (row.rows_read, row.loaded, row.duplicate, row.reversed, row.quarantined, row.mended) == (10, 5, 1, 2, 2, 1)


def test_changes_between_exports_come_along():
    changes = pl.DataFrame(
        {"table_name": ["procedures"], "earlier": ["a"], "later": ["b"], "field": ["code"], "rows": [2]}
    )
    assert quality(changes=changes).changes == (FileChange("procedures", "a", "b", "code", 2),)


def test_every_count_of_linking_has_a_meaning_and_every_meaning_a_count():
    empty = {"procedures": procedures("patient_id | service_date | code | tooth_fdi")}
    for declared in (PATIENTS, CROWN_DETAILS, FINDINGS, ELSEWHERE):
        empty[declared.name] = declared.empty()
    tables = LinkInput(**{name: rows.lazy() for name, rows in empty.items()})
    assert set(link(tables, built_in("cdt"), LinkRules()).counts) == set(LINK_MEANINGS)


def test_counts_come_with_their_meaning_those_of_others_marked_and_zeros_left_out():
    counts = {"crowns": 7, "late_refunds": 2, "crowns_opened_elsewhere": 0}
    own, others = quality(link_counts=counts).links
    assert (own.id, own.count, own.of_others) == ("crowns", 7, False)
    assert (others.id, others.count, others.of_others) == ("late_refunds", 2, True)
    assert others.meaning == LINK_MEANINGS["late_refunds"]
    assert {"rows_existing", "crowns_opened_elsewhere", "failures_elsewhere"} <= OF_OTHERS
    assert not {"rows_void", "crowns_reopened", "endo_courses"} & OF_OTHERS
