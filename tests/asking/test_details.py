"""Which details belong to which crown and course, drawn."""

from drawn import frame

from pipeline.asking.details import crown_details_of, endo_details_of

COURSES = frame("""
    course_id | patient_id | tooth_fdi | started    | completed
    E1        | p1         | 16        | 2020-01-01 | 2020-02-01
    E2        | p1         | 16        | 2022-01-01 | 2022-01-01
    E3        | p2         | 16        | 2020-01-01 | 2020-02-01
    E4        | p2         | 16        | 2020-02-01 | 2020-03-01
    E5        | p3         | 16        | 2020-01-01 | 2020-02-01
""")
ENDO = frame("""
    load_id | row_number | patient_id | tooth_fdi | service_date | obturation
    # Two of one course: the later counts.
    1       | 1          | p1         | 16        | 2020-01-01   | carrier
    1       | 2          | p1         | 16        | 2020-02-01   | single_cone
    1       | 3          | p1         | 16        | 2022-01-02   | a_day_late
    # A day of two courses says nothing of either; another day does.
    1       | 4          | p2         | 16        | 2020-02-01   | carrier
    1       | 5          | p2         | 16        | 2020-02-15   | cold_lateral
    1       | 6          | p3         | 26        | 2020-01-15   | other_tooth
""")
CROWNS = frame("""
    crown_id | patient_id | tooth_fdi | seat_date
    C1       | p1         | 16        | 2020-01-01
    C2       | p1         | 16        | 2020-03-01
    C3       | p2         | 16        | 2020-01-01
    C4       | p3         | 16        |
""")
CROWN = frame("""
    load_id | row_number | patient_id | tooth_fdi | prep_date  | seat_date  | cement
    # Nearer to the second seat, though within reach of both.
    1       | 1          | p1         | 16        | 2020-01-20 | 2020-02-10 | resin
    # No seat: the preparation stands in, 20 days before.
    1       | 2          | p2         | 16        | 2019-12-12 |            | glass
    1       | 3          | p3         | 16        | 2020-01-01 | 2020-01-01 | none
""")


def test_details_of_courses():
    found = endo_details_of(COURSES, ENDO)
    assert dict(found.select("course_id", "obturation").rows()) == {
        "E1": "single_cone",
        "E2": None,
        "E3": None,
        "E4": "cold_lateral",
        "E5": None,
    }


def test_details_of_crowns():
    found = crown_details_of(CROWNS, CROWN, tolerance_days=60)
    assert dict(found.select("crown_id", "cement").rows()) == {"C1": None, "C2": "resin", "C3": "glass", "C4": None}
    near = crown_details_of(CROWNS, CROWN, tolerance_days=19)
    assert near["cement"].to_list() == [None, None, None, None]
