"""The pages of reference say what the declarations say."""

import pytest

from dashboards.reference import FOLDER, RESULTS, pages
from dashboards.results_json import results_schema
from pipeline.machine.data_tables import data_rows
from pipeline.practice import tables
from pipeline.practice.fields import input_fields
from pipeline.practice.reference import fields_page
from pipeline.practice.table_settings import MADE_KEYS
from pipeline.practice.tables import INPUT_TABLES
from pipeline.questions.benchmarks import BENCHMARKS
from pipeline.reading.sources.made_columns import KEYS


def test_every_declared_column_is_of_a_declared_table():
    found = {row["table"] for row in data_rows("columns") if not row["table"].startswith("(")}
    assert found == {BENCHMARKS.name, *(one.name for one in vars(tables).values() if isinstance(one, tables.Table))}


@pytest.mark.parametrize("name", sorted(pages().keys() - {RESULTS}))
def test_a_page_is_that_of_the_declarations(name: str):
    assert (FOLDER / name).read_text(encoding="utf-8") == pages()[name], "renew it: python -m dashboards.reference"


def test_the_page_of_results_has_every_key_of_the_schema():
    page = pages()[RESULTS]
    for shape in results_schema()["$defs"].values():
        assert shape["description"] in page
        assert all(f"| `{key}` | " in page for key in shape["properties"])


def test_every_field_stands_once_under_its_table():
    parts = fields_page().split("\n## ")[1:]
    assert [part.split("\n")[0] for part in parts] == list(INPUT_TABLES)
    for part, table in zip(parts, INPUT_TABLES, strict=True):
        rows = [line.split("`")[1] for line in part.splitlines() if line.startswith("| `")]
        assert rows == input_fields(table)


def test_every_key_that_makes_a_field_is_told():
    assert list(MADE_KEYS) == list(KEYS)
