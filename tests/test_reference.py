"""The pages of reference say what the declarations say."""

import pytest

from dashboards.reference import FOLDER, pages
from pipeline.practice.fields import input_fields
from pipeline.practice.reference import fields_page
from pipeline.practice.tables import INPUT_TABLES


@pytest.mark.parametrize("name", pages())
def test_a_page_is_that_of_the_declarations(name: str):
    assert (FOLDER / name).read_text(encoding="utf-8") == pages()[name], "renew it: python -m dashboards.reference"


def test_every_field_stands_once_under_its_table():
    parts = fields_page().split("\n## ")[1:]
    assert [part.split("\n")[0] for part in parts] == list(INPUT_TABLES)
    for part, table in zip(parts, INPUT_TABLES, strict=True):
        rows = [line.split("`")[1] for line in part.splitlines() if line.startswith("| `")]
        assert rows == input_fields(table)
