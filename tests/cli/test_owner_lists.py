"""The owner's lists and what changed since the last run, as a user meets them: on the hand-made practice."""

from __future__ import annotations

import dataclasses
import html
import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from calling import toothyears

from tests.recounts import without_recounts

SMALL = Path(__file__).resolve().parents[2] / "synthetic_data" / "small"


@dataclasses.dataclass(frozen=True)
class Ran:
    """What a run left: the owner's part of its results, the page, and whether there were lists."""

    owner: dict[str, Any]
    page: str
    listed: bool


def run(practice: Path, *options: str, out: str = "out") -> Ran:
    with without_recounts():  # the owner's sheet says nothing of them
        done = toothyears("run", "practice.toml", "--out", out, *options, cwd=practice)
    assert done.returncode == 0, done.stderr
    owner = json.loads((practice / out / "results.json").read_text(encoding="utf-8"))["owner"]
    return Ran(owner, (practice / out / "owner.html").read_text(encoding="utf-8"), (practice / out / "lists").exists())


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("owner") / "practice"
    shutil.copytree(SMALL, folder)
    return folder


@pytest.fixture(scope="module")
def first(practice: Path) -> Ran:
    return run(practice)


@pytest.fixture(scope="module")
def listed(practice: Path, first: Ran) -> Ran:
    """The same records a second time, with lists."""
    return run(practice, "--lists")


def links(page: str) -> set[str]:
    return {html.unescape(link) for link in re.findall(r'href="(lists/[^"]+)"', page)}


def test_lists_are_written_only_when_asked_for_and_every_link_leads_to_one(
    practice: Path, first: Ran, listed: Ran
) -> None:
    assert not first.listed
    assert links(first.page) == set()
    assert 'href="#lists"' in first.page
    asked = {t["what"] for t in listed.owner["to_do"]} - {"codes"}
    assert asked >= {"mend"}
    assert len(links(listed.page)) == len(asked)
    for link in links(listed.page):
        assert (practice / "out" / link).exists(), link
        assert "holds-patient-data" in link or link == "lists/set_aside"
    for file in (practice / "out" / "lists").rglob("*"):
        assert file.stat().st_mode & 0o077 == 0


def test_the_lists_hold_as_many_as_the_page_says(practice: Path, listed: Ran) -> None:
    counts = {t["what"]: t["count"] for t in listed.owner["to_do"]}
    aside = (practice / "out" / "lists" / "set_aside").glob("*.csv")
    # The first line says what the file holds, the second has the headings.
    assert sum(len(f.read_text(encoding="utf-8-sig").splitlines()) - 2 for f in aside) == counts["mend"]


def test_no_patient_stands_on_the_page(listed: Ran) -> None:
    plain = re.sub(r"<script.*?</script>|<style.*?</style>", "", listed.page, flags=re.DOTALL)
    assert not re.search(r"\bS\d\d\b", plain)


def test_what_changed_since_the_last_run(practice: Path, first: Ran, listed: Ran) -> None:
    assert first.owner["since"]["run_on"] == ""
    assert "First run on this database" in first.page
    assert listed.owner["since"] == first.owner["since"]  # the same records are the same run
    head = (practice / "ledger-b.csv").read_text(encoding="utf-8").splitlines()[0]
    one_more = "900,S28,2016-12-06,D0120,,,H1,Mill Lane,done,60,"
    (practice / "ledger-c.csv").write_text(f"{head}\n{one_more}\n", encoding="utf-8")
    later = run(practice, out="later")
    since = later.owner["since"]
    assert since["run_on"]
    assert since["rows_before"] == first.owner["since"]["rows_now"]
    assert since["rows_now"] == since["rows_before"] + 1
    assert "1 row more" in later.page


@pytest.mark.thorough
def test_every_list_of_a_practice_with_much_to_do(tmp_path: Path) -> None:
    assert toothyears("simulate", "p", "--crowns", "800", cwd=tmp_path).returncode == 0
    much = run(tmp_path / "p", "--lists")
    counts = {t["what"]: t["count"] for t in much.owner["to_do"]}
    assert set(counts) >= {"reviews", "mend", "ask"}
    assert len(links(much.page)) == min(len(set(counts) - {"codes"}), len(counts))
    done = toothyears("recall-list", "practice.toml", "--out", "again", cwd=tmp_path / "p")
    assert f"{counts['reviews']} reviews are due" in done.stderr
    done = toothyears("worksheet", "practice.toml", "--out", "again", cwd=tmp_path / "p")
    assert f"{counts['ask']} teeth have a sign" in done.stderr
    if "signals" in counts:
        (cases,) = (tmp_path / "p" / "out" / "lists").glob("signal-cases*.csv")
        assert len(cases.read_text(encoding="utf-8-sig").splitlines()) - 1 == counts["signals"]
