"""What names of sheets, tables and files, and lines above rows, say of them; and what they do not say."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.reading.doubts.standing import matches
from pipeline.reading.sources.standing_names import is_labelled, named, titled, told_name


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("Planned", "planned"),
        ("Treatment plan", "planned"),
        ("treatmentPlans.items", "planned"),
        ("TX Plan (old)", "planned"),
        ("2020 TP", "planned"),
        ("Not completed", "planned"),
        ("Nicht erledigt", "planned"),
        ("Kostenvoranschläge 2020.xlsx", "planned"),
        ("Actes prévus", "planned"),
        ("Presupuestos", "planned"),
        ("Begroting", "planned"),
        ("Orçamentos", "planned"),
        ("procedures_deleted", "void"),
        ("gelöschte Leistungen", "void"),
        ("Annulés", "void"),
        ("Existing restorations", "existing"),
        ("Refunds", "reversal"),
        ("completed_2019.csv", "completed"),
        ("Completed and planned", "planned completed"),
        ("Insurance plan", ""),
        ("payment plan", ""),
        ("dental_plan", ""),
        ("existing_patients", ""),
        ("void checks", ""),
        ("ledger_without_deleted", ""),
        ("non-deleted", ""),
        ("undeleted", ""),
        ("avoid", ""),
        ("fee_schedule", ""),
        ("TP Reed", ""),
        ("Ledger", ""),
    ],
)
def test_what_a_name_says(name: str, words: str):
    assert " ".join(named(name).words) == words


@pytest.mark.parametrize(
    ("line", "words", "pattern"),
    [
        ("PLANNED TREATMENT", "planned", "PLANNED TREATMENT"),
        ("--- Deleted ---", "void", "Deleted"),
        ("PLANNED (12)", "planned", "PLANNED"),
        ("Status: TP", "planned", "Status: TP"),
        ("Treatment plan #3 (02/14/2019)", "planned", "*treatment plan*"),
        ("Proposed treatment for Moor, Hazel", "planned", "*proposed*"),
        ("Report of planned treatment", "planned", "Report of planned treatment"),
        ("Void if not signed", "", ""),
        ("Existing patients are marked", "", ""),
        ("Planned treatment was discussed", "", ""),
        ("Estimate valid for 90 days", "", ""),
        ("Signed treatment plan on file", "", ""),
        ("Include deleted: No", "", ""),
        ("Total planned: 1350", "", ""),
        ("Patient: 1042", "", ""),
    ],
)
def test_what_a_line_says(line: str, words: str, pattern: str):
    found = titled(line)
    assert (" ".join(found.words), found.pattern) == (words, pattern)


def test_a_line_that_names_a_status_in_letters():
    assert is_labelled("Status: C")
    assert is_labelled("  Tx status = 4")
    assert not is_labelled("Statement: C")


@pytest.mark.parametrize("pattern", ["Slettet", "slett*", "*ettet", "*to be*", "*be d*", "*be", "*x*", "wishes (Ann)"])
@pytest.mark.parametrize(
    "name", ["Slettet", " slettet ", "Slettet 2019", "To be deleted", "maybe deleted", "Wishes (Ann)"]
)
def test_a_told_pattern_names_what_it_makes_something_of(name: str, pattern: str):
    fits = pl.DataFrame({"name": [name]}).select(matches(pl.col("name"), pattern)).item()
    assert (told_name((name,), (pattern,)) is not None) == fits


def test_any_text_is_no_name():
    assert told_name(("Prior dentist",), ("*",)) is None


@pytest.mark.parametrize(
    ("line", "pattern", "is_name"),
    [
        ("Prior dentist", "prior*", True),
        ("Consult - not accepted", "*not accepted*", True),
        ("Planned: Dr Ashby", "*planned*", True),
        ("Please see what is planned", "*planned*", False),
        ("Total redo: 4", "*redo*", False),
        ("The crown on the left side must be a redo, says the doctor", "*redo*", False),
    ],
)
def test_a_line_that_a_pattern_fits_is_no_name_where_it_is_a_sentence_or_a_total(
    line: str, pattern: str, is_name: bool
):
    assert (told_name((line,), (pattern,), is_line=True) is not None) == is_name
