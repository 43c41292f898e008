"""Tables of data that come with the program: `pipeline/data/<name>.csv`."""

import csv
from functools import cache
from importlib.resources import files


@cache
def data_rows(name: str) -> tuple[dict[str, str], ...]:
    """The rows of a table as text, in their order, each under the headings of its columns."""
    text = files("pipeline").joinpath("data", f"{name}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))
