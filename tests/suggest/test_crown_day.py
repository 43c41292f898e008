"""Whether crowns are posted at the seat or at the preparation: settled where the files show it, else asked."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import pytest

from pipeline.reading.suggest.propose import suggest


def crown_day(folder: Path, beside: str, days: int, *, interim: str = "D2799") -> str:
    """What is proposed of twelve crowns with a text, each so many days after a row of another code."""
    lines = ["Chart No,Date,Code,Tooth,Description"]
    for n in range(12):
        day = dt.date(2019, 1, 7) + dt.timedelta(7 * n)
        lines.append(f"{1001 + n % 5},{day},{interim},{n + 3},Temporary")
        lines.append(f"{1001 + n % 5},{day + dt.timedelta(days)},D2740,{n + 3},{beside}")
        lines.append(f"{1001 + n % 5},{day},D0120,,Examination")
    (folder / "ledger.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return tomllib.loads(suggest([folder / "ledger.csv"], folder=folder).text)["practice"]["crown_date"]


@pytest.mark.one_in(2)
@pytest.mark.parametrize(
    ("beside", "days", "interim", "told"),
    [
        ("Porcelain crown", 14, "D2799", "seat"),
        ("Porcelain crown", 0, "D2799", "prep"),
        ("Porcelain crown", 2, "D2799", "ask"),
        ("Porcelain crown", 14, "D2950", "ask"),  # a core may be built at another visit
        ("Crown seated", 14, "D2950", "seat"),
        ("Crown prep", 14, "D2950", "prep"),
        ("Crown prep and seat", 14, "D2950", "ask"),
    ],
)
def test_the_day_of_crowns(tmp_path: Path, beside: str, days: int, interim: str, told: str):
    assert crown_day(tmp_path, beside, days, interim=interim) == told


@pytest.mark.parametrize(("code", "told"), [("D3330", "seat"), ("*D2740", "ask"), ("D2740 - Crown", "ask")])
def test_only_a_ledger_without_crowns_is_not_asked(tmp_path: Path, code: str, told: str):
    lines = ["Chart No,Date,Code,Tooth", *(f"{1001 + n % 4},2019-03-{n + 1:02},{code},{n + 3}" for n in range(20))]
    (tmp_path / "ledger.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = suggest([tmp_path / "ledger.csv"], folder=tmp_path).text
    assert tomllib.loads(text)["practice"]["crown_date"] == told
