"""From what a command cost to rows of the table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from tests.benchmarks.scale import ours
from tests.benchmarks.scale.agreement import agreement
from tests.benchmarks.scale.machine import versions
from tests.benchmarks.scale.measure import Measured
from tests.benchmarks.scale.rivals import READ_AND_LINK, Rival, figures_told, run_rival, steps_told
from tests.benchmarks.scale.tables import Row

BOUNDS = "toothyears, step by step"


def our_rows(folder: Path, blank: Row, *, limit_s: float, limit_mb: float) -> Iterator[list[Row]]:
    """Measure our stages on a practice: rows as they come, at the end the sums of stages."""
    blank = replace(blank, who=ours.WHO, versions=versions("toothyears", "polars", "duckdb", "numpy"))
    done: dict[str, Row] = {}
    for name, found in ours.run_stages(folder, limit_s=limit_s, limit_mb=limit_mb):
        row = costed(replace(blank, stage=name), found)
        steps = [bounded(blank, step) for step in steps_told(found.output)] if name == ours.BOUNDED else []
        yield [row, *steps]
        if not found.exit_code:
            done[name] = row
    sums = {ours.READ_AND_LINK: ours.STAGES[:2], ours.IN_ALL: ours.STAGES}
    sums[f"{ours.ONE_QUESTION} in all"] = (*ours.STAGES[:2], ours.ONE_QUESTION, ours.ONE_QUESTION_PAGES)
    yield [
        summed(replace(blank, stage=name), [done[p] for p in parts])
        for name, parts in sums.items()
        if all(p in done for p in parts)
    ]


def bounded(blank: Row, step: Mapping[str, Any]) -> Row:
    """A step of a run in one process: `cpu_s` is that of this process, the note what it did and what ran beside it."""
    beside = f"; {step['beside_s']:.1f} s of processor in the process beside it" if step["beside_s"] >= 0.05 else ""
    return replace(
        blank,
        who=BOUNDS,
        stage=step["step"],
        wall_s=step["wall_s"],
        cpu_s=step["cpu_s"],
        note=f"{step['did']}{beside}",
    )


def rival_rows(
    rival: Rival, folder: Path, blank: Row, known: Mapping[str, Any] | None, *, limit_s: float, limit_mb: float
) -> list[Row]:
    """Measure a rival on a practice and hold its figures against ours, `known`."""
    blank = replace(blank, who=rival.who, versions=rival.versions() or "")
    if not blank.versions:
        return [replace(blank, stage=ours.IN_ALL, note="not installed here")]
    found = run_rival(rival, folder, limit_s=limit_s, limit_mb=limit_mb)
    steps = steps_told(found.output)
    row = costed(replace(blank, stage=ours.IN_ALL), found)
    if known is not None and (theirs := figures_told(steps)):
        held = agreement(known, theirs)
        notes = [n for n in (row.note, held.note) if n]
        row = replace(row, count_gap=held.count_gap, ratio_gap=held.ratio_gap, note="; ".join(notes))
    rows = [row]
    for step in steps:
        rows.append(with_rate(replace(blank, stage=step["step"], wall_s=step["wall_s"], cpu_s=step["cpu_s"])))
    both = [step for step in steps if step["step"] in READ_AND_LINK]
    if len(both) == len(READ_AND_LINK):
        wall, cpu = sum(s["wall_s"] for s in both), sum(s["cpu_s"] for s in both)
        rows.append(with_rate(replace(blank, stage=ours.READ_AND_LINK, wall_s=wall, cpu_s=cpu)))
    return rows


def costed(row: Row, found: Measured) -> Row:
    """The row with what a command cost. One that was stopped or failed has no rate, and says so."""
    note = found.stopped or (f"failed with exit code {found.exit_code}" if found.exit_code else "")
    row = replace(
        row,
        wall_s=found.wall_s,
        cpu_s=found.cpu_s,
        peak_mb=found.peak_mb,
        peak_sum_mb=found.peak_sum_mb,
        note=note,
    )
    return row if note else with_rate(row)


def with_rate(row: Row) -> Row:
    """The row with ledger rows a second by the clock."""
    return replace(row, rows_per_s=row.rows / row.wall_s if row.wall_s else None)


def summed(row: Row, parts: list[Row]) -> Row:
    """Stages one after another: times added, the largest memory."""
    return with_rate(
        replace(
            row,
            wall_s=sum(p.wall_s or 0.0 for p in parts),
            cpu_s=sum(p.cpu_s or 0.0 for p in parts),
            peak_mb=max(p.peak_mb or 0.0 for p in parts),
            peak_sum_mb=max(p.peak_sum_mb or 0.0 for p in parts),
            note="sum of stages: " + ", ".join(p.stage for p in parts),
        )
    )
