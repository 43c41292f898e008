"""Rule 6: the kinds of crown, and what is none."""

from __future__ import annotations

import polars as pl
import pytest
from linking import assert_crowns, run

from pipeline.questions.crown_rows import own_crowns
from pipeline.transforms.events import tooth_group


def test_each_kind_is_named_and_only_single_crowns_are_counted():
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 11        | CROWN
        2015-01-01   | 12        | RETAIN
        2015-01-01   | 13        | RETONL
        2015-01-01   | 14        | ONLAY
        2015-01-01   | 15        | PREFAB
        2015-01-01   | 21        | RETINL
        2015-01-01   | 22        | WING
        2015-01-01   | 23        | VENEER
        2015-01-01   | 24        | INLAY
        2015-01-01   | 25        | TEMP
        2015-01-01   | 26        | IMPL
        2015-06-01   | 26        | CROWN
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | crown_kind
        11        | single
        12        | retainer
        13        | retainer
        14        | onlay
        15        | prefabricated
    """,
    )
    assert linked.counts["crowns"] == 1
    assert linked.counts["crowns_other_kinds"] == 4
    assert linked.counts["crown_rows_on_implants"] == 1
    assert own_crowns(linked.crowns)["tooth_fdi"].to_list() == [11]


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("code", "is_crown"),
    [("CROWN", True), ("RETAIN", True), ("RETONL", True), ("ONLAY", True), ("PREFAB", True), ("VENEER", False)],
)
def test_a_root_canal_through_any_kind_is_through_a_crown(code: str, is_crown: bool):
    linked = run(f"""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | {code}
        2016-01-01   | 16        | ENDO
        2017-01-01   |           | EXAM
    """)
    assert linked.crowns["endo_timing"].to_list() == ["through_crown"] * is_crown
    assert linked.endo_courses["crown_at_start"].to_list() == ["crowned" if is_crown else "none"]


def test_of_several_kinds_on_one_day_the_highest_fee_names_it():
    linked = run("""
        service_date | tooth_fdi | code   | fee
        2015-01-01   | 16        | ONLAY  | 500
        2015-01-01   | 16        | CROWN  | 900
        2015-01-01   | 26        | RETAIN | 950
        2015-01-01   | 26        | CROWN  | 900
    """)
    assert_crowns(
        linked,
        """
        tooth_fdi | crown_kind
        16        | single
        26        | retainer
    """,
    )


def test_a_crown_on_an_implant_that_others_placed_is_none_of_the_tooth():
    # The tooth that carried our crown was gone by the day on which others placed the implant.
    linked = run("""
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2016-01-01   |           | EXAM  |
        2017-01-01   | 16        | IMPL  | existing
        2018-01-01   | 16        | CROWN |
        2019-01-01   |           | EXAM  |
    """)
    # 366 days from 2016-01-01 to 2017-01-01.
    assert_crowns(
        linked,
        """
        seat_date  | failure_cause | exit_date  | loss_interval_days
        2015-01-01 | extracted     | 2016-07-02 | 366
    """,
    )
    assert linked.counts["crown_rows_on_implants"] == 1


def test_a_crown_on_an_implant_of_others_stands_after_our_extraction():
    linked = run("""
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2016-01-01   | 16        | OUT   |
        2016-09-01   | 16        | IMPL  | existing
        2017-01-01   | 16        | CROWN |
        2015-01-01   | 26        | CROWN |
        2016-01-01   | 26        | OUT   |
        2017-01-01   | 26        | CROWN |
    """)
    # 26: no implant is known of, so the later crown row names a tooth that was gone.
    assert linked.set_aside["row_number"].to_list() == [7]
    assert linked.counts["crown_rows_on_implants"] == 1
    assert linked.crowns["failure_cause"].to_list() == ["extracted", "extracted"]


def test_a_repair_on_an_implant_is_none_of_the_crown_of_the_tooth():
    linked = run("""
        service_date | tooth_fdi | code  | status
        2015-01-01   | 16        | CROWN |
        2016-01-01   | 16        | OUT   |
        2017-01-01   | 16        | IMPL  |
        2018-01-01   | 16        | RECEM |
        2018-06-01   | 16        | CROWN |
        2019-01-01   | 16        | ENDO  |
    """)
    # The root canal names a tooth that was gone: that row is set aside.
    assert linked.set_aside["row_number"].to_list() == [6]
    assert_crowns(
        linked,
        """
        seat_date  | failure_cause | exit_date  | first_complication_date
        2015-01-01 | extracted     | 2016-01-01 |
    """,
    )
    assert linked.endo_courses.is_empty()


def test_whatever_is_done_to_a_crown_on_an_implant_is_none_of_the_tooth():
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 14        | CROWN
        2018-01-01   | 14        | IMPL
        2019-01-01   | 14        | CROWN
        2015-01-01   | 15        | CROWN
        2018-01-01   | 15        | IMPL
        2019-01-01   | 15        | TEMP
        2015-01-01   | 16        | CROWN
        2018-01-01   | 16        | IMPL
        2019-01-01   | 16        | OFF
        2015-01-01   | 17        | CROWN
        2018-01-01   | 17        | IMPL
        2019-01-01   | 17        | RECEM
        2015-01-01   | 24        | CROWN
        2018-01-01   | 24        | IMPL
        2019-01-01   | 24        | MEND
    """)
    assert set(linked.crowns["failure_cause"]) == {"extracted"}
    assert linked.crowns["tooth_fdi"].to_list() == [14, 15, 16, 17, 24]
    assert linked.counts["crown_rows_on_implants"] == 5


def test_a_root_canal_of_others_shows_that_an_implant_names_the_wrong_tooth_and_a_crown_of_theirs_does_not():
    linked = run("""
        service_date | tooth_fdi | code  | status
        2018-01-01   | 16        | IMPL  |
        2019-01-01   | 16        | ENDO  | existing
        2019-06-01   | 16        | CROWN |
        2018-01-01   | 26        | IMPL  |
        2019-01-01   | 26        | CROWN | existing
        2019-06-01   | 26        | CROWN |
        2020-01-01   |           | EXAM  |
    """)
    ours = linked.crowns.filter(~pl.col("done_elsewhere"))
    assert ours["tooth_fdi"].to_list() == [16]
    assert linked.counts["crown_rows_on_implants"] == 1


def test_a_tooth_extracted_the_day_after_its_implant_was_there():
    # 16: extracted on the day of the implant, whose crown this is. 26: on the next day, so the implant stands elsewhere.
    linked = run("""
        service_date | tooth_fdi | code
        2015-01-01   | 16        | IMPL
        2015-01-01   | 16        | CROWN
        2015-01-01   | 16        | OUT
        2015-01-01   | 26        | IMPL
        2015-01-01   | 26        | CROWN
        2015-01-02   | 26        | OUT
        2018-01-01   |           | EXAM
    """)
    assert linked.crowns["tooth_fdi"].to_list() == [26]
    assert linked.counts["crown_rows_on_implants"] == 1


def test_the_group_of_every_tooth():
    groups = {1: "anterior", 2: "anterior", 3: "anterior", 4: "premolar", 5: "premolar"}
    teeth = [10 * quadrant + place for quadrant in (1, 2, 3, 4) for place in range(1, 9)]
    found = pl.DataFrame({"tooth_fdi": teeth}).select("tooth_fdi", group=tooth_group(pl.col("tooth_fdi")))
    assert dict(found.rows()) == {tooth: groups.get(tooth % 10, "molar") for tooth in teeth}
