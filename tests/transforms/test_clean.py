"""One row of text beside what it becomes, or why it is set aside."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import polars as pl
import pytest

from pipeline.practice.codes import built_in
from pipeline.practice.reasons import REASONS
from pipeline.practice.tables import CROWN_DETAILS, ENDO_DETAILS, FINDINGS, INPUT_TABLES, PATIENTS, PROCEDURES, Table
from pipeline.transforms.clean import Cleaned, Reading, clean
from pipeline.transforms.dates import DateForm
from pipeline.transforms.other_days import PLACES
from pipeline.transforms.text_cache import TextCache

TODAY = dt.date(2026, 1, 31)
SOUND = {"patient_id": "p1", "service_date": "2020-03-01", "code": "D2740", "tooth": "14"}


def reading(table: Table, **changes: object) -> Reading:
    plain = Reading(table, "universal", "cdt", built_in("cdt"), TODAY)
    return replace(plain, **changes)  # type: ignore[arg-type]


def cleaned(table: Table, *rows: dict[str, object], **changes: object) -> Cleaned:
    fields = sorted({field for row in rows for field in row})
    frame = pl.DataFrame({f: [row.get(f) for row in rows] for f in fields}).with_row_index("row_number", 1)
    out = clean(frame.cast({"row_number": pl.Int64}), reading(table, **changes))
    table.check(out.rows.with_columns(load_id=pl.lit(1, pl.Int32)).select(*table.columns))
    extra = int((out.rows["part"] > 1).sum()) if "part" in out.rows.columns else 0
    assert out.rows.height + out.rejects.height == len(rows) + extra
    assert set(out.rejects["reason"]) <= REASONS.keys()
    return out


def fate(
    row: dict[str, object], table: Table = PROCEDURES, **changes: object
) -> tuple[str | None, str | None, str | None]:
    """Field, value and reason of the first fault; all None if there is none."""
    rejects = cleaned(table, row, **changes).rejects
    return rejects.row(0)[1:] if rejects.height else (None, None, None)


def test_usual_words_however_written_are_ours_and_all_else_is_kept():
    # A post shows that a tooth is root-filled: what says that there is none must not stand as one.
    row = {"patient_id": "p1", "tooth": "14", "prep_date": "2020-03-01"}
    said = ("None", " NONE ", "Prefabricated metal", "fiber", "own idea", "")
    out = cleaned(CROWN_DETAILS, *({**row, "patient_id": f"p{n}", "post": post} for n, post in enumerate(said)))
    assert out.rows["post"].to_list() == ["none", "none", "prefabricated_metal", "fiber", "own idea", None]


@pytest.mark.parametrize(
    ("change", "field", "reason"),
    [
        ({}, None, None),
        ({"patient_id": " "}, "patient_id", "patient_missing"),
        ({"code": ""}, "code", "code_missing"),
        ({"status": "C"}, "status", "unknown_status"),
        ({"service_date": ""}, "service_date", "date_missing"),
        ({"service_date": "", "status": "void"}, "service_date", "date_missing"),
        ({"service_date": "", "status": "existing"}, None, None),
        ({"service_date": "", "status": "planned"}, None, None),
        ({"service_date": "soon"}, "service_date", "date_unreadable"),
        ({"service_date": "1899-12-29"}, "service_date", "date_implausible"),
        ({"service_date": "1900-01-02"}, None, None),
        ({"service_date": "1900-01-01"}, "service_date", "date_missing"),
        ({"service_date": "1900-01-01", "status": "existing"}, None, None),
        ({"service_date": "2026-01-31"}, None, None),
        ({"service_date": "2026-02-01"}, "service_date", "date_in_future"),
        ({"service_date": "2026-02-01", "status": "Planned"}, None, None),
        ({"service_date": "2026-02-01", "status": "existing"}, "service_date", "date_in_future"),
        ({"tooth": ""}, "tooth", "tooth_missing"),
        ({"tooth": "40"}, "tooth", "tooth_unknown"),
        ({"tooth": "40", "status": "void"}, "tooth", "tooth_unknown"),
        ({"tooth": "40", "code": "D0120"}, None, None),
        ({"tooth": "", "code": "D9999"}, None, None),
        ({"tooth": "40", "code": "D9999"}, None, None),
        ({"tooth": "", "code": "D6930"}, None, None),
        ({"fee": "12 or so"}, "fee", "fee_unreadable"),
        ({"fee": "-1,200.00"}, None, None),
        ({"patient_id": "", "service_date": "", "code": "", "tooth": ""}, None, "row_empty"),
        ({"patient_id": "", "code": ""}, "patient_id", "patient_missing"),  # the first fault only
        # The days and words that programs write where there is no day.
        *(
            ({"service_date": none}, "service_date", "date_missing")
            for none in ("0001-01-01", "1753-01-01", "1899-12-30", "1899-12-31", "0000-00-00", "00/00/0000")
        ),
        *(
            ({"service_date": none}, "service_date", "date_missing")
            for none in ("NULL", "n/a", "NaN", "NaT", "None", "0")
        ),
    ],
)
def test_what_sets_a_procedure_aside(change: dict, field: str | None, reason: str | None):
    row = {**SOUND, **change}
    found = fate(row)
    assert (found[0], found[2]) == (field, reason)
    assert found[1] == (str(row[field]).strip() or None if field else None)


def test_a_procedure_typed():
    row = {
        "patient_id": " 007 ",
        "service_date": "3/1/2020 00:00",
        "code": "2740",
        "tooth": "#3",
        "surface": "m, o",
        "provider_id": "DR1",
        "status": "C",
        "procedure_id": "9",
        "fee": "(1,200.00)",
        "reason": "Perio",
    }
    words = {"status": {"c": "completed"}, "reason": {"perio": "periodontal"}}
    got = cleaned(PROCEDURES, row, values=words, dates={"service_date": DateForm(True)}).rows.row(0, named=True)
    assert got == {
        "patient_id": "007",
        "service_date": dt.date(2020, 3, 1),
        "code": "D2740",
        "tooth": "#3",
        "tooth_fdi": 16,
        "supernumerary": False,
        "surface": "MO",
        "provider_id": "DR1",
        "status": "completed",
        "procedure_id": "9",
        "site_id": None,
        "fee": -1200.0,
        "reason": "periodontal",
        "row_number": 1,
        "part": 1,
    }


@pytest.mark.parametrize(
    ("code", "tooth", "fdi", "extra"),
    [
        ("D2740", "14", 26, False),
        ("D7140", "64", 26, True),  # an extra tooth beside 14
        ("D0120", "14", None, False),  # an examination is about no tooth, whatever is written
        ("D6930", "14", 26, False),  # a bridge may name one of its teeth
        ("D9999", "14", 26, False),  # not on the list: kept as written
        ("D9999", "3-5", None, False),
    ],
)
def test_which_tooth_a_row_is_about(code: str, tooth: str, fdi: int | None, extra: bool):
    got = cleaned(PROCEDURES, {**SOUND, "code": code, "tooth": tooth}).rows.row(0, named=True)
    assert (got["tooth_fdi"], got["supernumerary"], got["tooth"]) == (fdi, extra, tooth)


def test_status_is_completed_unless_the_file_says_otherwise():
    assert cleaned(PROCEDURES, SOUND).rows["status"].to_list() == ["completed"]
    blank_is_existing = {"status": {"": "existing", "C": "completed", "-": "void"}}
    rows = [{**SOUND, "status": status} for status in ("", "C", "-", None)]
    found = cleaned(PROCEDURES, *rows, values=blank_is_existing).rows["status"].to_list()
    assert found == ["existing", "completed", "void", "existing"]


def test_a_name_or_code_that_came_to_mean_another_does_so_from_its_day_on():
    days = ("2019-12-31", "2020-01-01", "2021-06-01")
    rows = [SOUND | {"service_date": day, "provider_id": who} for day in days for who in ("DR1", "DR2")]
    told = {"DR1": {"2020-01-01": "DR1 2", "2021-01-01": "DR3"}}
    got = cleaned(PROCEDURES, *rows, clinicians_renewed=told).rows["provider_id"].to_list()
    assert got == ["DR1", "DR2", "DR1 2", "DR2", "DR3", "DR2"]
    got = cleaned(PROCEDURES, *rows[::2], renewed={SOUND["code"]: {"2020-01-01": "D2790"}}).rows["code"].to_list()
    assert got == [SOUND["code"], "D2790", "D2790"]


def test_words_that_are_not_known_are_left_out_and_counted():
    rows = [{**SOUND, "reason": reason} for reason in ("caries", "boredom", "boredom", "")]
    out = cleaned(PROCEDURES, *rows)
    assert out.rows["reason"].to_list() == ["caries", None, None, None]
    assert out.notes.rows() == [("reason", "unrecognised", 2)]


def test_a_word_mapped_to_nothing_is_missing():
    out = cleaned(PROCEDURES, {**SOUND, "reason": "?", "service_date": "unknown", "status": "existing"},
                  values={"reason": {"?": ""}, "service_date": {"Unknown": ""}})  # fmt: skip
    assert out.rows.select("reason", "service_date").row(0) == (None, None)
    assert out.notes.is_empty()


def test_dates_that_the_file_holds_as_dates():
    out = cleaned(
        PROCEDURES, {**SOUND, "service_date": dt.date(2020, 3, 1)}, {**SOUND, "service_date": dt.date(2027, 1, 1)}
    )
    assert out.rows["service_date"].to_list() == [dt.date(2020, 3, 1)]
    assert out.rejects.rows() == [(2, "service_date", "2027-01-01", "date_in_future")]


def test_patients():
    rows = [
        {"patient_id": "a", "birth_date": "1950-05-05", "sex": "F", "smoker": "no", "deceased_date": "2024-01-01"},
        {"patient_id": "b", "birth_date": "1950", "sex": "Male", "smoker": "1"},
        {"patient_id": "c", "birth_year": "1950.0", "sex": "?", "smoker": "sometimes"},
        {"patient_id": "d", "birth_date": "2050-01-01", "deceased_date": "gone"},
        {"patient_id": "e", "birth_date": "1895-01-01", "birth_year": "1850"},
    ]
    out = cleaned(PATIENTS, *rows)
    drawn = out.rows.select("birth_date", "birth_year", "sex", "smoker", "deceased_date").rows()
    assert drawn == [
        (dt.date(1950, 5, 5), 1950, "female", False, dt.date(2024, 1, 1)),
        (None, 1950, "male", True, None),
        (None, 1950, None, None, None),
        (None, None, None, None, None),
        (dt.date(1895, 1, 1), 1895, None, None, None),
    ]
    assert out.notes.rows() == [
        ("birth_date", "implausible", 1),
        ("birth_year", "out_of_range", 1),
        ("deceased_date", "unreadable", 1),
        ("sex", "unrecognised", 1),
        ("smoker", "unrecognised", 1),
    ]
    assert fate({"patient_id": "", "sex": "F"}, PATIENTS) == ("patient_id", None, "patient_missing")


def test_endo_details():
    row = {
        **{f: SOUND[f] for f in ("patient_id", "service_date", "tooth")},
        "preop_pai": "6",
        "canals": "3.0",
        "length_short_of_apex_mm": "-0.5",
        "naocl_percent": "5.25%",
        "instrumentation": "Rotary sequence",
        "obturation": "cold gutta",
        "rubber_dam": "Y",
    }
    out = cleaned(ENDO_DETAILS, row)
    got = out.rows.row(0, named=True)
    assert (got["preop_pai"], got["canals"], got["length_short_of_apex_mm"], got["naocl_percent"]) == (
        None,
        3,
        -0.5,
        5.25,
    )
    assert (got["instrumentation"], got["obturation"], got["rubber_dam"]) == ("rotary_sequence", None, True)
    assert out.notes.rows() == [("obturation", "unrecognised", 1), ("preop_pai", "out_of_range", 1)]


@pytest.mark.parametrize(
    ("table", "change", "field", "reason"),
    [
        (ENDO_DETAILS, {"service_date": ""}, "service_date", "date_missing"),
        (ENDO_DETAILS, {"service_date": "2027-01-01"}, "service_date", "date_in_future"),
        (ENDO_DETAILS, {"tooth": ""}, "tooth", "tooth_missing"),
        (FINDINGS, {"exam_date": "1800-01-01"}, "exam_date", "date_implausible"),
        (FINDINGS, {"exam_date": "?"}, "exam_date", "date_unreadable"),
        (CROWN_DETAILS, {"tooth": "99"}, "tooth", "tooth_unknown"),
        (CROWN_DETAILS, {"patient_id": ""}, "patient_id", "patient_missing"),
    ],
)
def test_what_sets_other_rows_aside(table: Table, change: dict, field: str, reason: str):
    sound = {"patient_id": "p1", "tooth": "14", "service_date": "2020-03-01", "exam_date": "2020-03-01"}
    row = {k: v for k, v in {**sound, **change}.items() if k in table.columns}
    found = fate(row, table)
    assert (found[0], found[2]) == (field, reason)


def test_dates_of_a_crown_may_be_missing_but_not_wrong():
    rows = [
        {"patient_id": "p1", "tooth": "14", "prep_date": "2020-03-01", "seat_date": ""},
        {"patient_id": "p1", "tooth": "14", "prep_date": "1066-03-01", "seat_date": "2027-01-01"},
    ]
    out = cleaned(CROWN_DETAILS, *rows)
    assert out.rows.select("prep_date", "seat_date").rows() == [(dt.date(2020, 3, 1), None), (None, None)]
    assert out.notes.rows() == [("prep_date", "implausible", 1), ("seat_date", "implausible", 1)]


@pytest.mark.parametrize("table", INPUT_TABLES.values(), ids=INPUT_TABLES)
def test_no_rows_at_all(table: Table):
    out = clean(pl.DataFrame(schema={"row_number": pl.Int64, "patient_id": pl.String}), reading(table))
    assert (out.rows.height, out.rejects.height, out.notes.height) == (0, 0, 0)


def test_a_row_of_several_teeth_becomes_several_rows():
    rows = [
        {**SOUND, "tooth": "5-3", "fee": "300", "procedure_id": "a"},
        {**SOUND, "tooth": "14"},
        {**SOUND, "tooth": "3,40"},
        {**SOUND, "tooth": "14,64", "code": "D7140"},
        {**SOUND, "tooth": "3,4", "code": "D0120"},  # about no tooth: one row
        {**SOUND, "tooth": "3,4", "code": "D9999"},  # not on the list: kept as written
        {**SOUND, "tooth": "3,4", "code": "D6930"},  # a bridge
    ]
    out = cleaned(PROCEDURES, *rows)
    drawn = out.rows.select("row_number", "part", "tooth", "tooth_fdi", "supernumerary", "fee", "procedure_id").rows()
    assert drawn == [
        (1, 1, "5-3", 14, False, 100.0, "a"),
        (1, 2, "5-3", 15, False, 100.0, "a"),
        (1, 3, "5-3", 16, False, 100.0, "a"),
        (2, 1, "14", 26, False, None, None),
        (4, 1, "14,64", 26, False, None, None),
        (4, 2, "14,64", 26, True, None, None),
        (5, 1, "3,4", None, False, None, None),
        (6, 1, "3,4", None, False, None, None),
        (7, 1, "3,4", 16, False, None, None),
        (7, 2, "3,4", 15, False, None, None),
    ]
    assert out.rejects.rows() == [(3, "tooth", "3,40", "tooth_unknown")]
    assert out.notes.rows() == [("tooth", "unreadable", 1)]


@pytest.mark.parametrize(
    ("table", "tooth", "reason"),
    [
        (PROCEDURES, "UR", "tooth_is_area"),
        (PROCEDURES, "upper", "tooth_is_area"),
        (ENDO_DETAILS, "LL", "tooth_is_area"),
        (ENDO_DETAILS, "3,4", "tooth_list"),
        (CROWN_DETAILS, "3-5", "tooth_list"),
        (FINDINGS, "3 4", "tooth_list"),
        (FINDINGS, "3,40", "tooth_unknown"),
    ],
)
def test_where_one_tooth_is_needed(table: Table, tooth: str, reason: str):
    row = {**SOUND, "exam_date": "2020-03-01", "tooth": tooth}
    row = {k: v for k, v in row.items() if k in table.columns}
    assert fate(row, table) == ("tooth", tooth, reason)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ({"patient_id": "Total", "fee": "1200"}, "totals_row"),
        ({"patient_id": "Grand Total:", "fee": "1200"}, "totals_row"),
        ({"service_date": "Summe", "fee": "1200"}, "totals_row"),
        ({"code": "Totaal", "fee": "1200"}, "totals_row"),
        ({"tooth": "Total général"}, "totals_row"),
        ({"fee": "Subtotal: 1,200.00"}, "totals_row"),
        ({"patient_id": "Total geral", "service_date": "2020-03-01"}, "totals_row"),
        ({"patient_id": "p1", "service_date": "2020-03-01", "provider_id": "Totale"}, "totals_row"),
        ({**SOUND, "provider_id": "Total"}, None),  # somebody may be called so
        ({**SOUND, "patient_id": "Total"}, None),
        ({**SOUND, "provider_id": "Total", "tooth": "40"}, "tooth_unknown"),
        ({"patient_id": "Totally", "fee": "1200"}, "code_missing"),
        ({"patient_id": "Somers", "fee": "1200"}, "code_missing"),
    ],
)
def test_rows_of_totals(row: dict, reason: str | None):
    assert fate(row)[2] == reason


def test_patient_ids_keep_their_leading_zeros():
    ids = ["00123", "123", "0123.0", "1e3", " 00123 ", "123.0"]
    for mapped in ({}, {"patient_id": {"x": "y"}}):
        found = cleaned(PROCEDURES, *({**SOUND, "patient_id": i} for i in ids), values=mapped).rows
        assert found["patient_id"].to_list() == ["00123", "123", "0123.0", "1e3", "00123", "123.0"]


def test_decimal_commas_day_numbers_and_short_years():
    row = {**SOUND, "service_date": "43891", "fee": "1.234,50"}
    got = cleaned(PROCEDURES, row, decimals={"fee": ","}, dates={"service_date": DateForm(serial="1900")}).rows.row(
        0, named=True
    )
    assert (got["service_date"], got["fee"]) == (dt.date(2020, 3, 1), 1234.5)
    births = DateForm(True, years_from=1950, serial="1900", born_by=TODAY)
    rows = [{"patient_id": b, "birth_date": b} for b in ("05/05/49", "1950", "20000")]
    found = cleaned(PATIENTS, *rows, dates={"birth_date": births}).rows
    assert found.select("birth_date", "birth_year").rows() == [
        (dt.date(1949, 5, 5), 1949),
        (None, 1950),
        (dt.date(1954, 10, 3), 1954),
    ]


def test_a_batch_is_typed_alike_whatever_came_before_it():
    rows = [
        {**SOUND, "tooth": tooth, "code": code, "fee": fee, "service_date": day, "status": status}
        for tooth, code, fee, day, status in [
            ("14", "D2740", "5", "2020-03-01", "completed"),
            ("3-5", "2740", "x", "soon", "planned"),
            ("", "D0120", "", "", "existing"),
            ("UR", "D3330", "(5)", "2027-01-01", "void"),
            ("2", "D9999", "7", "1066-01-01", "?"),
        ]
    ]
    frame = pl.DataFrame(rows).with_row_index("row_number", 1).cast({"row_number": pl.Int64})
    plain = reading(PROCEDURES)
    for piece in (frame[1:3], frame[:1], frame[3:], frame, frame.reverse()):
        again, alone = clean(piece, plain), clean(piece, reading(PROCEDURES))
        for part in ("rows", "rejects", "notes"):
            assert getattr(again, part).equals(getattr(alone, part))


def test_files_of_a_table_may_share_what_their_texts_were_read_as():
    """However their dates and numbers are written, and whatever the files before them held."""
    day = "04/03/2020"
    frames = [
        pl.DataFrame({"row_number": [1, 2], **{name: [text, text] for name, text in row.items()}})
        for row in (
            {**SOUND, "service_date": day, "fee": "1,25", "tooth": "soon"},
            {**SOUND, "service_date": day, "fee": "1,25", "tooth": "UR6"},
            {**SOUND, "service_date": "2020-03-04", "fee": "x"},
            {**SOUND, "service_date": "2020-03-04", "fee": "7"},
        )
    ]
    ways = [
        {"dates": {"service_date": DateForm(month_first=first)}, "decimals": {"fee": sign}, "notation": notation}
        for first in (True, False)
        for sign in (".", ",")
        for notation in ("universal", "palmer")
    ]
    shared: dict[tuple[object, ...], TextCache] = {}
    by_itself = [[clean(frame, reading(PROCEDURES, caches={}, **way)) for frame in frames] for way in ways]
    seen = {str(alone.rows.select("service_date", "fee", "tooth_fdi").rows()) for one in by_itself for alone in one}
    there_and_back = list(zip(ways, by_itself, strict=True))
    for way, one in (*there_and_back, *reversed(there_and_back)):
        for frame, alone in zip(frames, one, strict=True):
            again = clean(frame, reading(PROCEDURES, caches=shared, **way))
            for part in ("rows", "rejects", "notes"):
                assert getattr(again, part).equals(getattr(alone, part))
    assert len(seen) == 4  # the ways do read them otherwise


@pytest.mark.parametrize(("hours", "place"), PLACES.items())
def test_each_place_is_as_far_from_greenwich_in_winter_as_it_stands_for(hours: int, place: str):
    days = pl.Series([dt.date(2024, month, 15) for month in (1, 7)]).cast(pl.Datetime).dt.replace_time_zone(place)
    assert min(days.dt.base_utc_offset() + days.dt.dst_offset()) == dt.timedelta(hours=hours)
