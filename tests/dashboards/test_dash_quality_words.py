"""The data-quality page: its answers and its headings are findings, right at the edges too."""

from __future__ import annotations

import dataclasses

import sample_results as samples

from dashboards.answers import MOST_WORDS, length
from dashboards.pages import data_quality
from dashboards.words import quality as words_quality
from pipeline.results import Check, FileChange, FilledIn, LoadRow, NotRun, Quality, QuarantineRow, SmallGroup
from pipeline.results.monitoring import Funnel, Monitoring

LEDGER = LoadRow("ledger.csv", "a" * 64, "procedures", 1000, 995, 0, 5)
ASIDE = QuarantineRow("procedures", "service_date", "bad_date", "ingest", 5, "The day is none. Mend it.", "Mend it.")


def answers_of(quality: Quality, **changed: object) -> dict[str, str]:
    results = dataclasses.replace(samples.differs(), quality=quality, **changed)
    return {a.asked: a.says for a in words_quality.answers(results)}


def test_the_answers_say_whether_rows_were_lost_and_most_often_why() -> None:
    said = answers_of(Quality(loads=(LEDGER,), quarantine=(ASIDE,)))
    assert (
        said["Was every row used?"]
        == "All but 5 of 1,000 rows (0.5 %) were used; 5 of the 5 were left out since the day is none."
    )
    again = dataclasses.replace(LEDGER, loaded=935, duplicate=60, reversed=0)
    assert answers_of(Quality(loads=(again,)))["Was every row used?"] == (
        "All but 5 of 1,000 rows (0.5 %) were used or are copies (60)."
    )
    whole = dataclasses.replace(LEDGER, loaded=1000, quarantined=0)
    assert answers_of(Quality(loads=(whole,)))["Was every row used?"] == "All of 1,000 rows: none had to be set aside."
    assert answers_of(Quality())["Was every row used?"] == "No row has been read."


def test_the_thinnest_fields_are_named_and_those_rightly_empty_are_not() -> None:
    filled = (
        FilledIn("patients", "deceased_date", 100, 1),
        FilledIn("endo_details", "sealer", 100, 20),
        FilledIn("procedures", "tooth", 100, 100),
        FilledIn("crown_details", "core", 0, 0),
    )
    q = Quality(filled_in=filled)
    assert [words_quality.field_name(f) for f in words_quality.thinnest(q)] == ["Kind of sealer (endo details)"]
    assert words_quality.filled_heading(q) == "Filled in least: kind of sealer (endo details)"
    assert words_quality.filled_heading(Quality(filled_in=filled[2:3])).startswith("Every field")
    assert words_quality.filled_heading(Quality()) == "No field was counted"


def test_headings_are_findings() -> None:
    wrong = dataclasses.replace(LEDGER, loaded=990)
    assert words_quality.read_heading(Quality(loads=(LEDGER,))) == "1 file was read, and the rows of each add up"
    assert words_quality.read_heading(Quality(loads=(LEDGER, wrong))) == "In 1 file the rows do not add up"
    assert words_quality.aside_heading(Quality(quarantine=(ASIDE,))) == (
        "5 rows set aside for 1 reason, each with what to do"
    )
    change = FileChange("procedures", "2024.csv", "2025.csv", "tooth", 3)
    gone = FileChange("procedures", "2024.csv", "2025.csv", words_quality.VANISHED, 3)
    assert words_quality.changes_heading(Quality(changes=(change,))) == "1 later export corrects an earlier one"
    assert words_quality.changes_heading(Quality(changes=(gone,))) == "No export corrects another"
    results = dataclasses.replace(samples.differs(), not_run=(NotRun("a", "A", ("b",)),))
    assert words_quality.not_run_heading(results.not_run) == "1 analysis lacks a field"
    few = dataclasses.replace(
        results.not_run[0], needs=("table.field: two of 5",), groups=(SmallGroup("a", 11, 1), SmallGroup("b", 4, 2))
    )
    assert words_quality.not_run_heading([*results.not_run, few]) == "1 analysis lacks a field; 1 has too few cases"
    assert words_quality.not_run(few) == "too few cases: groups of 11 and 4 teeth; asked for are two of 5"
    assert words_quality.not_run_heading(()) == "Every analysis ran"


def test_every_practice_opens_the_page_with_few_words() -> None:
    for results in samples.all_variants().values():
        assert 0 < sum(map(length, words_quality.answers(results))) <= MOST_WORDS
        assert 'class="answers' in data_quality.render(results)


def test_what_was_computed_again_is_named_and_the_adjusted_differences_are_not_among_it() -> None:
    curves = (Check("curve of crowns, vital", "lib", 9, 0, 1), Check("curve of crowns, before_seat", "lib", 9, 0, 1))
    ratios = Check("crude hazard ratios by timing (logarithms)", "lib", 9, 2, 1)

    def said(*checks: Check) -> tuple[str, str]:
        results = dataclasses.replace(samples.differs(), checks=checks)
        return words_quality.computed_again(results), words_quality.checks_heading(results)

    assert said(*curves) == (
        "2 of 2 figures computed again by another library agreed: 2 curves. The adjusted differences were not computed "
        "again.",
        "Another library finds the same 2 curves; no more was computed again",
    )
    again, heading = said(*curves, ratios)
    assert again.startswith("2 of 3 figures computed again by another library agreed: 2 curves and the unadjusted rat")
    assert heading == "1 figure not confirmed by another library"
    assert said()[0] == "No figure was computed a second time."


def test_rows_seen_before_and_a_reason_leave_room_for_what_is_filled_in() -> None:
    """The words above the fold are few: an answer that grows must not push out the one after it."""
    mean = "The row names a tooth that was extracted before. Mend it."
    ledger = LoadRow("ledger.csv", "a" * 64, "procedures", 211535, 207098, 4196, 241)
    aside = QuarantineRow("procedures", "service_date", "after_extraction", "link", 66, mean, "Mend it.")
    filled = tuple(FilledIn(t, f, 100, 50) for t, f in (("procedures", "provider_id"), ("endo_details", "sealer"),
                   ("elsewhere", "event_date"), ("patients", "last_contact_date")))  # fmt: skip
    assert "What is filled in?" in answers_of(Quality(loads=(ledger,), quarantine=(aside,), filled_in=filled))


def test_clinician_and_clinic_are_counted_over_all_rows_and_that_is_said_where_they_would_be_thinnest() -> None:
    clinician, sealer = FilledIn("procedures", "provider_id", 100, 5), FilledIn("endo_details", "sealer", 100, 20)
    q = Quality(filled_in=(clinician, sealer))
    said = answers_of(q)["What is filled in?"]
    assert said == "Clinician and clinic aside, least kind of sealer (endo details) 20 %."
    funnel = Funnel((), not_recorded=9, min_expected=5, times=2, dispersion=1, judged=0, by_chance=0)
    watched = Monitoring("crown_survival", 4445, 508, (), (), funnel, (), None, 20)
    results = dataclasses.replace(samples.differs(), quality=q, monitoring=(watched,))
    why = words_quality.of_all_rows(results)
    assert why == (
        "Of all rows, those of examinations and cleanings too, 5.0 % name the treating clinician; no clinician is "
        "named for 9 of 4,445 crowns."
    )
    assert why in " ".join(data_quality.render(results).split())
    assert words_quality.of_all_rows(dataclasses.replace(results, quality=Quality(filled_in=(sealer,)))) == ""
