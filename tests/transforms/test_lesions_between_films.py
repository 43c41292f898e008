"""Between which films a lesion healed, drawn; and which reading of a film counts where several read it."""

import polars as pl
import pytest
from drawn import table

from pipeline.practice.tables import ENDO_COURSES, ENDO_DETAILS, FINDINGS
from pipeline.transforms.healing import lesions_between_films
from pipeline.transforms.readings import by_readers, co_readers, films_read, films_shared, films_that_differ

COURSES = """
    course_id | patient_id | tooth_fdi | started    | completed  | exit_date  | failure | failure_cause
    C1        | p1         | 16        | 2020-01-01 | 2020-01-11 | 2026-01-01 | false   |
    C2        | p2         | 16        | 2020-01-01 | 2020-01-11 | 2026-01-01 | false   |
    C3        | p3         | 16        | 2020-01-01 | 2020-01-11 | 2023-01-01 | true    | retreatment
    C4        | p4         | 16        | 2020-01-01 | 2020-01-11 | 2023-01-01 | true    | extraction
    C5        | p5         | 16        | 2020-01-01 | 2020-01-11 | 2026-01-01 | false   |
    C6        | p6         | 16        | 2020-01-01 | 2020-01-11 | 2026-01-01 | false   |
    C7        | p7         | 16        | 2020-01-01 |            | 2026-01-01 | false   |
    C8        | p8         | 16        | 2020-01-01 | 2020-01-11 | 2026-01-01 | false   |
    C9        | p9         | 16        | 2020-01-01 | 2020-01-11 | 2023-01-01 | true    | surgery
    C10       | p10        | 16        | 2020-01-01 | 2020-01-11 | 2026-01-01 | false   |
"""
DETAILS = "patient_id | tooth_fdi | service_date | preop_pai\n" + "\n".join(
    f"p{n} | 16 | 2020-01-01 | { {2: 3, 6: 2}.get(n, 4) }" for n in range(1, 11) if n != 10
)
FILMS = """
    patient_id | tooth_fdi | exam_date  | pai | symptomatic
    # There after 100 days, gone after 465, there again, gone again: healed between 100 and 465.
    p1         | 16        | 2020-04-20 | 4   | false
    p1         | 16        | 2021-04-20 | 2   | false
    p1         | 16        | 2022-04-20 | 3   | false
    p1         | 16        | 2023-04-20 | 1   | false
    # A small one, gone on the first film and after; on that of the day of completion it was there, which says nothing.
    p2         | 16        | 2020-01-11 | 4   | false
    p2         | 16        | 2020-04-20 | 1   | false
    p2         | 16        | 2021-04-20 | 2   | false
    # Treated again before it was seen healed; what a film shows later belongs to the next course.
    p3         | 16        | 2021-04-20 | 4   | false
    p3         | 16        | 2024-04-20 | 1   | false
    # Lost, for whatever reason: known up to its last film.
    p4         | 16        | 2021-04-20 | 3   | false
    # Gone but sore is not healed; a film without a word on symptoms judges nothing, whatever it shows.
    p5         | 16        | 2020-04-20 | 1   | true
    p5         | 16        | 2021-04-20 | 1   |
    p5         | 16        | 2021-05-20 | 5   |
    p6         | 16        | 2021-04-20 | 1   | false
    # Healed, and operated on later all the same.
    p9         | 16        | 2021-04-20 | 1   | false
    # The index before is that of a film.
    p10        | 16        | 2019-12-01 | 5   |
    p10        | 16        | 2021-04-20 | 5   | false
"""
EXPECTED = {
    # films, first, last, left, right, seen again, treated again
    "C1": (4, 100, 1195, 100, 465, True, False),
    "C2": (2, 100, 465, 0, 100, False, False),
    "C3": (1, 465, 465, 465, None, False, True),
    "C4": (1, 465, 465, 465, None, False, False),
    "C5": (1, 100, 100, 100, None, False, False),
    "C8": (0, None, None, 0, None, False, False),
    "C9": (1, 465, 465, 0, 465, False, False),
    "C10": (1, 465, 465, 465, None, False, False),
}


def found(courses: str = COURSES, films: str = FILMS) -> dict[str, tuple[object, ...]]:
    rows = lesions_between_films(
        table(courses, ENDO_COURSES), table(films, FINDINGS), table(DETAILS, ENDO_DETAILS), gap_days=180
    )
    return {r[0]: r[2:] for r in rows.iter_rows()}


def test_a_lesion_heals_between_the_last_film_that_shows_it_and_the_first_that_does_not():
    assert found() == EXPECTED
    assert list(found()) == sorted(EXPECTED)


def test_the_order_of_films_changes_nothing():
    lines = FILMS.strip().splitlines()
    shuffled = "\n".join([lines[0], *reversed([line for line in lines[1:] if "#" not in line])])
    assert found(films=shuffled) == EXPECTED


def readings(*told: tuple[str | None, int | None, int]) -> pl.DataFrame:
    rows = "\n".join(f"p1 | 16 | 2021-01-01 | {pai or ''} | {who or ''} | {n}" for who, pai, n in told)
    return table(f"patient_id | tooth_fdi | exam_date | pai | reader | reading\n{rows}", FINDINGS)


@pytest.mark.parametrize(
    ("told", "agreed"),
    [
        ([("ann", 2, 1), ("bea", 2, 1)], 2),
        # Two differ: the higher, until a third has read it; then what two of three say, or the middle one.
        ([("ann", 2, 1), ("bea", 4, 1)], 4),
        ([("ann", 2, 1), ("bea", 4, 1), ("cat", 2, 1)], 2),
        ([("ann", 2, 1), ("bea", 4, 1), ("cat", 4, 1)], 4),
        ([("ann", 1, 1), ("bea", 5, 1), ("cat", 3, 1)], 3),
        # A second reading is a check of the reader, and no vote; nor are two roots of one reader two votes.
        ([("ann", 2, 1), ("bea", 2, 1), ("ann", 5, 2)], 2),
        ([("ann", 2, 1), ("ann", 4, 1), ("bea", 2, 1), ("cat", 2, 1)], 2),
        # Four, two against two: the higher.
        ([("ann", 2, 1), ("bea", 2, 1), ("cat", 3, 1), ("dan", 3, 1)], 3),
        ([("ann", 2, 2), ("bea", 3, 2)], 3),
        # bea's is noted as the second of the film: it counts once a third has read.
        ([("ann", 4, 1), ("bea", 2, 2)], 4),
        ([("ann", 2, 1), ("bea", 4, 2)], 2),
        ([("ann", 4, 1), ("bea", 2, 2), ("cat", 2, 1)], 2),
    ],
)
def test_the_agreed_reading_counts(told, agreed):
    assert films_read(readings(*told))["pai"].to_list() == [agreed]


def test_one_reader_alone_counts_where_that_reader_read_and_nothing_changes_elsewhere():
    both = readings(("ann", 2, 1), ("bea", 4, 1), (None, 5, 1))
    other = both.with_columns(patient_id=pl.lit("p2")).filter(pl.col("reader") == "bea")
    rows = pl.concat([both, other])
    for reader, expected in (("ann", [2, 4]), ("bea", [4, 4])):
        assert films_read(by_readers(rows, [reader])).sort("patient_id")["pai"].to_list() == expected
    # Nobody read it: as it was. Symptoms stay whoever noted them.
    assert by_readers(rows, ["zoe"]).equals(rows)
    sore = rows.with_columns(symptomatic=pl.col("reader") == "bea")
    assert films_read(by_readers(sore, ["ann"])).sort("patient_id")["symptomatic"].to_list() == [True, True]


def test_films_that_two_read_differently_want_a_third():
    assert films_that_differ(readings(("ann", 2, 1), ("bea", 4, 1))).height == 1
    assert films_that_differ(readings(("ann", 2, 1), ("bea", 2, 1))).height == 0
    assert films_that_differ(readings(("ann", 2, 1), ("bea", 4, 1), ("cat", 3, 1))).height == 0
    assert films_that_differ(readings(("ann", 2, 1), ("ann", 4, 2))).height == 0
    assert films_that_differ(readings(("ann", 2, 1), (None, 4, 1))).height == 0
    assert films_that_differ(readings(("ann", 2, 1), ("bea", 4, 2))).height == 1
    shared = readings(("ann", 2, 1), ("bea", 4, 2), ("bea", 4, 2), (None, 3, 1))
    assert co_readers(shared).rows() == [("ann", 1), ("bea", 1)]
    assert co_readers(readings(("ann", 2, 1), ("ann", 4, 2))).is_empty()
    assert films_read(by_readers(shared, ["bea"]))["pai"].to_list() == [4]
    assert films_shared(shared) == 1
