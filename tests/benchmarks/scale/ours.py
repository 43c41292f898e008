"""Our stages, each by its command as a user runs it, and the figures that rivals are held against."""

from __future__ import annotations

import json
import math
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb

from tests.benchmarks.scale.machine import memory_mb
from tests.benchmarks.scale.measure import Measured, measure
from tests.benchmarks.scale.practices import ROOT

WHO = "toothyears"
STAGES = ("ingest", "link", "compare", "dashboards")
PARTED = ((1, 8), (2, 8))  # workers and parts
ONE_QUESTION, ONE_QUESTION_PAGES = "the one question", "the one question, pages"
CROWNS_IN_A_PART = 100_000
ROOM_FROM_CROWNS = 200_000  # above, all questions at once need more memory than the settings allow by default
IN_ALL, READ_AND_LINK = "in all", "read and link"
WHOLE, AGAIN, BOUNDED = "run", ", again", "step by step"
_NORMAL_95 = 1.959963984540054

_FIGURES = """
SELECT endo_timing, count(*), sum(failure::INTEGER)::BIGINT, sum(exit_date - entry_date)::BIGINT
FROM crowns WHERE seat_date IS NOT NULL GROUP BY endo_timing
"""


def parted(workers: int, parts: int) -> str:
    """The name of linking with so many processes."""
    return f"link, {parts} parts, {workers} worker{'s' if workers > 1 else ''}"


def run_stages(folder: Path, *, limit_s: float, limit_mb: float) -> Iterator[tuple[str, Measured]]:
    """Run every stage on a practice from its files on; what builds on a stage that did not finish is left out."""
    unfinished: set[str] = set()
    for name, needs, command in _commands(folder):
        if needs in unfinished:
            unfinished.add(name)
            continue
        if not needs:
            _forget(folder)
        # What parts gave is kept for a run that was stopped; here it would spare the next run its work.
        for kept in folder.glob(".*.parts"):
            shutil.rmtree(kept)
        log = folder.parent / f"{folder.name}-{name.replace(' ', '_').replace(',', '')}.log"
        found = measure([sys.executable, *command], cwd=ROOT, log=log, limit_s=limit_s, limit_mb=limit_mb)
        if found.exit_code:
            unfinished.add(name)
        yield name, found


def _commands(folder: Path) -> list[tuple[str, str, list[str]]]:
    # Each stage with the one whose result it reads, in the order in which they run; what reads none begins anew.
    toml, pages, crowns = str(folder / "practice.toml"), str(out(folder)), int(folder.name.rpartition("-")[2])
    alone, main_pages = str(max(1, crowns // CROWNS_IN_A_PART)), str(folder / "out-main")
    own, room = ["-m", "pipeline"], str(_with_room(folder, crowns))
    in_parts = [(parted(w, p), "link", [*own, "link", toml, "--workers", str(w), "--parts", str(p)]) for w, p in PARTED]
    stages = {
        "ingest": [*own, "ingest", toml],
        "link": [*own, "link", toml],
        "compare": [*own, "compare", room, "--out", pages],
        "dashboards": [*own, "dashboards", toml, "--out", pages],
    }
    again, steps = list(stages.items()), ["-m", "tests.benchmarks.scale.steps"]
    return [
        ("ingest", "", stages["ingest"]),
        ("link", "ingest", stages["link"]),
        *in_parts,
        ("compare", "link", stages["compare"]),
        ("dashboards", "compare", stages["dashboards"]),
        *((f"{stage}{AGAIN}", stage, command) for stage, command in again),
        (ONE_QUESTION, "link", [*own, "compare", toml, "--parts", alone, "--out", main_pages]),
        (ONE_QUESTION_PAGES, ONE_QUESTION, [*own, "dashboards", toml, "--out", main_pages]),
        *([] if crowns >= ROOM_FROM_CROWNS else [(BOUNDED, "", [*steps, room, "--out", pages])]),
        (WHOLE, "", [*own, "run", room, "--out", pages]),
        (f"{WHOLE}{AGAIN}", WHOLE, [*own, "run", room, "--out", pages]),
    ]


def _with_room(folder: Path, crowns: int) -> Path:
    """The practice's TOML, with most of the machine's memory allowed where all questions need it."""
    toml = folder / "practice.toml"
    if crowns < ROOM_FROM_CROWNS:
        return toml
    roomy = folder / "practice-with-room.toml"
    allowed = f"\n[machine]\nmemory_mb = {round(0.8 * memory_mb())}\n"
    roomy.write_text(toml.read_text(encoding="utf-8") + allowed, encoding="utf-8")
    return roomy


def out(folder: Path) -> Path:
    """Where the results and pages of a practice are written."""
    return folder / "out"


def figures(folder: Path) -> dict[str, Any] | None:
    """What we found: counts from the database, hazard ratios and survival from results.json, in the rivals' words.

    None if nothing was linked; without hazard ratios if nothing was compared.
    """
    if not (folder / "practice.duckdb").exists():
        return None
    with duckdb.connect(str(folder / "practice.duckdb"), read_only=True) as database:
        rows = database.execute(_FIGURES).fetchall()
        courses = database.execute("SELECT count(completed) FROM endo_courses").fetchall()[0][0]
    if not rows:
        return None
    names = ("crowns", "failures", "tooth_days")
    found: dict[str, Any] = {name: {row[0]: row[n] for row in rows} for n, name in enumerate(names, 1)}
    found["completed_courses"] = courses
    results = out(folder) / "results.json"
    return found | main_figures(json.loads(results.read_text(encoding="utf-8"))) if results.exists() else found


def main_figures(results: dict[str, Any]) -> dict[str, Any]:
    """The main comparison of a results.json: five-year survival and the crude and the adjusted hazard ratio."""
    main = next(c for c in results["comparisons"] if c["id"] == "crown_longevity_by_endo_timing")
    found: dict[str, Any] = {"survival": {}}
    for group in main["groups"]:
        at_five = [m["estimate"] for m in group["survival"] if m["years"] == 5]
        found["survival"][group["name"]] = at_five[0] if at_five else None
    for estimate in main["estimates"]:
        if estimate["contrast"] == "through_crown vs before_seat":
            width = math.log(estimate["ci_high"]) - math.log(estimate["ci_low"])
            model = "adjusted" if estimate["adjusted_for"] else "crude"
            found[model] = {"hazard_ratio": estimate["hazard_ratio"], "log_error": width / 2 / _NORMAL_95}
    return found


def _forget(folder: Path) -> None:
    for left in (*folder.glob("practice.duckdb*"), *folder.glob("practice.key*")):
        left.unlink()
    for left in (out(folder), folder / "out-main", *folder.glob(".practice.duckdb*")):
        if left.is_dir():
            shutil.rmtree(left)
