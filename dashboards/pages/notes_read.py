"""What chart notes gave and how right they are read: a block of the data-quality page. No words of a note are on it."""

from __future__ import annotations

from typing import Any

from dashboards.formats import count, percent, whole
from dashboards.tables import NumberTable
from pipeline.results import Results
from pipeline.results.notes import FieldRead, NotesRead

CAUTION = (
    "The notes of the sample were drawn so that every field is among them, so fields that are seldom told are in it "
    "more often than in the charts. The ranges are those of a share whose teeth of one patient may be alike."
)


def notes_block(results: Results) -> dict[str, Any]:
    """What `notes_read.html.j2` shows; empty where the practice has no notes."""
    notes = results.quality.notes
    if notes is None:
        return {}
    return {"said": sentences(notes), "table": table(notes), "moved": moved(notes), "rule": CAUTION}


def sentences(n: NotesRead) -> tuple[str, ...]:
    """How much was read, what became of it, and whether anybody has checked it."""
    said = [
        f"{count(n.values, 'value')} were read from chart notes, {whole(n.sure)} of them sure. {whole(n.used)} fill a "
        f"field that was not recorded, {whole(n.agree)} say what is recorded, {whole(n.differ)} say something else: "
        f"there what is recorded counts. {whole(n.open)} wait for an answer on the worksheet."
    ]
    if n.checked:
        said.append(f"{count(n.checked, 'note')} of the sample were held against the charts, by field as below.")
    else:
        said.append(
            "Nobody has held the notes against the charts yet: the worksheet has a sheet for it, with a sample. "
            "Until then it is not known how far they can be trusted."
        )
    return tuple(said)


def table(n: NotesRead) -> NumberTable:
    """By field, of what was read the share that is so and of what the chart says the share that was read."""
    rows = tuple(
        (
            f"{f.table}.{f.field}",
            _share(f.right, f.read),
            _range(f.predictive_low, f.predictive_high),
            _share(f.right, f.there),
            _range(f.sensitivity_low, f.sensitivity_high),
        )
        for f in n.fields
    )
    heads = ("Field", "Of what was read, right", "Range", "Of what the chart says, read", "Its range")
    return NumberTable("Chart notes as read, against the charts", heads, rows)


def moved(n: NotesRead) -> NumberTable:
    """Each technique comparison as counted, and as errors of the size found would have it."""
    rows = tuple(
        (
            f"{c.title}: {c.group} against {c.reference}",
            f"{c.counted:.2f}",
            "the errors do not fit the counts" if c.moved is None else f"{c.moved:.2f}",
            "" if c.moved_low is None or c.moved_high is None else f"{c.moved_low:.2f} to {c.moved_high:.2f}",
            f"{c.sensitivity:.0%}, {c.specificity:.0%}",
        )
        for c in n.contrasts
    )
    heads = ("Comparison", "Odds ratio of failure, as read", "Without misreading", "Range", "Sensitivity, specificity")
    return NumberTable("How misread notes would move the technique comparisons", heads, rows)


def _share(right: int, of: int) -> str:
    return f"{whole(right)} of {whole(of)} ({percent(right, of)})" if of else "none"


def _range(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{100 * low:.0f} to {100 * high:.0f}%"


__all__ = ["FieldRead", "notes_block"]
