"""What names of sheets, tables and files, and lines above rows, say of them; and what they do not say."""

from __future__ import annotations

import pytest

from pipeline.sources.standing_names import is_labelled, named, titled


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
