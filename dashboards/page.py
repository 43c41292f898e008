"""One page as one HTML file that makes no connection: template, style, chart library and data are all inside it.

A content security policy names the scripts of a page by their hashes, so that nothing else can run, and allows no
connection at all. Text is escaped by the templates; chart data stand in script elements that no browser runs.
"""

import base64
import functools
import hashlib
import html
import itertools
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, Literal

import jinja2
from markupsafe import Markup

from dashboards import formats, glossary, terms, theme
from dashboards.answers import Answers
from dashboards.translated import HERE, Translated
from dashboards.words.comparisons import scope_sentence
from pipeline.release import disclosure
from pipeline.results import FlowStep, Results

Audience = Literal["inside", "shared"]
SCRIPTS = ("plotly-basic.min.js", "boot.js", "pictures.js")
# Every page of the inside, in the order of the menu.
PAGES = (
    ("index.html", "In short"),
    ("owner.html", "Owner"),
    ("clinician.html", "Clinician"),
    ("crowns.html", "Crowns"),
    ("hyperemic.html", "Hyperemic tooth"),
    ("root_canals.html", "Root canals"),
    ("techniques.html", "Technique"),
    ("my_cases.html", "My cases"),
    ("open_questions.html", "Still open"),
    ("data_quality.html", "Data quality"),
    ("methods.html", "Methods"),
    ("study_club.html", "Study club (shared)"),
)
# What stands on every picture of a chart, since pictures travel without their page.
NOTES: dict[Audience, str] = {
    "inside": "Inside the practice only. Own records, not a trial: association, not cause.",
    "shared": "Own records of one practice, not a trial: association, not cause.",
}


def inside(here: str, results: Results, *, title: str, answers: Answers, **more: Any) -> str:
    """A page of the inside; each ends with what the records span."""
    return render(here, title=title, audience="inside", answers=answers, practice=results.practice,
                  cautions=results.cautions, scope=scope_sentence(results), **more)  # fmt: skip


def render(
    here: str, *, title: str, audience: Audience, answers: Answers, more_scripts: Sequence[str] = (),
    cautions: Sequence[str] = (), **context: Any,
) -> str:  # fmt: skip
    """Fill the template of a page, by the name of its file.

    The chart library is left out of a page that places no chart, and so are `more_scripts`, which name further files of
    `assets/`. `audience` decides the banner: `inside` pages hold practice data, `shared` ones only what the release
    gate let through. `cautions` follow the usual ones, which stand on every page.
    """
    return bare(
        here,
        here=here,
        title=title,
        audience=audience,
        placed=[],  # the charts, as the template places them
        library=[Markup(asset(name)) for name in (*SCRIPTS, *more_scripts)],
        note=NOTES[audience],
        style=Markup(theme.colours() + asset("style.css")),
        dark=json.dumps(theme.DARK),
        answers=answers,
        menu=PAGES,
        all_cautions=list(dict.fromkeys([*terms.CAUTIONS, *cautions])),
        **context,
    )


def bare(file: str, **context: Any) -> str:
    """Fill a template that is a whole page by itself, with no figure, menu or script: a form to print."""
    text: str = _environment().get_template(f"{file}.j2").render(**context)
    return text


def policy(scripts: Sequence[str]) -> str:
    """The content security policy: these scripts by hash, inline style, no connection."""
    allowed = " ".join(f"'sha256-{_hash(s)}'" for s in scripts) or "'none'"
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "connect-src 'none'; base-uri 'none'; form-action 'none'"
    )


@dataclass(frozen=True)
class Reading:
    """A page's content made ready: explained words, and the list of contents as (id, heading)."""

    answers: Markup
    content: Markup
    words: list[tuple[str, str, str]]
    contents: list[tuple[str, str]]


def made_ready(answers: str, content: str) -> Reading:
    """Give each section of a page its place in the list of contents, and mark the words that are explained.

    A heading of the second rank without an id gets one of its words.
    """
    contents: list[tuple[str, str]] = []

    def heading(found: re.Match[str]) -> str:
        text = html.unescape(re.sub(r"<[^>]+>", "", found[2])).strip()
        given = re.search(r'\bid="([^"]+)"', found[1])
        id = given[1] if given else _free_id(text, [i for i, _ in contents])
        contents.append((id, text))
        return found[0] if given else f'<h2 id="{id}"{found[1]}>{found[2]}</h2>'

    whole = _SECTION.sub(heading, content)
    marked, words = glossary.explained(f"{answers}{_HERE}{whole}")
    before, after = str(marked).split(_HERE)
    return Reading(Markup(before), Markup(after), words, contents)


_SECTION = re.compile(r"<h2([^>]*)>(.*?)</h2>", re.DOTALL)
_HERE = "<!-- the end of the answers -->"


def _free_id(text: str, taken: Sequence[str]) -> str:
    """An id of a heading's letters that is not taken yet."""
    base = "-".join(re.findall(r"[a-z0-9]+", text.lower()))[:48].strip("-") or "part"
    return next(i for n in itertools.count(1) if (i := base if n == 1 else f"{base}-{n}") not in taken)


@functools.cache
def asset(name: str) -> str:
    """A text file of `assets/`, as it will stand in the page."""
    text = resources.files("dashboards").joinpath("assets", name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


@functools.cache
def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _boxes(steps: Sequence[FlowStep]) -> list[dict[str, str]]:
    """The steps of a flow as text; one that leaves nothing out, and says nothing of it, is not among them."""
    return [
        {
            "left": formats.count(s.left, s.unit.removesuffix("s")),
            "step": s.step,
            "removed": formats.whole(s.removed) if s.removed else "",
            "why": s.why,
        }
        for before, s in zip((None, *steps), steps, strict=False)
        if before is None or s.removed or s.why or (s.left, s.unit) != (before.left, before.unit)
    ]


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dashboards", "templates"),
        bytecode_cache=Translated(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {"smallest": disclosure.SMALLEST, "step": disclosure.STEP}
    filters = (formats.count, formats.lower_first, formats.sentence_case, formats.years, theme.ink)
    environment.filters |= {f.__name__: f for f in filters} | {"boxes": _boxes}
    environment.globals |= {"terms": terms, "made_ready": made_ready, "policy": policy}
    return environment
