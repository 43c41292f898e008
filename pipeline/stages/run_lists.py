"""The lists behind what the owner's sheet says to do, written at once; they hold patient data, as their names say."""

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import polars as pl

from pipeline.machine.private_files import private_folder
from pipeline.practice.counts import count
from pipeline.practice.outcomes import outcome
from pipeline.practice.settings import Settings
from pipeline.practice.tables import CROWNS, ENDO_COURSES, PATIENTS, TOOTH_FOLLOWUP
from pipeline.practice.teeth import write_teeth
from pipeline.questions.crown_rows import own_courses, own_crowns
from pipeline.questions.monitoring import WATCHED, to_watch
from pipeline.questions.owner.to_do import cases_behind
from pipeline.reading.worksheets.marked_file import csv_bytes, write_marked
from pipeline.results import Results
from pipeline.results.owner import SignalCases
from pipeline.stages.run import recall_stage, set_aside_stage, worksheet_stage, written_ids
from pipeline.storing.store import open_store

Say = Callable[[str], None]
FOLDER, CASES_NAME = "lists", "signal-cases"


def lists_stage(settings: Settings, results: Results, out: Path, *, today: dt.date, say: Say) -> dict[str, str]:
    """Write under `out` the list of each thing to do; returns the way from `out` to each, by `ToDo.what`.

    Codes without a meaning have no list but the data-quality page, which tells what to write into PRACTICE.toml.
    """
    folder, asked = private_folder(out / FOLDER), {t.what for t in results.owner.to_do}
    made: dict[str, Path] = {}
    if "signals" in asked:
        made["signals"] = signal_stage(settings, results.owner.signals, folder, say=say)
    if "reviews" in asked:
        made["reviews"] = recall_stage(settings, folder, on=None, as_csv=False, say=say)
    if "ask" in asked:
        made["ask"] = worksheet_stage(settings, folder, today=today, say=say)
    if "mend" in asked:
        set_aside_stage(settings, folder / "set_aside", say=say)
        made["mend"] = folder / "set_aside"
    return {what: path.relative_to(out).as_posix() for what, path in made.items()}


def signal_stage(settings: Settings, signals: tuple[SignalCases, ...], folder: Path, *, say: Say) -> Path:
    """Write the failures behind each recent signal, with the patients as the practice names them; returns the path."""
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        store.require("link")
        patients, followup = store.read(PATIENTS), store.read(TOOTH_FOLLOWUP)
        crowns, courses = own_crowns(store.read(CROWNS)), own_courses(store.read(ENDO_COURSES))
        ids = written_ids(store, settings, say=say)
    tables = {"crowns": crowns, "endo_courses": courses}
    watched = {o.rate: to_watch(o, tables[o.population.name], followup, patients, cutoff=None) for o in WATCHED}
    teeth = pl.concat([crowns.select("tooth_fdi", id="crown_id"), courses.select("tooth_fdi", id="course_id")])
    rows = signal_rows(watched, signals, teeth, ids, notation=settings.practice.tooth_notation)
    say(f"{count(rows.height, 'failure', 'lies')} behind recent signals")
    return write_marked(folder, CASES_NAME, ".csv", csv_bytes(rows.columns, rows.rows()))


def signal_rows(
    watched: dict[str, pl.DataFrame],
    signals: tuple[SignalCases, ...],
    teeth: pl.DataFrame,
    written_ids: pl.DataFrame,
    *,
    notation: str,
) -> pl.DataFrame:
    """One row a failure behind a recent signal: signal, work, clinician, patient_id, tooth, done_on, failed_on.

    A failure behind two signals stands once, with both. `teeth` has `id, tooth_fdi`; a patient whose written id is not
    known is named `not known`, and never left out. In the order of the failures.
    """
    found = [
        cases_behind(watched[s.outcome], s).select(
            "id", "patient_id", "provider_id", "failed_on", done_on="start", work=pl.lit(outcome(s.outcome).noun),
            signal=pl.lit(f"{'all' if s.who == 'all' else s.who} {s.month}"),
        )
        for s in signals
        if s.recent
    ]  # fmt: skip
    if not found:
        return pl.DataFrame()
    key = ("work", "id", "patient_id", "provider_id", "done_on", "failed_on")
    rows = (
        pl.concat(found)
        .group_by(key)
        .agg(pl.col("signal").sort().str.join("; "))
        .join(teeth, on="id", how="left")
        .join(written_ids, on="patient_id", how="left")
        .sort("failed_on", "work", "id")
    )
    return rows.with_columns(write_teeth(rows["tooth_fdi"], notation=notation).alias("tooth")).select(
        "signal", "work", pl.col("provider_id").fill_null("not recorded").alias("clinician"),
        pl.col("written_id").fill_null("not known").alias("patient_id"), "tooth", "done_on", "failed_on",
    )  # fmt: skip
