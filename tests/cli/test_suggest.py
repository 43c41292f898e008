"""`toothyears suggest` and `toothyears check` as a user would call them, on the hand-made practice."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from calling import toothyears

SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"
FILES = ("ledger-a.csv", "ledger-b.csv", "patients.csv", "endo_details.csv", "crown_details.csv", "findings.csv")
ANSWERS = {
    "crown_date": "seat",
    'status."was there"': "existing",
}


@pytest.mark.thorough
def test_from_unknown_files_to_a_run(tmp_path: Path):
    for name in FILES:
        shutil.copy(SMALL / name, tmp_path / name)
    suggested = toothyears("suggest", *FILES, cwd=tmp_path)
    assert suggested.returncode == 0, suggested.stderr
    assert suggested.stdout.splitlines()[-1] == "practice.toml"

    again = toothyears("suggest", *FILES, cwd=tmp_path)
    assert again.returncode == 2
    assert "not overwritten" in again.stderr

    for command in ("check", "run", "ingest"):
        refused = toothyears(command, "practice.toml", cwd=tmp_path)
        assert refused.returncode == 2
        assert "2 questions are still open" in refused.stderr
        assert "practice.crown_date" in refused.stderr
    assert not list(tmp_path.glob("*.duckdb"))

    toml = tmp_path / "practice.toml"
    lines = toml.read_text(encoding="utf-8").splitlines()
    for key, answer in ANSWERS.items():
        lines = [x.replace('"ask"', f'"{answer}"', 1) if x.split(" = ")[0].endswith(key) else x for x in lines]
    toml.write_text("\n".join(lines), encoding="utf-8")
    checked = toothyears("check", "practice.toml", cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr
    assert "\nNext:\ntoothyears run practice.toml\n" in checked.stdout
    assert not list(tmp_path.glob("*.duckdb"))
    ran = toothyears("ingest", "practice.toml", cwd=tmp_path)
    assert ran.returncode == 0, ran.stderr
