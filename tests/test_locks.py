"""What is installed: the lock of run-time packages, the full one and the bill of materials say the same."""

from __future__ import annotations

import importlib.util
import json
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PINS = re.compile(r"^([a-z0-9._-]+)==([^ \\;]+)", re.MULTILINE)
# What a practice has no use for: a browser's driver, tests, linters, builders.
NOT_RUN = (
    "playwright",
    "plotly",
    "axe-playwright-python",
    "pytest",
    "hypothesis",
    "mypy",
    "ruff",
    "hatchling",
    "distributed",
    "pyx12",
)


def pins(name: str) -> set[tuple[str, str]]:
    return set(PINS.findall((ROOT / name).read_text(encoding="utf-8")))


@pytest.fixture(scope="module")
def maker():
    spec = importlib.util.spec_from_file_location("bill_of_materials", ROOT / ".ci" / "bill_of_materials.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_lock_of_run_time_packages_is_part_of_the_full_one():
    run, full = pins("requirements-run.lock"), pins("requirements.lock")
    assert run < full
    names = {name for name, _ in run}
    assert not names & set(NOT_RUN)
    assert set(NOT_RUN) < {name for name, _ in full}


def test_all_that_the_project_needs_to_run_is_locked_with_hashes():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {re.split(r"[<>=~! \[]", one)[0].lower() for one in project["dependencies"]}
    assert needed <= {name for name, _ in pins("requirements-run.lock")}
    blocks = re.split(r"\n(?=\S)", (ROOT / "requirements-run.lock").read_text(encoding="utf-8").strip())
    assert all(re.search(r"--hash=sha256:[0-9a-f]{64}", block) for block in blocks)


def test_the_bill_of_materials_is_that_of_the_lock(maker):
    assert maker.BILL.read_text(encoding="utf-8") == maker.current(), "run `make lock`"
    bill = json.loads(maker.BILL.read_text(encoding="utf-8"))
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.6")
    assert {(c["name"], c["version"]) for c in bill["components"]} == pins("requirements-run.lock")
    refs = {c["bom-ref"] for c in bill["components"]} | {bill["metadata"]["component"]["bom-ref"]}
    assert {d["ref"] for d in bill["dependencies"]} == refs
    assert all(set(d["dependsOn"]) <= refs for d in bill["dependencies"])
    reached, left = set(), [bill["metadata"]["component"]["bom-ref"]]
    needs = {d["ref"]: d["dependsOn"] for d in bill["dependencies"]}
    while left:
        ref = left.pop()
        left += [r for r in needs[ref] if r not in reached]
        reached |= {ref}
    assert reached == refs  # nothing is installed that nothing needs


def test_another_lock_gives_another_bill(maker):
    lock = maker.LOCK.read_text(encoding="utf-8")
    other = maker.bill(lock.replace("click==", "click==1"), name="toothyears", version="0.1.0")
    assert other != maker.current()
    assert '"version": "18' in other


def test_the_readme_installs_the_run_time_packages_for_a_practice():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert readme.count("--require-hashes -r requirements-run.lock") == 2
    assert f"{len(pins('requirements-run.lock'))} with their hashes" in readme
