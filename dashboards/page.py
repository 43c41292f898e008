"""One page as one HTML file that makes no connection: template, style, chart library and data are all inside it.

A content security policy names the scripts of a page by their hashes, so that nothing else can run, and allows no
connection at all. Text is escaped by the templates; chart data stand in script elements that no browser runs.
"""

from __future__ import annotations

import base64
import functools
import hashlib
from collections.abc import Sequence
from importlib import resources
from typing import Any, Literal

import jinja2
from markupsafe import Markup

from dashboards import formats, terms, theme
from pipeline.results import FlowStep

Audience = Literal["inside", "shared"]
SCRIPTS = ("plotly-basic.min.js", "boot.js", "pictures.js")
# What stands on every picture of a chart, since pictures travel without their page.
NOTES: dict[Audience, str] = {
    "inside": "Inside the practice only. Own records, not a trial: association, not cause.",
    "shared": "Own records of one practice, not a trial: association, not cause.",
}


def render(
    template: str,
    *,
    title: str,
    audience: Audience,
    charts: Sequence[theme.Chart | None] = (),
    cautions: Sequence[str] = (),
    **context: Any,
) -> str:
    """Fill a page template.

    `charts` are those that the template places, in any order; None is skipped. The chart library is left out of a
    page without charts. `audience` decides the banner: `inside` pages hold practice data, `shared` ones only what the
    release gate let through. `cautions` follow the usual ones, which stand on every page.
    """
    drawn = [c for c in charts if c is not None]
    scripts = [asset(name) for name in SCRIPTS] if drawn else []
    html: str = (
        _environment()
        .get_template(template)
        .render(
            title=title,
            audience=audience,
            drawn=[(c.id, Markup(c.json)) for c in drawn],
            scripts=[Markup(s) for s in scripts],
            policy=policy(scripts),
            note=NOTES[audience],
            style=Markup(asset("style.css")),
            all_cautions=list(dict.fromkeys([*terms.CAUTIONS, *cautions])),
            **context,
        )
    )
    return html


def policy(scripts: Sequence[str]) -> str:
    """The content security policy: these scripts by hash, inline style, no connection."""
    allowed = " ".join(f"'sha256-{_hash(s)}'" for s in scripts) or "'none'"
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "connect-src 'none'; base-uri 'none'; form-action 'none'"
    )


@functools.cache
def asset(name: str) -> str:
    """A text file of `assets/`, as it will stand in the page."""
    text = resources.files("dashboards").joinpath("assets", name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


@functools.cache
def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _boxes(steps: Sequence[FlowStep]) -> list[dict[str, str]]:
    """The steps of a flow as text; nothing removed is an empty text."""
    return [
        {
            "left": formats.count(s.left, s.unit.removesuffix("s")),
            "step": s.step,
            "removed": formats.whole(s.removed) if s.removed else "",
            "why": s.why,
        }
        for s in steps
    ]


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("dashboards", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    filters = (
        "whole",
        "count",
        "years",
        "decimal",
        "ratio",
        "day",
        "percent",
        "phrase",
        "failed",
        "in_place",
        "listing",
    )
    environment.filters |= {name: getattr(formats, name) for name in filters}
    environment.filters["boxes"] = _boxes
    environment.globals |= {"spread": formats.spread, "terms": terms, "DASH": formats.DASH}
    return environment
