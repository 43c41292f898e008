"""Which values of a PRACTICE.toml count as open questions, and how they are told."""

from __future__ import annotations

import pytest

from pipeline.machine.errors import ConfigError
from pipeline.reading.suggest.open_questions import OpenQuestion, open_questions, refuse_open_questions

TEXT = """\
# "ask" in a comment is no question
[practice]
name = "ask me later"
# seat or prep?
# Look at ten crowns.
crown_date = "ask"
two_digit_years_from = 'ask'  # a year, as 1950
[tables.procedures]
files = ["a.csv", "ask"]
columns = { patient_id = "Chart", "ask" = "x", tooth = "ask" } # which column?
values.status."X Y" = "ask" # completed, void?
"""


def test_every_ask_counts_wherever_it_stands():
    assert open_questions(TEXT) == [
        OpenQuestion("practice.crown_date", 6, "seat or prep? Look at ten crowns."),
        OpenQuestion("practice.two_digit_years_from", 7, "a year, as 1950"),
        OpenQuestion("tables.procedures.files", 9, ""),
        OpenQuestion("tables.procedures.columns.tooth", 10, "which column?"),
        OpenQuestion('tables.procedures.values.status."X Y"', 11, "completed, void?"),
    ]


@pytest.mark.parametrize(
    "text", ["a = \"say 'ask' now\"", "a = 'say \"ask\" now'", 'a = """x"ask"x"""', '"ask" = 1', ""]
)
def test_ask_within_other_texts_is_no_question(text):
    assert open_questions(text) == []
    refuse_open_questions(text, file="practice.toml")


def test_the_refusal_names_lines_and_choices():
    with pytest.raises(ConfigError) as refused:
        refuse_open_questions(TEXT, file="practice.toml")
    assert refused.value.exit_code == 2
    told = str(refused.value)
    assert told.startswith("practice.toml: 5 questions are still open.")
    assert "line 6: practice.crown_date: seat or prep? Look at ten crowns." in told
