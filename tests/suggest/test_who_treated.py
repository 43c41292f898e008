"""The owner in one column and who treated in another: asked, with what tells them apart."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from pipeline.reading.suggest.propose import suggest

WORK = ("D0120", "D1110", "D2392", "D0120", "D1110", "D7140")


def provider_line(folder: Path, head: str, who: dict[str, str]) -> str:
    rows = [
        f"{1001 + n % 7},2019-{1 + n % 12:02d}-{4 + n % 24:02d},{code},{'' if code < 'D2' else 3 + n % 12},AH,"
        f"{who.get(code, ('BM', 'CV')[n % 5 % 2])}"
        for n, code in enumerate(WORK * 20)
    ]
    path = folder / "ledger.csv"
    path.write_text("\n".join([f"Chart No,Date,Code,Tooth,{head}", *rows]) + "\n", encoding="utf-8")
    text = suggest([path], folder=folder).text
    return next((line for line in text.splitlines() if line.startswith("columns.provider_id")), "")


@pytest.mark.parametrize("heading", ["Perf", "Done By Whom"])
def test_one_text_throughout_beside_a_column_whose_text_stands_on_the_cleanings_is_asked(tmp_path: Path, heading: str):
    line = provider_line(tmp_path, f"Dr,{heading}", {"D1110": "HY"})
    assert line.startswith('columns.provider_id = "ask"')
    assert "Dr (such as xx; one text throughout)" in line
    assert f"{heading} (such as xx; one of its texts stands on the cleanings alone)" in line


def test_a_column_that_does_not_tell_who_cleans_leaves_the_owner(tmp_path: Path):
    assert provider_line(tmp_path, "Dr,Mark", {}).startswith('columns.provider_id = "Dr"')


def test_names_of_patients_under_a_heading_of_no_known_language_are_no_clinicians(tmp_path: Path):
    names = [f"{first} {last}" for first in ("Ada", "Bo", "Cleo", "Dan", "Eva", "Fay") for last in "KLMNOPQ"]
    draw, rows = random.Random(4), []
    for visit in range(200):
        n, who = draw.randrange(42), draw.choice(("AH", "BM", "CV"))
        for code in ("D0120", draw.choice(("D1110", "D2392", "D7140"))):
            tooth = "" if code < "D2" else draw.randrange(11, 18)
            day = f"{2015 + visit // 40}-{1 + visit % 40 // 4:02d}-{4 + n % 24:02d}"
            rows.append(f"{5001 + n},{names[n]},{day},{code},{tooth},{who}")
    path = tmp_path / "ledger.csv"
    path.write_text("\n".join(["Kennitala,Nafn,Dags,Verk,Tonn,Laeknir", *rows]) + "\n", encoding="utf-8")
    assert 'columns.provider_id = "Laeknir"' in suggest([path], folder=tmp_path).text
