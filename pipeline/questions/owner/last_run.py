"""What changed since the last run: rows, rates and verdicts, from what each run leaves in the store.

A run is known by its records, settings and program. Comparing the same again is the same run, so that the same records
give the same answer on any day.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

import polars as pl

from pipeline.practice.tables import RUN_FIGURES
from pipeline.results.owner import Change, Moved, Owner, SinceLastRun

_ANY = ("all", "run")


@dataclass(frozen=True)
class Run:
    """What a run is known by, and how many rows it stands on."""

    records: str
    settings: str
    program: str
    data_cutoff: dt.date | None
    rows_loaded: int


def this_run(loads: pl.DataFrame, settings: Mapping[str, str], *, program: str, data_cutoff: dt.date | None) -> Run:
    """The run on what is loaded now; `loads` as declared, the order of files does not matter."""
    columns = ("table_name", "hash", "rows_read", "loaded", "duplicate", "quarantined", "reversed")
    files = sorted(map(list, loads.select(columns).iter_rows()))
    return Run(
        _digest(files), _digest(dict(sorted(settings.items()))), program, data_cutoff, int(loads["loaded"].sum())
    )


def noted(runs: pl.DataFrame, run: Run, owner: Owner, *, today: dt.date) -> tuple[pl.DataFrame, Owner]:
    """The table with this run in it, and the sheet with what changed since the last run on anything else.

    `runs` as `RUN_FIGURES` declares. A run that was noted keeps its number and its day.
    """
    number, day, last = 1, today, runs
    if runs.height:
        newest = runs.filter(pl.col("run") == runs["run"].max())
        same = newest.row(0, named=True)
        number, day = int(same["run"]), same["run_on"]
        if (same["records"], same["settings"], same["program"]) == (run.records, run.settings, run.program):
            runs = runs.filter(pl.col("run") != number)
        else:
            number, day = number + 1, today
        last = runs.filter(pl.col("run") == runs["run"].max()) if runs.height else runs
    figures = figures_of(owner)
    mine = figures.with_columns(
        run=pl.lit(number, pl.Int32), run_on=pl.lit(day, pl.Date), records=pl.lit(run.records),
        settings=pl.lit(run.settings), program=pl.lit(run.program), data_cutoff=pl.lit(run.data_cutoff, pl.Date),
        rows_loaded=pl.lit(run.rows_loaded, pl.Int64),
    ).select(list(RUN_FIGURES.columns))  # fmt: skip
    return pl.concat([runs.select(list(RUN_FIGURES.columns)), mine]), replace(owner, since=_since(last, figures, run))


def figures_of(owner: Owner) -> pl.DataFrame:
    """The figures of a sheet, one row each: `outcome, figure, value, low, high, verdict`."""
    # One row whatever there is, so that a run without a rate is known again too.
    rows: list[tuple[str, str, float | None, float | None, float | None, str | None]] = []
    rows.append((*_ANY, None, None, None, None))
    for line in owner.lines:
        rows.append((line.outcome, "rate", line.rate.survival, line.rate.ci_low, line.rate.ci_high, None))
        rows.append((line.outcome, "over_time", *_of(line.over_time.change)))
        rows += [(line.outcome, f"published {p.benchmark_id}", *_of(p.change)) for p in line.published]
    for signs in owner.early:
        rows += [
            (signs.outcome, f"early_{years:g}", *_of(found.change))
            for years, found in zip(signs.years, signs.late, strict=True)
        ]
    schema = {
        name: RUN_FIGURES.columns[name].dtype for name in ("outcome", "figure", "value", "low", "high", "verdict")
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def _of(change: Change) -> tuple[float | None, float | None, float | None, str]:
    return change.per_100, change.ci_low, change.ci_high, change.verdict


def _since(last: pl.DataFrame, figures: pl.DataFrame, run: Run) -> SinceLastRun:
    if last.is_empty():
        return SinceLastRun("", 0, run.rows_loaded, "", ())
    head = last.row(0, named=True)
    both = figures.join(last, on=["outcome", "figure"], how="inner", suffix="_before", maintain_order="left")
    moved = tuple(
        Moved(outcome, figure, before, now, verdict_before or "", verdict or "")
        for outcome, figure, before, now, verdict_before, verdict in both.select(
            "outcome", "figure", "value_before", "value", "verdict_before", "verdict"
        ).iter_rows()
        if (outcome, figure) != _ANY
    )
    cutoff = head["data_cutoff"]
    return SinceLastRun(
        run_on=head["run_on"].isoformat(),
        rows_before=int(head["rows_loaded"]),
        rows_now=run.rows_loaded,
        cutoff_before=cutoff.isoformat() if cutoff else "",
        moved=moved,
        program_before=head["program"] if head["program"] != run.program else "",
        settings_changed=head["settings"] != run.settings,
    )


def _digest(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:32]
