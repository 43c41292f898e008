"""The lists behind what the owner's sheet says to do, and those of films to be read blind; they hold patient data."""

import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

import polars as pl

from pipeline.machine.errors import ConfigError, DataError
from pipeline.machine.private_files import MARK, private_folder
from pipeline.practice.counts import count
from pipeline.practice.outcomes import outcome
from pipeline.practice.pseudonyms import hmac_sha256, key_path, load_or_make_key
from pipeline.practice.settings import Settings
from pipeline.practice.tables import CROWNS, ENDO_COURSES, FINDINGS, PATIENTS, TOOTH_FOLLOWUP
from pipeline.practice.teeth import write_teeth
from pipeline.questions.crown_rows import own_courses, own_crowns
from pipeline.questions.monitoring import WATCHED, to_watch
from pipeline.questions.owner.to_do import cases_behind
from pipeline.reading.worksheets.reading_list import (
    KEY_COLUMNS,
    films_of_root_canals,
    reading_lines,
    teeth_of_root_canals,
)
from pipeline.reading.worksheets.reading_sheets import (
    findings_of,
    read_filled,
    read_key,
    write_findings,
    write_key,
    write_reader_sheet,
)
from pipeline.reading.worksheets.workbook import csv_bytes, write_marked
from pipeline.results import Results
from pipeline.results.owner import SignalCases
from pipeline.stages.ingest import set_aside_stage
from pipeline.stages.run import recall_stage, worksheet_stage, written_ids
from pipeline.storing.store import open_store
from pipeline.transforms.readings import FILM, films_that_differ

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


FILMS, TEETH, DIFFERING = "films", "teeth", "differing"
READING_FOLDER = "reading-lists"


def key_of_films(settings: Settings) -> Path:
    """Where the key to the films lies: beside the database, apart from the sheets."""
    database = settings.practice.database
    return database.with_name(f"{database.stem}-reading-key-{MARK}.csv")


def reading_stage(
    settings: Settings,
    out: Path,
    *,
    readers: Sequence[str],
    of: str,
    seed: int,
    most: int | None,
    today: dt.date,
    say: Say,
) -> Path:
    """Write a sheet for each reader, and the key apart from them; returns the folder of the sheets.

    `of` is what is read: films that were read before, teeth whose latest film whoever collects the films finds, or the
    films that two readers read differently and no third has read, for one reader who is neither.
    """
    names = [name.strip() for name in readers]
    if not all(names) or len(set(names)) < len(names):
        raise ConfigError("--reader: every reader needs a name of their own.")
    if of == DIFFERING and len(names) != 1:
        raise ConfigError(
            "--of differing: films on which two readers differ go to one third reader. Give one --reader."
        )
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        store.require("link")
        courses, findings = own_courses(store.read(ENDO_COURSES)), store.read(FINDINGS)
        films = _films(courses, findings, of, names, settings.rules.recall_months)
        if films.is_empty():
            raise DataError(_NONE[of])
        _refuse_known_readers(findings.join(films, on=FILM, how="semi"), names)
        ids = written_ids(store, settings, say=say)
    secret = load_or_make_key(key_path(settings.practice.database, settings.practice.key_file), say=say)
    lines = reading_lines(films, names, hmac_sha256(secret, "reading list\x1f"), seed=seed, most=most)
    written = lines.join(ids, on="patient_id", how="left", maintain_order="left").with_columns(
        write_teeth(lines["tooth_fdi"], notation=settings.practice.tooth_notation).alias("tooth")
    )
    lost = written["written_id"].null_count()
    if lost:
        raise DataError(
            f"{count(lost, 'line', 'is')} of patients in none of the files that were read, so that nobody could find "
            "their films. Put back the files that name them, or leave their findings out."
        )
    key = written.with_columns(patient_id="written_id").select(KEY_COLUMNS)
    write_key(key_of_films(settings), key)
    folder = out / READING_FOLDER
    for sheet in written.partition_by("reader", maintain_order=True):
        write_reader_sheet(folder, sheet, practice=settings.practice.name, made_on=today)
    again = int((lines["reading"] == 2).sum())
    say(f"{count(lines.height - again, 'line')} for {len(names)} readers, and {again:,} of them a second time")
    say(f"the key is {key_of_films(settings).name}, beside the database: hand the films over by it, and never the key")
    if of == TEETH:
        say("write the day of each film into the column exam_date of the key before the sheets are loaded")
    return folder


def filled_stage(settings: Settings, out: Path, sheets: Sequence[Path], *, today: dt.date, say: Say) -> Path:
    """Turn filled-in sheets into findings, to be named among the files of the table; returns their path."""
    filled = read_filled(sheets)
    rows = findings_of(filled, read_key(key_of_films(settings)))
    if rows.is_empty():
        raise DataError("The sheets hold no reading: no line is filled in, or no film could be read.")
    unread = filled["pai"].null_count()
    say(f"{rows.height:,} readings" + (f"; {unread:,} films could not be read" if unread else ""))
    names = ", ".join(f'"{name}"' for name in rows["reader"].unique().sort())
    say(f"to let these readers alone count on the films that they read: film_readers = [{names}] under [practice]")
    return write_findings(out, rows, practice=settings.practice.name, made_on=today)


_NONE = {
    FILMS: "No film of a root canal done here has been read before, so there is no list of films. Write --of teeth: "
    "the list is then of teeth, and whoever collects the films writes down their days.",
    TEETH: "No root canal done here has been followed to its first recall, so there is no tooth to list.",
    DIFFERING: "There is no film that two readers read differently and that no third, nor this one, has read.",
}


def _refuse_known_readers(findings: pl.DataFrame, names: list[str]) -> None:
    """A reader who read a film before, knowing the case, would have two first readings of it, one of them not blind."""
    known = findings.filter(pl.col("reader").is_in(names), pl.col("pai").is_not_null())
    if known.height:
        name = str(known["reader"].sort()[0])
        raise ConfigError(
            f'--reader: the records already hold readings of these films by "{name}". Give the reader another name '
            f'for the blind readings, such as "{name}, blind".'
        )


def _films(
    courses: pl.DataFrame, findings: pl.DataFrame, of: str, names: list[str], recall_months: int
) -> pl.DataFrame:
    if of == TEETH:
        return teeth_of_root_canals(courses, recall_months=recall_months)
    if of == FILMS:
        return films_of_root_canals(courses, findings)
    mine = findings.filter(pl.col("reader") == names[0], pl.col("pai").is_not_null()).select(FILM)
    return films_that_differ(findings).join(mine, on=FILM, how="anti")
