"""The page of crowns word for word, as `known_page.txt` has it, with each figure of it as R and plain counts have it.

A change of words changes that file; a figure in it stands as the name of what it is.
"""

from __future__ import annotations

import datetime as dt
import math
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import known_practice

WORDS = Path(__file__).with_name("known_page.txt")
YEARS = 365.25
HORIZON = 1826
ROOT_CANALS = set(known_practice.ROOT_CANAL.values())
_BLOCKS = {"p", "h1", "h2", "h3", "li", "summary", "caption", "div", "section", "dt", "dd"}
_APART = {"script", "style", "svg", "nav", "td", "th", "button", "noscript"}  # tables are held by themselves


class _Told(HTMLParser):
    """The texts of what a page says, and what it says of its pictures to those who cannot see them."""

    def __init__(self) -> None:
        super().__init__()
        self.texts, self.inside, self.apart = [""], False, 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside |= tag == "main"
        self.apart += tag in _APART
        if tag in _BLOCKS:
            self.texts.append("")
        elif tag == "strong":
            self.texts[-1] += " "
        if self.inside and ("role", "img") in attrs:
            self.texts += [dict(attrs)["aria-label"] or "", ""]

    def handle_endtag(self, tag: str) -> None:
        self.inside &= tag != "main"
        self.apart -= tag in _APART
        if tag in _BLOCKS:
            self.texts.append("")

    def handle_data(self, data: str) -> None:
        if self.inside and not self.apart:
            self.texts[-1] += data


def told(page: str) -> list[str]:
    """What a page says, a text for each paragraph, heading and picture, up to the words that it explains."""
    reader = _Told()
    reader.feed(page.partition(">Words used on this page<")[0])
    return [text for text in (" ".join(text.split()) for text in reader.texts) if " " in text]


def wanted(theirs: dict[str, Any], files: known_practice.Files, tipping: tuple[float, float]) -> list[str]:
    """What the page must say; `tipping` is what those lost must have done, whose judges are `tests/stats`."""
    figures = _figures(theirs, files) | {"tipping": _of(extra=f"{tipping[0]:.0f}", ratio=f"{tipping[1]:.1f}")}
    return [line.format_map(figures) for line in WORDS.read_text(encoding="utf-8").splitlines()]


def in_short(theirs: dict[str, Any], files: known_practice.Files) -> str:
    """What the first page says of the main comparison beside the answers to other questions."""
    return (
        "Opening a crown, or treating before? Differs in these records "
        "Of 100 opened, {d.much} more failed than treated before ({d.low} to {d.high})."
    ).format_map(_figures(theirs, files))


def lost(survival: float) -> int:
    """Whole crowns of 100, halves of those in place going up."""
    return 100 - math.floor(100 * survival + 0.5)


def _of(**figures: object) -> SimpleNamespace:
    return SimpleNamespace(**figures)


def _figures(theirs: dict[str, Any], files: known_practice.Files) -> dict[str, Any]:
    main, within = theirs["main"], theirs["within"]
    d, crude, honesty = main["difference"], main["crude_difference"], main["honesty"]
    naive, gaps = dict(main["naive"]["survival"]), honesty["balance"].values()
    years = [abs(12 * value) for value in theirs["changing"]["mean_years"]]
    told = {g["name"].partition("_")[0]: _group(g) for g in main["groups"]}
    return told | {
        "d": _of(months=round(d["from_days"] * 12 / YEARS), **_apart(d)),
        "crude": _of(**_apart(crude)),
        "least": round(honesty["detectable_per_100"]),
        "adjusted": [_of(**_ratio(e)) for e in main["estimates"] if e["adjusted_for"]],
        "crudely": [_of(**_ratio(e)) for e in main["estimates"] if not e["adjusted_for"]],
        "naive": _of(before=lost(naive["before_seat"]), through=lost(naive["through_crown"]), **_ratio(main["naive"])),
        "mean": _of(
            span=f"{5 - d['from_days'] / YEARS:.1f}",
            **dict(zip(("shorter", "most", "least"), (f"{value:.1f}" for value in years), strict=True)),
        ),
        "within": _of(patients=within["patients"], **_ratio(within, digits=1)),
        "apart": sum(gap > 0.1 for (gap,) in gaps),
        "balance": {name: f"{gap:.2f}" for name, (gap,) in honesty["balance"].items()},
        "unseen": _of(value=f"{honesty['e_value']:.1f}", limit=f"{honesty['e_value_limit']:.1f}"),
        "flow": [*main["flow"]["left"], main["flow"]["removed"][1]],
        "missing": main["missing"],
        "away": _of(**_lost_from_sight(files, d["from_days"])),
        "records": _records(files),
    }


def _group(g: dict[str, Any]) -> SimpleNamespace:
    points = [dict(zip(g["milestones"], row, strict=True)) for row in zip(*g["milestones"].values(), strict=True)]
    at = next(p for p in points if p["years"] == 5)
    return _of(
        lost=lost(at["survival"]),
        kept=100 - lost(at["survival"]),
        low=lost(at["ci_high"]),
        high=lost(at["ci_low"]),
        crowns=g["crowns"],
        entered=max(p["entered"] for p in points),
        starts=f"{g['starts_at_days'] / YEARS:.1f}",
        stops=f"{g['stops_at_days'] / YEARS:.1f}",
    )


def _apart(d: dict[str, Any]) -> dict[str, int]:
    return {"much": round(d["per_100"]), "low": round(d["ci_low"]), "high": round(d["ci_high"])}


def _ratio(e: dict[str, Any], *, digits: int = 2) -> dict[str, str]:
    names = {"value": "hazard_ratio", "low": "ci_low", "high": "ci_high"}
    return {name: f"{e[of]:.{digits}f}" for name, of in names.items()}


def _lost_from_sight(files: known_practice.Files, from_days: int) -> dict[str, int]:
    """Crowns of patients who neither died nor came in the last 18 months, last seen before the five years were over."""
    dead = {row["Patient"] for row in files.patients if row["Died"]}
    counts = {"before_seat": 0, "through_crown": 0}
    for c in files.crowns:
        stayed = c["failure"] == "true" or c["patient_id"] in dead or c["access_date"] == c["exit_date"]
        day = (c["exit_date"] - c["seat_date"]).days
        if c["endo_timing"] in counts and not stayed and (known_practice.CUTOFF - c["exit_date"]).days > 548:
            counts[c["endo_timing"]] += from_days < day < HORIZON
    return {name.partition("_")[0]: n for name, n in counts.items()}


def _records(files: known_practice.Files) -> SimpleNamespace:
    """When they begin, how many rows and patients there are, and root canals: two visits within 40 days are of one."""
    days = {row["Ref"]: dt.datetime.strptime(row["Day"], "%d/%m/%Y").date() for row in files.ledger if row["Day"]}  # noqa: DTZ007
    first = min(days.values())
    here = [row for row in files.ledger if row["State"] == "C" and row["Procedure"] in ROOT_CANALS]
    visits = {(row["Patient"], row["Tooth"], days[row["Ref"]]) for row in here}
    begun = [
        (who, tooth, day)
        for who, tooth, day in visits
        if not any((who, tooth, day - dt.timedelta(n)) in visits for n in range(1, 41))
    ]
    return _of(
        first=f"{first.day} {first:%B %Y}",
        rows=f"{len(files.ledger):,}",
        patients=len({row["Patient"] for row in files.ledger}),
        root_canals=len(begun),
    )


def spells(files: known_practice.Files) -> dict[str, list[tuple[str, int, int, bool]]]:
    """By group each crown while it was in it: its patient, the days since the seat from and to, whether it failed."""
    found: dict[str, list[tuple[str, int, int, bool]]] = {"before_seat": [], "vital": [], "through_crown": []}
    for c in files.crowns:
        days, failed = (c["exit_date"] - c["seat_date"]).days, c["failure"] == "true"
        opened = (c["access_date"] - c["seat_date"]).days if c["access_date"] else None
        if opened is not None:
            found["vital"].append((c["patient_id"], 0, opened, False))
            found["through_crown"].append((c["patient_id"], opened, days, failed))
        elif c["endo_timing"]:
            found[c["endo_timing"]].append((c["patient_id"], 0, days, failed))
    return {name: [row for row in rows if row[1] < row[2]] for name, rows in found.items()}


def shares(files: known_practice.Files) -> dict[str, dict[str, float]]:
    """By group the share of its crowns on each kind of tooth and of each material."""
    return {name: _shares_of(name, files.crowns) for name in ("before_seat", "through_crown")}


def _shares_of(name: str, crowns: list[dict[str, Any]]) -> dict[str, float]:
    of = [c for c in crowns if c["endo_timing"] == name and c["access_date"] != c["exit_date"]]
    told = [f"{key}_{c[key] or 'unknown'}" for c in of for key in ("tooth_group", "material")]
    return {key: told.count(key) / len(of) for key in told}
