"""Every number in a sentence is read back out of it and compared with the results that it came from."""

import dataclasses
import re
from typing import Any

import pytest
import sample_results as samples

from dashboards.formats import failed, in_place, range_more_or_fewer
from dashboards.words import comparisons as words
from pipeline.results import (
    Comparison,
    Counts,
    Difference,
    Estimate,
    FilledIn,
    FollowUp,
    Group,
    LinkNote,
    LoadRow,
    Milestone,
    Naive,
    NotRun,
    Quality,
    RateRow,
    RateTable,
    Results,
    UnknownCode,
    Verdict,
)


def numbers(text: str) -> list[float]:
    return [float(n.replace(",", "")) for n in re.findall(r"\d[\d,]*(?:\.\d+)?", text)]


ROW = RateRow("all", 900, 700, 60, 4000.0, 5, 480, 0.912, 0.889, 0.934)


def test_the_overall_sentence_says_the_rounded_rate_both_ways_with_its_range() -> None:
    text = words.rate_headline(ROW, "crown_survival")
    assert text == "About 91 of 100 crowns were still in place after 5 years (9 failed); the range is 89 to 93."
    assert numbers(text) == [
        in_place(ROW.survival or 0), 100, ROW.years, failed(ROW.survival or 0), in_place(ROW.ci_low or 0),
        in_place(ROW.ci_high or 0),
    ]  # fmt: skip


def test_too_few_followed_gives_counts_and_no_rate() -> None:
    row = dataclasses.replace(ROW, teeth=1, followed=1, survival=None, ci_low=None, ci_high=None, years=1)
    text = words.rate_headline(row, "crown_survival")
    assert text.endswith("after 1 year: 1 of 1 crown has been followed that long.")


def _difference(mid: float, low: float, high: float, from_days: int = 0) -> str:
    return words.difference_sentence(
        Difference("a", "b", 5, from_days, mid, low, high, ""), {"a": "A", "b": "B"}, "crown"
    )


def test_the_difference_says_more_or_fewer_by_its_sign() -> None:
    assert _difference(6.4, 1.6, 11.2) == (
        "By 5 years, 6 more of 100 crowns failed with “A” than with “B”; the range is 2 to 11 more."
    )
    assert _difference(-6.4, -11.2, -1.6) == (
        "By 5 years, 6 fewer of 100 crowns failed with “A” than with “B”; the range is 2 to 11 fewer."
    )
    assert _difference(0.2, -4.0, 4.4) == (
        "By 5 years, about as many of 100 crowns failed with “A” as with “B”; the range is 4 fewer to 4 more."
    )


def test_a_difference_counted_from_a_later_day_says_so() -> None:
    assert "counted from 6 months on" in _difference(6, 2, 11, from_days=183)
    assert "counted from" in _difference(6, 2, 11, from_days=1)


def test_how_to_read_takes_its_example_from_the_first_curve() -> None:
    comparison = samples.differs().comparisons[0]
    point = words.at_horizon(comparison, comparison.groups[0])
    assert point is not None
    assert point.survival is not None
    text = words.how_to_read(comparison)
    n = failed(point.survival)
    ends = [failed(point.ci_high or 0), failed(point.ci_low or 0)]
    assert numbers(text) == [5, n, 100, n, in_place(point.survival), *ends]


def test_the_chart_label_holds_each_groups_failures_and_range() -> None:
    comparison = samples.differs().comparisons[0]
    expected: list[float] = [100, 5]
    for group in comparison.groups:
        m = words.at_horizon(comparison, group)
        assert m is not None
        expected += [failed(m.survival or 0), failed(m.ci_high or 0), failed(m.ci_low or 0)]
    assert numbers(words.curves_label(comparison)) == expected


def test_trust_sentences_add_up_over_files() -> None:
    results = samples.differs()
    read = sum(r.rows_read for r in results.quality.loads)
    aside = sum(r.quarantined for r in results.quality.loads)
    first = words.trust_sentences(results)[0]
    assert numbers(first)[:3] == [read, len(results.quality.loads), aside]


def test_one_of_each_is_said_in_the_singular() -> None:
    results = samples.one_of_each()
    text = " ".join([words.scope_sentence(results), *words.trust_sentences(results)])
    assert "1 procedure row of 1 patient, with 1 single crown made here and 1 root canal begun" in text
    assert "1 row was read from 1 file" in text
    known_not = "that the code list does not know; nothing is concluded from"
    assert f"1 row has a procedure code {known_not} it." in text
    two = words.trust_sentences(_results(quality=Quality(unknown_codes=(UnknownCode("a", 2),))))
    assert two[-1] == f"2 rows have a procedure code {known_not} them."
    assert not re.search(r"\b1 (rows|crowns|patients|files|codes|root canals|procedure rows)\b", text)


def test_an_empty_practice_has_no_sentence_of_nothing() -> None:
    results: Results = samples.empty_practice()
    assert words.trust_sentences(results) == []
    assert "0 procedure rows of 0 patients" in words.scope_sentence(results)


def test_clinicians_whose_range_misses_the_whole_practice_are_counted() -> None:
    rows = [
        dataclasses.replace(ROW, name=n, ci_low=low, ci_high=high)
        for n, low, high in (("a", 0.88, 0.95), ("b", 0.80, 0.90), ("c", 0.90, 0.97))
    ]
    text = words.chance(rows, ROW)
    # The practice's 0.912 lies outside b's range only; 1 - 0.95 ** 3 = 0.143.
    assert numbers(text) == [2, 3, 1, 3, 14, 100]
    assert "1 does not" in text


def test_a_rate_in_a_sentence_is_said_by_one_place() -> None:
    row = dataclasses.replace(ROW, survival=0.934, ci_low=0.901, ci_high=0.957)
    assert words.rate_in_short(row, "still in place", of="crowns") == (
        "93 of 100 crowns still in place after 5 years (90 to 96)"
    )
    assert words.rate_in_short(row, "in place", word="range") == "93 of 100 in place after 5 years (range 90 to 96)"
    assert words.rate_in_short(dataclasses.replace(row, ci_low=None), "kept") == "93 of 100 kept after 5 years"
    assert words.rate_in_short(dataclasses.replace(row, survival=None), "kept") == ""


def test_a_rate_without_a_limit_is_said_without_a_range() -> None:
    text = "About 91 of 100 crowns were still in place after 5 years (9 failed)."
    for limit in ("ci_low", "ci_high"):
        assert words.rate_headline(dataclasses.replace(ROW, **{limit: None}), "crown_survival") == text
        assert words.rate_in_short(dataclasses.replace(ROW, **{limit: None}), "kept") == "91 of 100 kept after 5 years"


def test_the_label_of_rates_leaves_out_what_has_no_range() -> None:
    rows = [ROW, *(dataclasses.replace(ROW, **{name: None}) for name in ("survival", "ci_low", "ci_high"))]
    table = RateTable("", "", "crown_survival", "year", (*rows, dataclasses.replace(ROW, name="b", survival=0.85)))
    expected = "Failed of 100 crowns within 5 years, with range: all 9 (7 to 11); b 15 (7 to 11)."
    assert words.rates_label(table) == expected
    alone = words.rates_label(RateTable("", "", "crown_survival", "year", (ROW,)))
    assert alone == "Failed of 100 crowns within 5 years, with range: all 9 (7 to 11)."


@pytest.mark.parametrize(
    ("ranges", "first", "looks"),
    [
        ([(0.9, 0.95)], "The range of the one clinician shown holds the practice’s overall figure.", 5),
        ([(0.8, 0.9)], "The range of the one clinician shown misses the practice’s overall figure.", 5),
        ([(0.92, 0.95)], "The range of the one clinician shown misses the practice’s overall figure.", 5),
        ([(0.912, 0.95), (0.8, 0.912)], "All 2 ranges hold the practice’s overall figure.", 10),
        ([(0.8, 0.9)] * 2, "0 of 2 ranges hold the practice’s overall figure, 2 do not.", 10),
    ],
)
def test_ranges_that_miss_the_overall_figure(ranges: list[tuple[float, float]], first: str, looks: int) -> None:
    drawn = [dataclasses.replace(ROW, ci_low=low, ci_high=high) for low, high in ranges]
    undrawn = [dataclasses.replace(ROW, **{name: None}) for name in ("survival", "ci_low", "ci_high")]
    text = words.chance([*drawn, *undrawn], ROW)
    assert text.startswith(f"{first} With {len(ranges)} clinician")
    assert text.endswith(f"alone in about {looks} of 100 looks.")
    for rows, overall in ((undrawn, ROW), (drawn, None), (drawn, undrawn[0])):
        assert words.chance(rows, overall).startswith("Too few teeth")


def _group(name: str = "vital", survival: float | None = 0.91, **changes: Any) -> Group:
    at = Milestone(5.0, 300, 200, 30, 70, survival, 0.88, 0.93)
    early = Milestone(1.0, 300, 280, 3, 17, 0.99, 0.98, 1.0)
    made = Group(name, f"Kind {name}", 300, 200, 30, 900.0, 3.3, 2.0, 5.0, milestones=(early, at))
    return dataclasses.replace(made, **changes)


def _compared(*groups: Group, **changes: Any) -> Comparison:
    verdict = Verdict("differs", "", "", "", "", "", 5.0)
    made = Comparison("", "", "", "crown_failure", "since_seat", groups, (), None, None, verdict, (), (), (), 5.0)
    return dataclasses.replace(made, **changes)


def test_curves_are_read_at_the_horizon() -> None:
    none, vague = _group("none", None), _group("opened", 0.8)
    no_low, no_high = (
        dataclasses.replace(vague, milestones=(dataclasses.replace(vague.milestones[1], **{name: None}),))
        for name in ("ci_low", "ci_high")
    )
    assert words.curves_label(_compared(_group(), none, no_low, no_high)) == (
        "Failed of 100 crowns by 5 years. Kind vital: 9 (range 7 to 12); Kind none: the curve does not reach 5 years; "
        "Kind opened: 20; Kind opened: 20."
    )
    assert words.how_to_read(_compared(none, no_low, no_high, _group())) == (
        "At 5 years the line “Kind vital” stands at 9: of 100 crowns, about 9 had failed by then and 91 had not. The "
        "shaded band there runs from 7 to 12: the range that fits these records."
    )
    assert words.how_to_read(_compared(none, no_high)).startswith("No line reaches 5 years yet: too few crowns")


def test_where_a_curve_starts_and_stops() -> None:
    curve = samples.differs().comparisons[0].groups[0].curve
    late = _group("opened", starts_at_days=548)
    stops = _group(curve=curve, stops_at_days=3653, stop_reason="fewer than 11 followed.")
    assert words.curve_notes(_compared(_group(), late, stops)) == [
        "“Kind opened” is counted from 1.5 years, when enough such crowns were followed, and drawn from its first "
        "failure; each counts from its own day on.",
        "“Kind vital” stops at 10.0 years: fewer than 11 followed.",
    ]
    [soon] = words.curve_notes(_compared(_group(starts_at_days=1)))
    assert soon.startswith("“Kind vital” is counted from 0.0 years,")
    bare = dataclasses.replace(stops, stop_reason="")
    assert words.curve_notes(_compared(bare)) == ["“Kind vital” stops at 10.0 years."]
    assert words.curve_notes(_compared(dataclasses.replace(stops, curve=()), _group(curve=curve))) == []


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (1, 11, "1 to 11 more"), (-11, -1, "1 to 11 fewer"), (-4, 9, "4 fewer to 9 more"), (0, 9, "0 to 9 more"),
        (1, 1, "1 to 1 more"),
        (-9, 0, "9 fewer to 0"), (0, 0, "0 to 0"),
    ],
)  # fmt: skip
def test_a_range_says_more_or_fewer_at_each_end(low: int, high: int, said: str) -> None:
    assert range_more_or_fewer(low, high) == said


def test_the_count_by_hand() -> None:
    naive = Naive("a vs b", 0.8, 0.6, 0.94, "", "", (("a", 0.955), ("b", 0.9)))
    labels = {"a": "A", "b": "B"}

    def said(**changes: Any) -> str:
        return words.naive_sentence(dataclasses.replace(naive, **changes), labels, 5.0, start="the seat")

    counted = "Counted by hand from the seat, 4 of 100 with “A” and 10 of 100 with “B” failed by 5 years."
    assert said() == f"{counted} Its hazard ratio is 0.80 (0.60 to 0.94)."
    assert said(ci_low=float("nan")) == said(ci_high=float("inf")) == f"{counted} Its hazard ratio is 0.80."
    assert said(hazard_ratio=float("nan")) == counted
    assert said(survival=()) == "Its hazard ratio is 0.80 (0.60 to 0.94)."


def test_groups_that_add_up_to_more_than_the_curves_count() -> None:
    vital, opened = _group(crowns=1200, followed=1234), _group("through_crown", crowns=34, followed=34)
    text = words.groups_reconciled(_compared(vital, opened))
    assert "The 34 opened crowns count twice here" in text
    assert "1,234 began without a root canal, and 1,200 never had one; shared pages count these alone" in text
    assert words.groups_reconciled(_compared(vital)) == words.groups_reconciled(_compared(opened)) == ""
    # Of other comparisons only that from the opening on counts opened crowns of unknown age.
    ever = _compared(_group("through_crown", crowns=40))
    for clock, told in (("since_opening_or_seat", True), ("since_landmark", False)):
        text = words.groups_reconciled(_compared(vital, opened), [dataclasses.replace(ever, clock=clock)])
        assert (" From the opening on 40 are counted, 6 of them of unknown age." in text) is told


def test_the_other_contrast_is_that_adjusted_for_most() -> None:
    def ratio(value: float, contrast: str = "through_crown vs vital", adjusted_for: Any = (), **more: Any) -> Estimate:
        made = Estimate(contrast, "cox", adjusted_for, (), value, value - 0.5, value + 0.75, 0.01, "", 9, 9, 9, 9)
        return dataclasses.replace(made, **more)

    def said(*estimates: Estimate) -> str:
        return words.other_contrast(_compared(_group(), _group("through_crown"), estimates=estimates))

    crude, adjusted, most = ratio(2.0), ratio(1.75, adjusted_for=("sex",)), ratio(1.5, adjusted_for=("sex", "age"))
    start, end = "Against kind vital, failures came", "times as fast with kind through_crown"
    assert said(crude, adjusted, most, ratio(9, "a vs b")) == f"{start} 1.50 {end} (1.00 to 2.25), adjusted."
    out = " That is not the question judged here: those teeth needed no root canal."
    assert said(adjusted, crude) == f"{start} 1.75 {end} (1.25 to 2.50), adjusted.{out}"
    assert said(ratio(3.0), crude) == f"{start} 2.00 {end} (1.50 to 2.75), not adjusted.{out}"
    unknown = float("nan")
    assert said() == said(ratio(9, "a vs b")) == said(ratio(1, ci_low=unknown), ratio(1, ci_high=unknown)) == ""


def _results(**changes: Any) -> Results:
    made = Results("", "2005-01-03", "2024-12-31", Counts(9000, 800, 900, 70, 30, 100), (), (), Quality(), (), {}, {},
                   {})  # fmt: skip
    return dataclasses.replace(made, **changes)


def test_what_the_records_hold() -> None:
    held = (
        "Records from 3 January 2005 to 31 December 2024: 9,000 procedure rows of 800 patients, with 900 single crowns "
        "made here and 70 root canals begun."
    )
    assert words.scope_sentence(_results()) == held
    others = NotRun("all_other_questions", "", ())
    alone = words.scope_sentence(_results(not_run=(NotRun("x", "", ()), others)))
    assert alone.startswith(f"{held} Of these only the main comparison was made")
    assert words.not_asked(_results(not_run=(NotRun("x", "", ()),))) == ""


def test_what_was_read_filled_in_and_followed() -> None:
    loads = tuple(LoadRow("", "", "", read, read - 10, 0, aside) for read, aside in ((1000, 10), (500, 20)))
    filled = (
        FilledIn("crowns", "material", 100, 49), FilledIn("crowns", "fee", 100, 50),
        FilledIn("patients", "deceased_date", 100, 2), FilledIn("elsewhere", "event_year", 100, 3),
    )  # fmt: skip
    followed = (FollowUp("crowns", 900, 1461, 0.15, 0.82), FollowUp("root canals", 60, None, 0.25, 0.5))
    links = (LinkNote("seats_recorded", 720, ""),)
    quality = Quality(loads, links=links, filled_in=filled, unknown_codes=(UnknownCode("a", 3), UnknownCode("b", 4)))
    assert words.trust_sentences(_results(quality=quality, followup=followed)) == [
        "1,500 rows were read from 2 files; 30 (2.0 %) were set aside.",
        "The day of the seat is recorded for 720 of 900 crowns made here (80 %); for others the posting stands in, "
        "by a rule.",
        "100 crowns more have no known day of the seat.",
        "Less than half filled in: material (crowns), 49 %. What rests on these is thin.",
        "Of 70 root canals begun, 60 were filled and followed.",
        "Of 900 crowns, half could be followed for 4.0 years or more; 15 % were not followed to the end of the "
        "records, and 82 % of the follow-up possible to the end of the records was seen.",
        "Of 60 root canals, too few were followed to the end for a middle length of follow-up; 25 % were not followed "
        "to the end of the records, and 50 % of the follow-up possible to the end of the records was seen.",
        "7 rows have one of 2 procedure codes that the code list does not know; nothing is concluded from them.",
    ]
    none = _results(counts=Counts(0, 0, 0, 70, 0, 0), followup=(dataclasses.replace(followed[1], teeth=70),))
    assert len(words.trust_sentences(none)) == 1  # all that were begun are followed


def test_short_sentences_of_tables_and_charts() -> None:
    assert words.too_few(1, 9, "year", 5) == "1 of 9 years has too few teeth followed 5 years for a figure."
    assert words.zone_sentence(5.0).startswith("The grey zone, 5 per 100 either way")
    difference = Difference("a", "b", 5, 0, 1.0, 0.0, 2.0, "")
    assert (words.difference_row(difference, {"a": "A", "b": "B"}), words.difference_row(difference, {})) == ("A", "a")
