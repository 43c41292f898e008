"""README.md from results.csv alone: what was measured, every row, growth, ratios and what is not met."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from tests.benchmarks.scale.bars import ALL_STAGES, ONE_QUESTION_IN_ALL, Cost, bars, finished, growth, times_as_fast
from tests.benchmarks.scale.measuring import BOUNDS
from tests.benchmarks.scale.ours import AGAIN, IN_ALL, READ_AND_LINK, STAGES, WHO, WHOLE
from tests.benchmarks.scale.rivals import FLOOR, PANDAS, PANDAS_PATIENT, SQL, R
from tests.benchmarks.scale.steps import ALL, BESIDE, STEPS
from tests.benchmarks.scale.tables import Row, find, read_rows

ORDER = (WHO, PANDAS, PANDAS_PATIENT, R, SQL, FLOOR)
COSTS: tuple[Cost, Cost] = ("wall_s", "cpu_s")

ABOUT = """# Cost against size

Written by `python -m tests.benchmarks.scale` from `results.csv`; change nothing here by hand.

Synthetic practices of several sizes go from their CSV files to pages, each stage a process of its own as a user starts
it. Beside them run plain scripts on the same files:

- `plain_pandas.py`: pandas for the linking, lifelines for curves and a crude and an adjusted hazard ratio with late
  entry and openings as a state; once with lifelines' ordinary errors and once with its errors by patient. lifelines
  works the latter out without the late entry, so that they differ from those of R and of toothyears.
- `plain_r.R`: data.table for the linking, survival for the same curves and models, errors by patient.
- `plain_sql.py`: the linking alone, in DuckDB's SQL.
- `floor.py`: DuckDB reads the ledger into typed columns and does nothing else.

They follow the same linking rules, for this practice's codes and headings only. They keep no row that is set aside, no
record of what was loaded and no check of what is read. Their counts are held against ours. `run` of toothyears is
`toothyears run`: every question, every page and slide, from 10 million rows on with most of the machine's memory
allowed; `run, again` is the same command once more. `in all` is the sum of its stages as commands. `the one
question` is the one that the scripts answer: `compare --parts` and pages of it, always within the memory that is
allowed by default. `read and link` of a script is what it told itself, without the start of the interpreter.

`wall s` are seconds by the clock, `CPU s` of all processors, `MB` the memory of the largest process and `MB, all` that
of all processes of the command together (pages that they share count in each).

```sh
make scale-practice                                          # 30,000, 100,000 and 300,000 rows: some minutes
python -m tests.benchmarks.scale --work FOLDER               # these, 1 and 10 million rows
python -m tests.benchmarks.scale --work FOLDER --with-100    # 100 million as well
python -m tests.benchmarks.scale --work FOLDER --rows 0.1 --no-rivals
```

A row of the same tool, stage and size takes the place of the one before. `--limit` is the time after which a command is
stopped. R needs the packages data.table and survival.

![Cost against size](cost.svg)
"""


def readme(rows: Sequence[Row]) -> str:
    """The text of README.md."""
    ordered = sorted(rows, key=lambda r: (r.rows, _rank(r.who), r.stage))
    parts = [ABOUT, _made_on(ordered), _asked(ordered), _in_all(ordered), _again(ordered), _bounds(ordered)]
    parts += [_ratios(ordered), _growth(ordered)]
    return "\n".join([*parts, _agreement(ordered), _every_row(ordered)])


def main() -> None:
    """Write the plot and README.md of the folder that is named."""
    from tests.benchmarks.scale.plot import draw

    folder = Path(sys.argv[1])
    rows = read_rows(folder / "results.csv")
    draw(rows, folder / "cost.svg")
    (folder / "README.md").write_text(readme(rows), encoding="utf-8")


def _made_on(rows: Sequence[Row]) -> str:
    machines = sorted({(r.date, r.machine) for r in rows})
    tools = sorted({(_rank(r.who), r.who, r.versions) for r in rows})
    lines = [f"- {date}: {machine}" for date, machine in machines]
    lines += [f"- {who}: {versions or 'not installed'}" for _, who, versions in tools]
    return "## Made on and with\n\n" + "\n".join(lines) + "\n"


def _asked(rows: Sequence[Row]) -> str:
    words = {True: "met", False: "**not met**", None: "not known"}
    table = _table(("asked", "found", ""), ((b.asked, b.found, words[b.met]) for b in bars(rows)))
    return f"## What was asked, on two cores\n\n{table}"


def _in_all(rows: Sequence[Row]) -> str:
    sizes = sorted({r.rows for r in rows if r.who != BOUNDS})
    lines = [(who, IN_ALL) for who in ORDER]
    lines[:1] = [(WHO, stage) for stage in (WHOLE, f"{WHOLE}{AGAIN}", IN_ALL, ONE_QUESTION_IN_ALL, READ_AND_LINK)]
    body = []
    for who, stage in lines:
        found = [find(rows, who, stage, size) for size in sizes]
        if any(found):
            body.append((f"{who}: {stage}", *(_cost(row) for row in found)))
    heads = ("wall s / CPU s / MB, all", *(f"{size:,} rows" for size in sizes))
    return f"## From files to the answer\n\n{_table(heads, body)}"


def _again(rows: Sequence[Row]) -> str:
    sizes = sorted({r.rows for r in rows if r.who == WHO and r.stage.endswith(AGAIN)})
    body = [
        (stage, *(_cold_and_again(rows, stage, size) for size in sizes))
        for stage in (*STAGES, WHOLE)
        if any(find(rows, WHO, f"{stage}{AGAIN}", size) for size in sizes)
    ]
    text = "Seconds by the clock, cold and then again with nothing changed; each stage is a process of its own."
    return f"## Again\n\n{text}\n\n{_table(('cold / again', *(f'{size:,} rows' for size in sizes)), body)}"


def _cold_and_again(rows: Sequence[Row], stage: str, size: int) -> str:
    found = (find(rows, WHO, stage, size), find(rows, WHO, f"{stage}{AGAIN}", size))
    return " / ".join("" if row is None else _number(row.wall_s, 2) for row in found)


def _bounds(rows: Sequence[Row]) -> str:
    body = []
    for size in sorted({r.rows for r in rows if r.who == BOUNDS}):
        found = [row for step in STEPS if (row := find(rows, BOUNDS, step, size)) is not None]
        whole = sum(row.cpu_s or 0.0 for row in found if row.stage == ALL)
        for row in found:
            share = f"{(row.cpu_s or 0.0) / whole:.0%}" if whole and row.stage != BESIDE else ""
            costs = (_number(row.wall_s, 2), _number(row.cpu_s, 2), share)
            body.append((f"{size:,}", row.stage, *costs, row.note))
    text = (
        "One run in one process, step by step. `here s` are seconds of processor in that process, one step after the "
        "other: no number of cores makes a run shorter than what of them is done by one thread. What is counted in "
        "other ways and by a second library goes on beside `compare`, which waits for it; `loaded beside` is what "
        "that process loads before it does anything, measured for itself. Each query of Polars over few rows takes "
        "0.02 to 0.25 ms of processor (`select` to `join` of 200 rows, November 2026), however few they are. So at the "
        "size of a practice a run is bound by how many files, queries and models there are, hardly by rows: by the "
        "looks at each file (`ingest`), by some sixty fits of the main comparison counted in other ways (beside), by "
        "the questions one after the other (`compare`), and by what is loaded before anything is done. Where the clock "
        "says nothing others used the machine: processor seconds alone were kept, which others lengthen too."
    )
    heads = ("rows", "step", "wall s", "here s", "of all here", "what was done")
    return f"## What bounds a run\n\n{text}\n\n{_table(heads, body)}"


def _ratios(rows: Sequence[Row]) -> str:
    body = []
    for size in sorted({r.rows for r in rows}):
        for stage in (WHOLE, ONE_QUESTION_IN_ALL):
            for who in (PANDAS, PANDAS_PATIENT, R):
                ours, theirs = find(rows, WHO, stage, size), find(rows, who, IN_ALL, size)
                ratios = [times_as_fast(ours, theirs, cost) for cost in COSTS]
                if any(ratios):
                    body.append((f"{size:,}", stage, who, *(_ratio(r) for r in ratios)))
    heads = ("rows", "toothyears", "against", "wall", "CPU")
    text = "How many times our cost theirs is: above 1 we are faster. `>` where theirs was stopped."
    return f"## Against the scripts\n\n{text}\n\n{_table(heads, body)}"


def _growth(rows: Sequence[Row]) -> str:
    stages = [*ALL_STAGES, *sorted({r.stage for r in rows if r.who == WHO} - set(ALL_STAGES))]
    lines = [(WHO, stage) for stage in stages] + [(who, IN_ALL) for who in ORDER[1:]]
    body = []
    for who, stage in lines:
        powers = [growth(rows, who, stage, cost) for cost in COSTS]
        if any(p is not None for p in powers):
            done = [r.rows for r in rows if (r.who, r.stage) == (who, stage) and finished(r)]
            body.append((who, stage, f"{max(done):,}", *("" if p is None else f"{p:.2f}" for p in powers)))
    text = "Cost grows with rows to this power, from about 1 million rows to the largest size: 1 is in proportion."
    return f"## Growth\n\n{text}\n\n{_table(('tool', 'stage', 'up to rows', 'wall', 'CPU'), body)}"


def _agreement(rows: Sequence[Row]) -> str:
    body = [
        (
            f"{r.rows:,}",
            r.who,
            "" if r.count_gap is None else f"{r.count_gap:.2%}",
            "" if r.ratio_gap is None else f"{r.ratio_gap:.1g}",
            r.note,
        )
        for r in rows
        if r.count_gap is not None or r.ratio_gap is not None
    ]
    text = "The largest relative difference from our counts and from our hazard ratios, and what was held."
    return f"## The same work\n\n{text}\n\n{_table(('rows', 'tool', 'counts', 'hazard ratios', ''), body)}"


def _every_row(rows: Sequence[Row]) -> str:
    heads = ("rows", "tool", "stage", "wall s", "CPU s", "MB", "MB, all", "rows/s", "")
    body = [
        (
            f"{r.rows:,}",
            r.who,
            r.stage,
            *(_number(v, 2) for v in (r.wall_s, r.cpu_s)),
            *(_number(v, 0) for v in (r.peak_mb, r.peak_sum_mb, r.rows_per_s)),
            # Said above where figures were held against ours.
            r.note if r.count_gap is None else "" if finished(r) else r.note.split(";")[0],
        )
        for r in rows
    ]
    return f"## Every measurement\n\n{_table(heads, body)}"


def _cost(row: Row | None) -> str:
    if row is None:
        return ""
    cost = f"{_number(row.wall_s, 1)} / {_number(row.cpu_s, 1)} / {_number(row.peak_sum_mb, 0)}"
    return cost if finished(row) else row.note.split(";")[0]


def _ratio(ratio: tuple[float, bool] | None) -> str:
    return "" if ratio is None else f"{'' if ratio[1] else '> '}{ratio[0]:.2f}"


def _number(value: float | None, digits: int) -> str:
    return "" if value is None else f"{value:,.{digits}f}"


def _rank(who: str) -> int:
    return ORDER.index(who) if who in ORDER else len(ORDER)


def _table(heads: Sequence[str], body: Iterable[Sequence[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *body]
    return "\n".join("| " + " | ".join(cell.replace("|", "/") for cell in line) + " |" for line in lines) + "\n"


if __name__ == "__main__":
    main()
