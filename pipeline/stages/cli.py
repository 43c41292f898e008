"""The command line: parse, call a stage, print where to look. Progress goes to standard error."""

from __future__ import annotations

import datetime as dt
import os
import signal
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.machine.beside import Beside
from pipeline.machine.clock import today
from pipeline.machine.errors import PipelineError
from pipeline.machine.private_files import private_folder, write_private_files
from pipeline.machine.query_thread import on_query_thread
from pipeline.practice.counts import count
from pipeline.practice.talk import talk_of

# What takes long to load is loaded by the command that needs it: help, mistakes in the command line and the workers of
# `link`, which load this module anew, start without it.
if TYPE_CHECKING:
    from pipeline.practice.settings import Settings
    from pipeline.results import Results

EPILOG = (
    "Exit status: 0 done; 1 the data stop it (nothing was lost or half-written, the message says what to do); "
    "2 the command line or PRACTICE.toml is wrong."
)
_TOML = click.argument("practice", metavar="PRACTICE.toml", type=click.Path(path_type=Path, dir_okay=False))
_OUT = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("out"),
    show_default=True,
    help="Output folder.",
)


_WORKERS = click.option("--workers", default=1, show_default=True, type=click.IntRange(1, 64), help="Processes.")
_PARTS = click.option("--parts", type=click.IntRange(1, 4096), help="Groups of patients; as memory asks if not given.")
_CLUSTER = click.option(
    "--cluster", metavar="ADDRESS", help="A running Dask cluster, tls://HOST:PORT; sees the same folders."
)
_TALK = (
    click.option("--talk-slides", metavar="NAMES", help="Slides of the talk in their order: trap,found,sure."),
    click.option("--talk-title", metavar="TEXT", help="Title of the talk; the main question if not given."),
    click.option("--talk-speaker", metavar="TEXT", help="Who gives the talk; it stands on the shared files."),
    click.option("--talk-minutes", metavar="N", type=int, help="Minutes that the talk may take; 20 if not given."),
    click.option("--talk-colours", metavar="NAME=#RRGGBB", multiple=True, help="accent, reference, group or third."),
)
_LISTS = "Write the lists of what is to be done, too; they HOLD PATIENT DATA."
_KEEP_IDS = click.option(
    "--keep-ids", is_flag=True, help="Store patients as your files name them, not under pseudonyms; for work inside."
)


def _talk_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options of the talk, which go before `[talk]` in PRACTICE.toml."""
    for option in reversed(_TALK):
        command = option(command)
    return command


def _say() -> Callable[[str], None]:
    begun = time.monotonic()

    def say(text: str) -> None:
        click.echo(f"[{time.monotonic() - begun:6.1f} s] {text}", err=True)

    return say


@click.group(epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(package_name="toothyears")
def cli() -> None:
    """Link a practice's root canals, crowns and extractions by tooth, and compare how long they last."""


@cli.command()
@_OUT
@click.option("--crowns", default=4000, show_default=True, type=click.IntRange(min=1), help="Crowns to invent.")
@click.option("--seed", default=1, show_default=True, help="Seed of the invented practice.")
@click.option("--lists/--no-lists", default=True, show_default=True, help=_LISTS)
def demo(out: Path, crowns: int, seed: int, lists: bool) -> None:
    """Make an invented practice, run everything on it, and say where to look."""
    from synthetic_data.generate import simulate as simulate_practice

    say = _say()
    say("inventing a practice: Alder Row Dental")
    # The files of an earlier demo are written over, so what was loaded and shared of them must go too.
    for name in ("practice.duckdb*", "practice.key", "practice.releases"):
        for stale in (out / "practice").glob(name):
            stale.unlink()
    toml = simulate_practice(out / "practice", crowns=crowns, seed=seed, say=say)
    _finish(_everything(toml, out, say=say, lists=lists))


@cli.command("run")
@_TOML
@_OUT
@_KEEP_IDS
@click.option("--lists", is_flag=True, help=_LISTS)
@_talk_options
def run_command(practice: Path, out: Path, keep_ids: bool, lists: bool, **talk: Any) -> None:
    """Ingest, link, compare and draw, in that order."""
    _finish(_everything(practice, out, say=_say(), keep_ids=keep_ids, lists=lists, talk=talk))


@cli.command()
@_TOML
@_KEEP_IDS
def ingest(practice: Path, keep_ids: bool) -> None:
    """Read the practice's files into its database; what cannot be read is set aside with the reason."""
    from pipeline.stages.ingest import ingest_stage

    settings, say = _settings(practice), _say()
    _finish(on_query_thread(lambda: ingest_stage(settings, today=today(), say=say, keep_ids=keep_ids)))


@cli.command()
@_TOML
@_WORKERS
@_PARTS
@_CLUSTER
def link(practice: Path, workers: int, parts: int | None, cluster: str | None) -> None:
    """Link root canals, crowns and extractions of one tooth; with workers or in groups the result is the same."""
    from pipeline.stages.run_link import link_stage

    settings, say = _settings(practice), _say()
    _finish(on_query_thread(lambda: link_stage(settings, say=say, parts=parts, workers=workers, cluster=cluster)))


@cli.command()
@_TOML
@_OUT
@_WORKERS
@_PARTS
@_CLUSTER
def compare(practice: Path, out: Path, workers: int, parts: int | None, cluster: str | None) -> None:
    """Estimate and compare; write results.json. With workers, in groups or on a cluster: the main question alone."""
    from dashboards.results_json import write_results_json
    from pipeline.stages import run

    settings, say = _settings(practice), _say()
    with Beside(say=say) as beside:
        results = on_query_thread(
            lambda: run.compare_stage(
                settings, say=say, today=today(), parts=parts, workers=workers, cluster=cluster, beside=beside
            )
        )
    _finish(write_results_json(results, out))


@cli.command()
@_TOML
@_OUT
@click.option("--lists", is_flag=True, help=_LISTS)
@_talk_options
def dashboards(practice: Path, out: Path, lists: bool, **talk: Any) -> None:
    """Draw the pages and the slides from what was compared."""
    settings, say = _with_talk(_settings(practice), talk), _say()
    if lists or not _stand(settings, out, say=say):
        from pipeline.stages import run

        _pages(settings, run.stored_results(settings), out, say=say, lists=lists)
    _finish(out / "index.html")


@cli.command()
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False))
@click.option("--crowns", default=4000, show_default=True, type=click.IntRange(min=1), help="Crowns to invent.")
@click.option("--seed", default=1, show_default=True, help="The same seed gives the same practice.")
@click.option(
    "--referred",
    default=0.1,
    show_default=True,
    type=click.FloatRange(0, 1),
    help="Share of the root canals that others do.",
)
@click.option(
    "--charted",
    default="mixed",
    show_default=True,
    type=click.Choice(["mixed", "dated", "year", "on_visit", "undated", "not"]),
    help="How the practice knows of those: all in one way, or a mix of them.",
)
@click.option(
    "--notes",
    type=click.Choice(["beside", "alone"]),
    help="Write chart notes too: beside the details that they tell, or in their place.",
)
def simulate(
    directory: Path, crowns: int, seed: int, referred: float, charted: str, *, notes: str | None = None
) -> None:
    """Write an invented practice with known truth (truth.json) as input files plus its practice.toml."""
    from synthetic_data.generate import simulate as simulate_practice
    from synthetic_data.truth import DEFAULT

    truth = DEFAULT.with_referrals(referred, charted)
    toml = simulate_practice(directory, crowns=crowns, seed=seed, truth=truth, say=_say())
    if notes is not None:
        from synthetic_data.notes import write_notes

        write_notes(directory, seed=seed, keep_details=notes == "beside")
    _finish(toml)


@cli.command()
@click.argument(
    "files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path, dir_okay=False, exists=True)
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=Path("practice.toml"),
    show_default=True,
    help="The file to write; it is never overwritten.",
)
@click.option("--encoding", help="How texts are written that do not show it, as windows-1252, cp850 or utf-16-le.")
def suggest(files: tuple[Path, ...], out: Path, encoding: str | None) -> None:
    """Look at unknown files and write a PRACTICE.toml to edit: which file is which table, which column which field."""
    from pipeline.practice.table_settings import checked_encoding
    from pipeline.reading.suggest import propose

    if encoding is not None:
        checked_encoding(encoding, "--encoding")
    asked: dict[str, Any] = {"encoding": encoding, "codes_name": f"{out.stem}-codes.csv", "say": _say()}
    found = on_query_thread(lambda: propose.suggest(files, folder=out.resolve().parent, **asked))
    path = propose.write_suggestion(found, out)
    for line in found.found:
        click.echo(line)
    click.echo(f"{count(found.questions, 'question')} to answer in {out.name}; then: toothyears check {out.name}")
    _finish(path)


@cli.command()
@_TOML
@_OUT
def check(practice: Path, out: Path) -> None:
    """Say what a practice's files will and will not answer, before anything is loaded.

    What was understood of them is read back in a file that HOLDS PATIENT DATA.
    """
    from pipeline.reading.worksheets.workbook import write_marked
    from pipeline.stages.checks.check import check as check_files
    from pipeline.stages.checks.understood import NAME

    settings, say = _settings(practice), _say()
    checked = on_query_thread(lambda: check_files(settings, today=today(), say=say))
    click.echo(checked.text)
    click.echo("\nWhat was understood, year by year and row by row. Look through it before you run:")
    _finish(write_marked(out, NAME, ".txt", checked.understood.encode("utf-8-sig")))
    if checked.exit_code:
        sys.exit(checked.exit_code)


@cli.command()
@_TOML
@_OUT
def worksheet(practice: Path, out: Path) -> None:
    """List work without details, and teeth that others may have treated, to fill in; it HOLDS PATIENT DATA."""
    from pipeline.stages import run

    _finish(run.worksheet_stage(_settings(practice), out, today=today(), say=_say()))


@cli.command("chair-form")
@_TOML
@_OUT
def chair_form(practice: Path, out: Path) -> None:
    """Write the form at the chair: a page to print and tick, and a sheet with choices that loads as it is."""
    from dashboards.pages import chair_form as form
    from pipeline.reading.worksheets.lists import NAME, write_chair_sheet

    told, folder = _settings(practice).practice, private_folder(out)
    write_chair_sheet(folder, practice=told.name, notation=told.tooth_notation, made_on=today())
    page = folder / f"{NAME}.html"
    write_private_files({page: form.render(practice=told.name, notation=told.tooth_notation).encode()})
    _finish(page)


@cli.command("recall-list")
@_TOML
@_OUT
@click.option(
    "--on", type=click.DateTime(["%Y-%m-%d"]), help="The day to list for; the last day of the data if absent."
)
@click.option("--csv", "as_csv", is_flag=True, help="Write CSV, not a workbook.")
def recall_list(practice: Path, out: Path, on: dt.datetime | None, as_csv: bool) -> None:
    """List whose 1-year or 4-year review of a root canal is due, by clinician; it HOLDS PATIENT DATA."""
    from pipeline.stages import run

    day = on.date() if on else None
    _finish(run.recall_stage(_settings(practice), out, on=day, as_csv=as_csv, say=_say()))


@cli.command("reading-list")
@_TOML
@_OUT
@click.option("--reader", "readers", multiple=True, metavar="NAME", help="Who reads; once for each reader.")
@click.option(
    "--of",
    type=click.Choice(["films", "teeth", "differing"]),
    default="films",
    show_default=True,
    help="Films read before, teeth whose latest film is to be found, or films on which two readers differ.",
)
@click.option("--most", type=click.IntRange(min=1), help="A sample of so many films.")
@click.option("--seed", default=1, show_default=True, help="Another number gives another order.")
@click.option(
    "--filled",
    multiple=True,
    type=click.Path(path_type=Path, dir_okay=False),
    help="A filled-in sheet to turn into findings; once for each.",
)
def reading_list(practice: Path, out: Path, readers: tuple[str, ...], filled: tuple[Path, ...], **asked: Any) -> None:
    """List films to be read blind, one sheet a reader; or turn filled-in sheets into findings. HOLDS PATIENT DATA."""
    from pipeline.stages.run_lists import filled_stage, reading_stage

    if bool(readers) == bool(filled):
        raise click.UsageError("Give --reader for each reader of a new list, or --filled for each filled-in sheet.")
    settings, say = _settings(practice), _say()
    if filled:
        _finish(filled_stage(settings, out, filled, today=today(), say=say))
    else:
        _finish(reading_stage(settings, out, readers=readers, today=today(), say=say, **asked))


@cli.command("ask")
@_TOML
@_OUT
@click.option("--population", help="crowns or endo_courses, narrowed: crowns,tooth_group=molar,from_year=2015.")
@click.option("--groups", help="A stored column, a number with the edges of its bands: naocl_percent:1,3.")
@click.option("--outcome", help="crown_failure, complication, endo_intervention or tooth_loss.")
@click.option("--clock", help="since_seat or since_completion; the population says which.")
@click.option("--adjust", multiple=True, help="age, year or a stored column; may be repeated; nothing for none.")
@click.option("--horizon", type=click.IntRange(min=1), help="Years at which the groups are compared.")
def ask(practice: Path, out: Path, **asked: Any) -> None:
    """Answer a question of your own, or those under [[ask]] in PRACTICE.toml; every question is counted."""
    from dashboards.pages import asked as page
    from pipeline.practice.own_question import asked_for
    from pipeline.questions.asking.answer import as_text
    from pipeline.stages import run

    settings = _settings(practice)
    found = run.ask_stage(settings, asked_for(settings.ask, asked), say=_say())
    click.echo("\n\n".join(as_text(one) for one in found))
    private_folder(out)
    target = out / "asked.html"
    write_private_files({target: page.render(found, practice=settings.practice.name).encode()})
    _finish(target)


@cli.command("set-aside")
@_TOML
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("set_aside"),
    show_default=True,
    help="Folder for the files. They hold patient data.",
)
def set_aside(practice: Path, out: Path) -> None:
    """Write the rows that were set aside to CSV files, to be mended and listed under corrected in PRACTICE.toml."""
    from pipeline.stages.ingest import set_aside_stage

    for path in set_aside_stage(_settings(practice), out, say=_say()):
        click.echo(path, err=True)
    _finish(out)


@cli.command()
@_TOML
@_OUT
@click.option(
    "--new-key", is_flag=True, help="Sign with a new key, as the one used before is lost; whoever pools is told."
)
def contribute(practice: Path, out: Path, new_key: bool) -> None:
    """Write one small signed file of rounded figures for pooling with other practices; it is about no person."""
    from pipeline.stages import run

    _finish(run.contribute_stage(_settings(practice), out, today=today(), say=_say(), new_key=new_key))


@cli.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@_OUT
@click.option(
    "--members",
    type=click.Path(path_type=Path, dir_okay=False),
    help="List of the practices and their key numbers; files of others are refused.",
)
@click.option("--unlisted", is_flag=True, help="Take files that anyone may have made, without a list; pages say so.")
def pool(files: tuple[Path, ...], out: Path, members: Path | None, unlisted: bool) -> None:
    """Combine the files that several practices contributed: a page, slides and the figures for machines."""
    from dashboards.write_pooled import write_pooled
    from pipeline.release.pool.combine import pool as combine
    from pipeline.release.pool.files import read_contribution
    from pipeline.release.pool.members import read_members, refuse_unlisted

    say = _say()
    listed = read_members(members) if members is not None else None
    given = [read_contribution(path, unsigned=unlisted, today=today()) for path in files]
    if listed is None:
        refuse_unlisted(given, taken=unlisted)
    pooled = combine(given, members=listed)
    say(
        f"{count(len(pooled.practices), 'practice')}, {count(len(pooled.comparisons), 'question')} that at least two "
        "of them answer"
    )
    _finish(write_pooled(pooled, out))


def _everything(
    toml: Path,
    out: Path,
    *,
    say: Callable[[str], None],
    keep_ids: bool = False,
    lists: bool = False,
    talk: Mapping[str, Any] | None = None,
) -> Path:
    from pipeline.stages.ingest import ingest_stage
    from pipeline.stages.run_link import link_stage

    settings = _with_talk(_settings(toml), talk or {})
    with Beside(say=say) as beside:
        if not settings.practice.database.exists():  # all will be asked: they load while the files are read
            beside.prepare("pipeline.questions.choices", "pipeline.stats.second_opinion", "lifelines")
        on_query_thread(lambda: ingest_stage(settings, today=today(), say=say, keep_ids=keep_ids))
        on_query_thread(lambda: link_stage(settings, say=say))
        if not lists and _stand(settings, out, say=say):
            return out / "index.html"

        from pipeline.stages import run

        results = on_query_thread(lambda: run.compare_stage(settings, say=say, today=today(), beside=beside))
    return _pages(settings, results, out, say=say, lists=lists)


def _stand(settings: Settings, out: Path, *, say: Callable[[str], None]) -> bool:
    """Whether the pages in `out` are those that would be drawn; then nothing more is loaded, asked or drawn."""
    from pipeline.stages.standing import pages_stand

    if stand := pages_stand(settings, out, today=today()):
        say("nothing has changed since the answers were given and the pages drawn: they stand")
    return stand


def _with_talk(settings: Settings, options: Mapping[str, Any]) -> Settings:
    """The settings with what the options of the talk say instead; a mistake in them stops before any data are read."""
    return replace(settings, talk=talk_of(settings.talk, {k.removeprefix("talk_"): v for k, v in options.items()}))


def _settings(toml: Path) -> Settings:
    from pipeline.reading.config import load_settings

    return load_settings(toml)


def _pages(settings: Settings, results: Results, out: Path, *, say: Callable[[str], None], lists: bool) -> Path:
    """All pages, with the answers to the questions that the TOML lists under [[ask]] and, if wished, the lists."""
    from dashboards.release.parts import few_between_texts
    from dashboards.release.record import SUFFIX, Standing, release_noted
    from dashboards.release.released import as_text, from_text, release
    from dashboards.write import write_all
    from pipeline.stages import run
    from pipeline.stages.standing import note_pages

    day = today()
    asked = run.ask_stage(settings, settings.ask, say=say) if settings.ask else ()
    made: dict[str, str] = {}
    if lists:
        from pipeline.stages.run_lists import lists_stage

        made = lists_stage(settings, results, out, today=today(), say=say)
    kept = run.release_stage(
        settings,
        results,
        today=today(),
        make=lambda told: as_text(release(told)),
        readable=lambda text: from_text(text) is not None,
        few_between=few_between_texts,
        seen=filter(None, (release_noted(p.read_text("utf-8", "replace")) for p in out.glob(f"*{SUFFIX}"))),
        say=say,
    )
    names: list[str] = []

    def told(name: str) -> None:
        names.append(name)
        say(name)

    index = write_all(
        results,
        out,
        say=told,
        asked=asked,
        lists=made,
        talk=settings.talk,
        day=day,
        released=from_text(kept.figures),
        standing=Standing(kept.made_on, kept.standing, kept.note),
    )
    if not lists:
        note_pages(settings, out, names, today=day)
    return index


def _finish(path: Path) -> None:
    click.echo(str(path))


def main() -> None:
    """Run the command; an error that the user can mend is shown without a traceback.

    Any other is shown without its text, which may quote what the files hold.
    """
    os.umask(0o077)
    signal.signal(signal.SIGTERM, _stop)
    try:
        cli.main(standalone_mode=False)
    except PipelineError as error:
        click.echo(f"toothyears: {error}", err=True)
        sys.exit(error.exit_code)
    except click.exceptions.Abort:
        click.echo("toothyears: stopped; what the last finished stage stored is kept.", err=True)
        sys.exit(1)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except click.exceptions.Exit as leaving:
        sys.exit(leaving.exit_code)
    except (SystemExit, KeyboardInterrupt):
        raise
    except BaseException as error:  # a panic of a library is no Exception
        from pipeline.machine.faults import as_data_error, our_fault

        told = as_data_error(error, name="a file")
        click.echo(f"toothyears: {told or our_fault(error)}", err=True)
        sys.exit(1)


def _stop(*_: object) -> None:
    raise KeyboardInterrupt


if __name__ == "__main__":
    main()
