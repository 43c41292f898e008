"""What codes tell of crowns and courses: windows with their edges, none against unknown, recorded before coded."""

from __future__ import annotations

import datetime as dt
from itertools import permutations

import polars as pl
import pytest

from pipeline.practice.codes import EVENTS as CODE_EVENTS
from pipeline.transforms.coded_details import (
    CODED_SCHEMA,
    EVENTS,
    CodedWindows,
    coded_course_details,
    coded_crown_details,
    coded_rows,
    read_from_codes,
    with_coded,
)

SEAT = dt.date(2022, 7, 1)
WINDOWS = CodedWindows()


def before(days: int) -> dt.date:
    return SEAT - dt.timedelta(days=days)


def crowns(*ids: str, elsewhere: bool = False, seat: dt.date | None = SEAT) -> pl.DataFrame:
    rows = [("p1", n, name, seat, elsewhere) for n, name in enumerate(ids, 11)]
    schema = {"patient_id": pl.String, "tooth_fdi": pl.UInt8, "crown_id": pl.String, "seat_date": pl.Date,
              "done_elsewhere": pl.Boolean}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def coded(*rows: tuple[int | None, dt.date, str, str | None], patient: str = "p1") -> pl.DataFrame:
    said = [(patient, tooth, day, event, detail) for tooth, day, event, detail in rows]
    return pl.DataFrame(said, schema=CODED_SCHEMA, orient="row")


def test_every_event_is_one_of_the_code_lists() -> None:
    assert set(EVENTS) <= set(CODE_EVENTS)


@pytest.mark.parametrize(
    ("day", "post"),
    [(before(0), "cast"), (before(180), "cast"), (before(181), "none"), (before(-1), "none")],
)
def test_a_post_counts_for_the_crown_seated_within_its_days(day: dt.date, post: str) -> None:
    found = coded_crown_details(crowns("C1"), coded((11, day, "post_core", "cast")), WINDOWS)
    assert found.select("post", "core", "crown_lengthening").rows() == [(post, post, None)]


def test_none_is_said_only_by_a_ledger_that_has_such_rows() -> None:
    other = coded((36, before(900), "core", None))
    found = coded_crown_details(crowns("C1"), other, WINDOWS)
    assert found.select("post", "core", "crown_lengthening").rows() == [(None, "none", None)]
    assert coded_crown_details(crowns("C1", elsewhere=True), other, WINDOWS).is_empty()
    assert coded_crown_details(crowns("C1", seat=None), other, WINDOWS).is_empty()


@pytest.mark.parametrize(
    ("rows", "post", "core"),
    [
        ([(11, before(5), "post_core", None)], "unspecified", "unspecified"),
        ([(11, before(5), "post_core", "fiber")], "fiber", "unspecified"),
        ([(11, before(5), "post_core", "prefabricated"), (11, before(5), "core", "composite")], "prefabricated",
         "composite"),
        # A further post is a post and no core of its own.
        ([(11, before(5), "post_core_addon", "cast")], "cast", "none"),
        # The last day counts; two words of one day are none.
        ([(11, before(90), "core", "amalgam"), (11, before(5), "core", "composite")], "none", "composite"),
        ([(11, before(5), "core", "amalgam"), (11, before(5), "core", "composite")], "none", "unspecified"),
        ([(11, before(5), "core", None), (11, before(5), "core", "composite")], "none", "composite"),
    ],
)  # fmt: skip
def test_words_of_posts_and_cores(rows, post: str, core: str) -> None:
    # A cast post, its add-on and a core elsewhere let the ledger say none.
    elsewhere = [(36, before(900), "post_core", None), (36, before(900), "core", None)]
    for order in permutations(rows):
        found = coded_crown_details(crowns("C1"), coded(*order, *elsewhere), WINDOWS)
        assert found.select("post", "core").rows() == [(post, core)]


def test_crown_lengthening_of_the_tooth_and_not_of_its_neighbour() -> None:
    rows = coded((11, before(365), "crown_lengthening", None), (12, before(366), "crown_lengthening", None))
    found = coded_crown_details(crowns("C1", "C2", "C3"), rows, WINDOWS)
    assert found["crown_lengthening"].to_list() == [True, False, False]
    narrow = coded_crown_details(crowns("C1"), rows, CodedWindows(crown_lengthening_days=364))
    assert narrow["crown_lengthening"].to_list() == [False]


STARTED, COMPLETED = dt.date(2022, 3, 1), dt.date(2022, 4, 1)


def courses(*teeth: int, patient: str = "p1") -> pl.DataFrame:
    rows = [(patient, t, f"E{t}", STARTED, COMPLETED, False) for t in teeth]
    schema = {"patient_id": pl.String, "tooth_fdi": pl.UInt8, "course_id": pl.String, "started": pl.Date,
              "completed": pl.Date, "done_elsewhere": pl.Boolean}  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


@pytest.mark.parametrize(
    ("day", "counts"),
    [
        (STARTED - dt.timedelta(days=180), True),
        (STARTED - dt.timedelta(days=181), False),
        (COMPLETED, True),
        (COMPLETED + dt.timedelta(days=1), False),  # later than the clock's start
    ],
)
@pytest.mark.parametrize(
    ("event", "column"), [("splint", "splint"), ("perforation_repair", "perforation_repair"),
                          ("radiograph_3d", "film_3d")]
)  # fmt: skip
def test_what_counts_for_a_course(event: str, column: str, day: dt.date, counts: bool) -> None:
    found = coded_course_details(courses(16), coded((16, day, event, None)), WINDOWS)
    others = {"splint", "perforation_repair", "film_3d"} - {column}
    assert found[column].to_list() == [counts]
    assert all(found[name].to_list() == [None] for name in others)


def test_a_film_that_names_no_tooth_counts_for_the_courses_of_its_patient() -> None:
    film = coded((None, STARTED, "radiograph_3d", None))
    assert coded_course_details(courses(16, 26), film, WINDOWS)["film_3d"].to_list() == [True, True]
    assert coded_course_details(courses(16, patient="p2"), film, WINDOWS)["film_3d"].to_list() == [False]
    of_one = coded((16, STARTED, "radiograph_3d", None))
    assert coded_course_details(courses(16, 26), of_one, WINDOWS)["film_3d"].to_list() == [True, False]


def test_a_recorded_detail_always_wins_and_the_source_is_told() -> None:
    rows = pl.DataFrame({"crown_id": ["a", "b", "c"], "post": ["fiber", None, None]})
    told = pl.DataFrame({"crown_id": ["a", "b"], "post": ["none", "cast"], "crown_lengthening": [True, None]})
    found = with_coded(rows, told, key="crown_id")
    assert found.select("crown_id", "post", "post_from", "crown_lengthening", "crown_lengthening_from").rows() == [
        ("a", "fiber", "recorded", True, "coded"),
        ("b", "cast", "coded", None, None),
        ("c", None, None, None, None),
    ]
    assert read_from_codes({"crowns": found}) == {"post": 1, "crown_lengthening": 1}


def test_rows_are_known_by_their_codes_and_teeth() -> None:
    codes = pl.DataFrame(
        {"code": ["X1", "X2", "X3"], "event": ["post_core", "radiograph_3d", "exam"], "detail": ["cast", None, None]}
    )
    done = pl.DataFrame(
        {
            "patient_id": ["p1"] * 5,
            "tooth_fdi": pl.Series([16, 16, 55, None, None], dtype=pl.UInt8),
            "supernumerary": [False, True, False, False, False],
            "service_date": [SEAT] * 5,
            "code": ["X1", "X1", "X1", "X1", "X2"],
        }
    )
    found = coded_rows(done, codes)
    assert found.select("tooth_fdi", "event", "detail").rows() == [
        (16, "post_core", "cast"),
        (None, "radiograph_3d", None),
    ]
