"""`suggest` allows what it was given: files outside the folder of the TOML that it writes, and those alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.reading.config import load_settings, matching_files
from pipeline.stages.cli import cli

LEDGER = "Chart No,Date,Code,Th\n" + "".join(f"{n},2020-03-{n:02},D2740,{n}\n" for n in range(13, 29))


@pytest.mark.parametrize("where", ["practice/exports", "elsewhere"])
def test_suggest_allows_files_outside_only_where_they_are(tmp_path: Path, where: str) -> None:
    for folder in ("practice/exports", "elsewhere"):
        (tmp_path / folder).mkdir(parents=True)
    ledger = tmp_path / where / "ledger.csv"
    ledger.write_text(LEDGER, encoding="utf-8")
    toml = tmp_path / "practice" / "practice.toml"
    done = CliRunner().invoke(cli, ["suggest", str(ledger), "--out", str(toml)])
    assert done.exit_code == 0, done.exception
    text = toml.read_text(encoding="utf-8")
    assert ("files_outside = true" in text) is (where == "elsewhere")
    for key, answer in (("tooth_notation", "universal"), ("crown_date", "seat"), ("columns.patient_id", "Chart No")):
        text = text.replace(f'{key} = "ask"', f'{key} = "{answer}"')
    toml.write_text(text, encoding="utf-8")
    assert matching_files(load_settings(toml), "procedures") == [ledger.resolve()]
