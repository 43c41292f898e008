"""Every number in a sentence is read back out of it and compared with the results that it came from."""

import dataclasses
import re

import sample_results as samples

from dashboards.formats import failed, in_place
from dashboards.words import comparisons as words
from pipeline.results import Difference, RateRow, Results


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
    assert "1 procedure row of 1 patient, with 1 single crown made here and 1 root canal" in text
    assert "1 row was read from 1 file" in text
    assert "1 row has a procedure code" in text
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
