"""The main comparison part by part: the result is that of comparing all crowns at once, whatever the number of parts.

A part is a folder with `crowns.parquet` and `patients.parquet` (files, or folders of files), columns as stored; each
patient is in one part only. Each worker has the rows of one part in memory. Between parts only counts and sums travel.
"""

import functools
import hashlib
import importlib.metadata
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.machine.faults import need_room
from pipeline.questions import longevity_parts as parted
from pipeline.questions import longevity_passes as passes
from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_longevity import SET_TO, StateModel
from pipeline.results import Comparison
from pipeline.stages.scale.run_partitions import minded, run
from pipeline.stats.cox_partitions import CoxPart, CoxPartsFit, Over, fit_cox_parts
from pipeline.stats.few_failures import Allowance
from pipeline.stats.standardise_parts import difference_in_parts
from pipeline.stats.standardised import AdjustedDifference

Bundle = tuple[Path, ...]
KEEP = 256_000_000
COUNTS_OF_A_PART = 1_000_000  # bytes that a part's counts by day and squares may take on the disk
COPIES = 5  # the rows as read, centred, and once more for the hazard of all strata; their places among the groups


def compare_in_parts(
    parts: Sequence[Path],
    analysis: Analysis,
    *,
    folder: Path,
    executor: Executor | None = None,
    say: Callable[[str], None] = lambda _: None,
    tasks: int | None = None,
    keep: int = KEEP,
) -> Comparison:
    """Compare the crowns of all parts: the figures are those of `compare_since_seat` on all crowns together.

    `folder` is scratch, on a disk that every worker of `executor` sees, and of nobody else. What this comparison wrote
    there is removed at the end; a run that is stopped leaves it, and the next one on the same parts and choices goes
    on with what is there.

    Each round of a fit is cut into `tasks`, one a part unless given; as many as there are workers is best, as the sums
    of a task's parts are added up before they travel. Each process keeps up to `keep` bytes of rows between rounds, and
    reads the others anew in each.

    Raises DataError where the disk has too little room, before anything is written; where a worker process was lost, as
    `run` does.
    """
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    size = sum(file.stat().st_size for place in parts for file in place.rglob("*") if file.is_file())
    instead = "Make room, or compare in fewer parts"
    need_room(2 * size + COUNTS_OF_A_PART * len(parts), folder, what="Comparing in parts needs", instead=instead)
    scratch = folder / f"compare-{_fingerprint(parts, analysis)}"
    scratch.mkdir(exist_ok=True, mode=0o700)
    do = functools.partial(run, executor=executor, say=say)
    first = do(count_one, parts, scratch / "counts", what="counting")
    counted = passes.add_counts(_read(place, passes.COUNTS) for place in first)
    looking = functools.partial(second_pass_of_one, again=passes.plan_second_pass(counted, analysis))
    second = do(looking, first, scratch / "looks", what="errors")
    seen = passes.add_second_passes(_read(place, passes.LOOKS) for place in second)
    plan = parted.plan_models(counted, seen, analysis)
    third = [] if plan is None else do(functools.partial(lay_out_one, plan=plan), first, scratch / "rows", what="rows")
    over = _over(executor)
    each = tasks or len(parts)  # what the parts of one task give is added up before it travels
    rows, labelled = ([tuple(of[n::each]) for n in range(min(each, len(of)))] for of in (third, first))

    def fit(model: StateModel) -> CoxPartsFit:
        say(f"fitting the {'adjusted' if model.used else 'crude'} model")
        return fit_cox_parts(rows, functools.partial(load_rows, model=model, keep=keep), names=model.names, over=over)

    def fit_naive() -> CoxPartsFit:
        load = functools.partial(load_rows, model=None, keep=keep)
        return fit_cox_parts(labelled, load, names=("through_crown",), over=over)

    def standardise(
        fitted: CoxPartsFit, model: StateModel, days: tuple[int, int], allowance: Allowance
    ) -> AdjustedDifference | None:
        say("standardising")
        return difference_in_parts(
            fitted,
            rows,
            functools.partial(load_rows, model=model, keep=keep),
            states=SET_TO,
            day=days[1],
            from_day=days[0],
            min_at_risk=analysis.min_at_risk,
            allowance=allowance,
            confidence=analysis.confidence,
            over=over,
        )

    found = parted.compare_parts(counted, seen, plan, analysis, fit=fit, fit_naive=fit_naive, standardise=standardise)
    _KEPT.clear()
    shutil.rmtree(scratch, ignore_errors=True)
    return found


def count_one(place: Path) -> Mapping[str, pl.DataFrame]:
    """First look at one part."""
    return passes.count_part(**_stored(place))


def second_pass_of_one(place: Path, *, again: passes.SecondPass) -> Mapping[str, pl.DataFrame]:
    """Second look at one part, at what the first look left of it."""
    return passes.second_pass(pl.read_parquet(place / "spells.parquet"), again)


def lay_out_one(place: Path, *, plan: parted.ModelPlan) -> Mapping[str, pl.DataFrame]:
    """The rows of one part for the Cox models."""
    return {"rows": parted.lay_out_rows(pl.read_parquet(place / "spells.parquet"), plan)}


def load_rows(places: Bundle, *, model: StateModel | None, keep: int) -> Iterator[CoxPart]:
    """The rows of some parts for one model, for the naive one (None) by their label; kept for the next round if there
    is room."""
    for place in places:
        yield _keep(place, model, keep)


# The rows of one model that a process keeps between rounds, by part, and how many bytes they take.
_KEPT: dict[Path, CoxPart] = {}
_KEPT_OF: list[Any] = [None, 0]


def _keep(place: Path, model: StateModel | None, most: int) -> CoxPart:
    if _KEPT_OF[0] != (place.parent, model):
        _KEPT.clear()
        _KEPT_OF[:] = [(place.parent, model), 0]
    if place in _KEPT:
        return _KEPT[place]
    if model is None:
        part = parted.naive_rows(pl.read_parquet(place / "labelled.parquet"))
    else:
        part = parted.model_rows(pl.read_parquet(place / "rows.parquet"), model)
    size = COPIES * np.asarray(part.x).nbytes
    if _KEPT_OF[1] + size <= most:
        _KEPT[place] = part
        _KEPT_OF[1] += size
    return part


def _read(place: Path, names: Sequence[str]) -> dict[str, pl.DataFrame]:
    return {name: pl.read_parquet(place / f"{name}.parquet") for name in names}


def _over(executor: Executor | None) -> Over[Bundle, Any]:
    """How the rounds of a fit go over the tasks: here one by one, or by an executor, results in order."""
    if executor is None:
        return map

    def over(do: Callable[[Bundle], Any], bundles: Sequence[Bundle]) -> Iterator[Any]:
        futures = [executor.submit(do, bundle) for bundle in bundles]
        futures.reverse()
        with minded(futures):
            while futures:
                yield futures.pop().result()  # not kept: the sums of many parts need not be in memory together

    return over


def _stored(place: Path) -> dict[str, pl.DataFrame]:
    """The tables of a part, with as many columns as the comparison looks at."""
    return {
        name: pl.scan_parquet(place / f"{name}.parquet").select(columns).collect()
        for name, columns in passes.COLUMNS.items()
    }


def _fingerprint(parts: Sequence[Path], analysis: Analysis) -> str:
    """What the files of a run stand for: the same rows in any order in each part, choices and versions."""
    told = [f"{analysis!r} {pl.__version__} {importlib.metadata.version('toothyears')}"]
    for place in parts:
        for name, rows in _stored(place).items():
            told.append(f"{place.name} {name} {rows.height} {rows.hash_rows(seed=1).sum() if rows.height else 0}")
    return hashlib.sha256("|".join(told).encode()).hexdigest()[:24]
