# ruff: noqa: E501
"""Values of notes against the ledger, what is recorded and what the practice answered, on drawn tables."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.notes.settled import Rules, held
from pipeline.practice.tables import CROWN_DETAILS, DETAIL_TABLES, ENDO_DETAILS, NOTE_ANSWERS, Table
from pipeline.storing.own_tables import READ_VALUES

NO_DAYS = pl.DataFrame(
    schema={"patient_id": pl.String(), "note_date": pl.Date(), "tooth_fdi": pl.UInt8(), "work": pl.String()}
)
NOBODY = {name: table.empty() for name, table in DETAIL_TABLES.items()}


def rows(table: Table, *given: dict[str, object]) -> pl.DataFrame:
    base = {"patient_id": "p", "load_id": 9, "supernumerary": False, "start_at": 0, "end_at": 1, "rule": "r",
            "evidence": "words", "sure": True, "tooth_from": "text"}  # fmt: skip
    made = [{c: {**base, "row_number": n, **row}.get(c) for c in table.columns} for n, row in enumerate(given, 1)]
    return pl.DataFrame(made, schema=table.schema)


def value(field: str, value: str | None, day: str, **more: object) -> dict[str, object]:
    table = (
        next(n for n, t in DETAIL_TABLES.items() if field in t.columns) if field != "naocl_ratio" else "endo_details"
    )
    return {"table_name": table, "field": field, "value": value, "note_date": dt.date.fromisoformat(day), "tooth_fdi": 36,
            **more}  # fmt: skip


def outcomes(found: pl.DataFrame) -> list[tuple[str, str | None, str]]:
    return found.select("field", "value", "outcome").sort("field", "value").rows()  # type: ignore[return-value]


def test_recorded_details_win_and_a_disagreement_is_listed():
    values = rows(
        READ_VALUES,
        value("sealer", "epoxy_resin", "2020-03-01"),
        value("obturation", "warm_vertical", "2020-03-01"),
        value("naocl_percent", "5.25", "2020-03-01"),
    )
    recorded = NOBODY | {
        "endo_details": rows(
            ENDO_DETAILS,
            {
                "tooth_fdi": 36,
                "service_date": dt.date(2020, 2, 1),
                "sealer": "calcium_silicate",
                "naocl_percent": 5.25,
                "load_id": 3,
            },
        )
    }
    found, noted = held(values, NO_DAYS, recorded, NOTE_ANSWERS.empty(), rules=Rules())
    assert outcomes(found) == [
        ("naocl_percent", "5.25", "recorded"),
        ("obturation", "warm_vertical", "used"),
        ("sealer", "epoxy_resin", "differs"),
    ]
    (row,) = noted["endo_details"].rows(named=True)
    # It lies at the place of the recorded row, whose own fields go before it.
    assert (row["load_id"], row["row_number"], row["obturation"]) == (3, 1, "warm_vertical")


def test_notes_of_one_course_are_one_row_and_the_last_tells_how_it_was_left():
    values = rows(
        READ_VALUES,
        value("pulpal_diagnosis", "necrosis", "2020-01-01"),
        value("pulpal_diagnosis", "previously_initiated", "2020-02-01"),
        value("visits", "2", "2020-01-01"),
        value("visits", "3", "2020-02-01"),
        value("visits", "1", "2022-01-01"),
    )
    _, noted = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules(course_gap_days=180))
    told = noted["endo_details"].select("service_date", "pulpal_diagnosis", "visits").sort("service_date").rows()
    assert told == [(dt.date(2020, 2, 1), "necrosis", 3), (dt.date(2022, 1, 1), None, 1)]


def test_two_notes_of_one_day_that_differ_fill_nothing():
    values = rows(READ_VALUES, value("sealer", "epoxy_resin", "2020-03-01"), value("sealer", "other", "2020-03-01"))
    found, noted = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    assert [o for *_, o in outcomes(found)] == ["other_note", "other_note"]
    assert noted["endo_details"].is_empty()


def test_the_ledger_says_the_tooth_where_one_was_worked_on_that_day():
    values = rows(
        READ_VALUES,
        value("sealer", "epoxy_resin", "2020-03-01", tooth_fdi=None, tooth_from=None),
        value("visits", "1", "2020-04-01", tooth_fdi=None, tooth_from=None),
        value("cement", "resin", "2020-03-01", tooth_fdi=None, tooth_from=None),
    )
    days = pl.DataFrame(
        [("p", dt.date(2020, 3, 1), 26, "endo_details"), ("p", dt.date(2020, 4, 1), 26, "endo_details"),
         ("p", dt.date(2020, 4, 1), 27, "endo_details")],
        schema=NO_DAYS.schema, orient="row",
    )  # fmt: skip
    found, _ = held(values, days, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    told = found.select("field", "tooth_fdi", "tooth_from", "outcome").sort("field").rows()
    assert told == [
        ("cement", None, None, "no_tooth"),  # root canal work says nothing of a crown's tooth
        ("sealer", 26, "ledger", "used"),
        ("visits", None, None, "no_tooth"),
    ]


def test_a_ratio_is_a_strength_once_the_stock_is_told():
    values = rows(READ_VALUES, value("naocl_ratio", "3:1", "2020-03-01"), value("naocl_ratio", "1:1", "2021-03-01"))
    found, noted = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    assert [o for *_, o in outcomes(found)] == ["unsure", "unsure"]
    assert noted["endo_details"].is_empty()
    found, noted = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules(stock=5.25))
    assert outcomes(found) == [("naocl_percent", "1.3", "used"), ("naocl_percent", "2.6", "used")]


def test_an_answer_settles_its_value_and_teaches_the_words():
    unsure = {"sure": False, "evidence": "rotary files"}
    values = rows(
        READ_VALUES,
        value("instrumentation", "rotary_sequence", "2020-03-01", **unsure),
        value("instrumentation", "rotary_sequence", "2020-03-01", **unsure, patient_id="q"),
        value("instrumentation", "rotary_sequence", "2020-03-01", sure=False, evidence="niti", patient_id="r"),
    )
    answer = {"field": "instrumentation", "value": "rotary_sequence", "evidence": "Rotary  files", "tooth_fdi": 36,
              "note_date": dt.date(2020, 3, 1), "agreed": "no", "chart_value": "rotary_single_file"}  # fmt: skip
    found, noted = held(values, NO_DAYS, NOBODY, rows(NOTE_ANSWERS, answer), rules=Rules())
    told = found.select("patient_id", "value", "rule", "outcome").sort("patient_id").rows()
    assert told == [
        ("p", "rotary_single_file", "confirmed", "used"),
        ("q", "rotary_single_file", "taught by the practice", "used"),
        ("r", "rotary_sequence", "r", "unsure"),
    ]
    assert noted["endo_details"]["instrumentation"].to_list() == ["rotary_single_file"] * 2
    # An answer that contradicts it unteaches the words; each settles its own.
    other = answer | {"patient_id": "q", "agreed": "yes", "chart_value": None}
    found, _ = held(values, NO_DAYS, NOBODY, rows(NOTE_ANSWERS, answer, other), rules=Rules())
    assert found.sort("patient_id")["value"].to_list() == ["rotary_single_file", "rotary_sequence", "rotary_sequence"]
    assert found.sort("patient_id")["outcome"].to_list() == ["used", "used", "unsure"]


def test_a_value_that_is_not_so_is_withdrawn():
    values = rows(READ_VALUES, value("post", "fiber", "2020-03-01"))
    answer = {"field": "post", "value": "fiber", "evidence": "words", "tooth_fdi": 36, "note_date": dt.date(2020, 3, 1),
              "agreed": "no"}  # fmt: skip
    found, noted = held(values, NO_DAYS, NOBODY, rows(NOTE_ANSWERS, answer), rules=Rules())
    assert found["outcome"].to_list() == ["withdrawn"]
    assert noted["crown_details"].is_empty()


def test_a_value_outside_its_field_is_never_used():
    values = rows(
        READ_VALUES,
        value("canals", "40", "2020-03-01"),
        value("sealer", "glue", "2020-03-01"),
        value("visits", None, "2020-03-01"),
    )
    found, noted = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    assert set(found["outcome"]) == {"unsure"}
    assert noted["endo_details"].is_empty()


def test_days_of_a_crown_are_those_of_its_notes():
    values = rows(
        READ_VALUES, value("margin", "chamfer", "2020-03-01"), value("cement", "resin", "2020-03-20"),
        value("material", "zirconia", "2020-03-20"),
    )  # fmt: skip
    recorded = NOBODY | {"crown_details": CROWN_DETAILS.empty()}
    _, noted = held(values, NO_DAYS, recorded, NOTE_ANSWERS.empty(), rules=Rules())
    told = noted["crown_details"].select("prep_date", "seat_date", "margin", "cement", "material").rows()
    assert told == [(dt.date(2020, 3, 1), dt.date(2020, 3, 20), "chamfer", "resin", "zirconia")]


def test_a_cement_named_at_the_preparation_is_no_day_of_a_seat():
    values = rows(READ_VALUES, value("margin", "chamfer", "2020-03-01"), value("cement", "resin", "2020-03-01"))
    _, noted = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    assert noted["crown_details"].select("prep_date", "seat_date").rows() == [(dt.date(2020, 3, 1), None)]


def test_the_order_of_rows_changes_nothing():
    values = rows(
        READ_VALUES,
        *(value(f, v, d, patient_id=p) for p in "pqr" for f, v, d in (
            ("sealer", "other", "2020-03-01"), ("sealer", "epoxy_resin", "2020-03-02"), ("visits", "2", "2020-03-02"),
        )),
    )  # fmt: skip
    first = held(values, NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    again = held(values.reverse(), NO_DAYS, NOBODY, NOTE_ANSWERS.empty(), rules=Rules())
    assert first[0].equals(again[0])
    assert first[1]["endo_details"].equals(again[1]["endo_details"])
