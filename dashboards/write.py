"""Every output of a run, from one results object."""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from dashboards.pages import asked as own
from dashboards.pages import (
    clinician,
    crowns,
    data_quality,
    handout,
    hyperemic,
    index,
    methods,
    my_cases,
    open_questions,
    owner,
    root_canals,
    study_club,
    techniques,
)
from dashboards.release.record import Standing, records
from dashboards.release.released import Released, release
from dashboards.results_json import as_bytes
from dashboards.talk import appendix, story
from pipeline.machine.private_files import private_folder, write_private_files
from pipeline.practice.talk import Talk
from pipeline.results import Results
from pipeline.results.asked import Asked

# Of the results alone, in the order of the menu.
PAGES = (crowns, hyperemic, root_canals, techniques, my_cases, open_questions, data_quality, methods)


def write_all(
    results: Results,
    out: Path,
    *,
    say: Callable[[str], None] = lambda _: None,
    show_practice: bool = False,
    asked: Sequence[Asked] = (),
    talk: Talk | None = None,
    day: dt.date | None = None,
    lists: Mapping[str, str] | None = None,
    released: Released | None = None,
    standing: Standing | None = None,
) -> Path:
    """Write the pages, the slides and `results.json` into `out`, and return the path of `index.html`.

    Everything is made in memory first, and lies on the disk before any file is put in place, `index.html` last, so
    that a failure leaves the former files. Only their owner may read them. `say` is told each file's name.
    `show_practice` puts the practice's name on the shared page and slides, which otherwise say only `one practice`.
    `lists` says where the list of each thing to do lies, from `out`, where they were written.
    `asked` are questions of the practice's own; with any, `asked.html` is written too and linked to. `talk` are the
    choices of the talk, and `day` the day on which it is made, for its citation. `released` are the figures to share
    where an earlier release of these records stands, and `standing` since when and how, for the records to sign that
    lie beside each shared file.

    Raises
    ------
    OSError
        Where `out` cannot be made or written.
    """
    name = results.practice if show_practice else None
    released = release(results, practice=name) if released is None else replace(released, practice=name)
    shared = {
        "study_club.html": study_club.render(released, talk=talk, day=day).encode(),
        "study_club.pptx": story.render(released, talk, day=day),
        "study_club_appendix.pptx": appendix.render(released, talk, day=day),
        "study_club_handout.html": handout.render(released, talk, day=day).encode(),
    }
    made = {
        "results.json": as_bytes(results),
        "owner.html": owner.render(results, lists=lists or {}).encode(),
        "clinician.html": clinician.render(results, asked=asked).encode(),
        **{f"{one.__name__.rpartition('.')[2]}.html": one.render(results).encode() for one in PAGES},
        **shared,
        **records(shared, released, of=results.records, standing=standing or Standing(), day=day),
        "index.html": index.render(results, asked=asked, released=released).encode(),
    }
    if asked:
        page = own.render(asked, practice=results.practice, cautions=results.cautions)
        made = {"asked.html": page.encode(), **made}
    private_folder(out)
    write_private_files({out / name: data for name, data in made.items()})
    for name in made:
        say(name)
    return out / "index.html"
