"""What chart notes gave and how right they are read: a block of the data-quality page. No words of a note are on it."""

import math
from typing import Any

from dashboards.formats import count, percent, ratio, whole
from dashboards.tables import NumberTable, table_of
from pipeline.results import Results
from pipeline.results.notes import MisreadContrast, NotesRead
from pipeline.results.technique import TechniqueAnswer

SAME = math.log(1.05)  # ratios closer than this are told as the same
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
    return table_of("Chart notes as read, against the charts", n.fields, {
        "Field": lambda f: f"{f.table}.{f.field}",
        "Of what was read, right": lambda f: _share(f.right, f.read),
        "Range": lambda f: _range(f.predictive_low, f.predictive_high),
        "Of what the chart says, read": lambda f: _share(f.right, f.there),
        "Its range": lambda f: _range(f.sensitivity_low, f.sensitivity_high),
    })  # fmt: skip


def moved(n: NotesRead) -> NumberTable:
    """Each technique comparison as counted, and as errors of the size found would have it."""
    return table_of("How misread notes would move the technique comparisons", n.contrasts, {
        "Comparison": lambda c: f"{c.title}: {c.group} against {c.reference}",
        "Odds ratio of failure, as read": lambda c: f"{c.counted:.2f}",
        "Without misreading": lambda c: "the errors do not fit the counts" if c.moved is None else f"{c.moved:.2f}",
        "Range": lambda c: ""
        if c.moved_low is None or c.moved_high is None
        else f"{c.moved_low:.2f} to {c.moved_high:.2f}",
        "Sensitivity, specificity": lambda c: f"{percent_of(c.sensitivity)}, {percent_of(c.specificity)}",
    })  # fmt: skip


def moves(notes: NotesRead | None, a: TechniqueAnswer) -> tuple[str, ...]:
    """What the errors that the check of the notes found would make of an answer's comparisons, a sentence each."""
    if notes is None:
        return ()
    return tuple(_moves(c) for c in notes.contrasts if c.title == a.title and c.outcome == a.outcome)


def unchecked(notes: NotesRead | None) -> str:
    """That notes tell of technique and nobody has held them against the charts; empty where somebody has."""
    if notes is None or notes.checked or not notes.used:
        return ""
    return (
        f"{count(notes.used, 'value')} of technique were read from chart notes that nobody has held against the "
        "charts: how far misreading moves these comparisons is not known until the worksheet’s check is filled in."
    )


def _moves(c: MisreadContrast) -> str:
    read = f"{percent_of(c.sensitivity)} of {c.group} and {percent_of(c.specificity)} of {c.reference} read right"
    told = f"{c.group} against {c.reference}, if notes are misread as the check found ({read})"
    if c.moved is None or c.moved_low is None or c.moved_high is None:
        return f"{told}: such errors do not fit these counts; the check may be too small."
    far, near = abs(math.log(c.moved)), abs(math.log(c.counted))
    if (c.moved > 1) != (c.counted > 1):
        much = "would point the other way"
    elif math.isclose(far, near, abs_tol=SAME):
        much = "would stay about the same"
    else:
        much = "would be larger" if far > near else "would be smaller"
    return (
        f"{told}: the difference {much}, an odds ratio of failure of {ratio(c.moved)} ({ratio(c.moved_low)} to "
        f"{ratio(c.moved_high)}) where {ratio(c.counted)} was counted."
    )


def percent_of(share: float) -> str:
    """A share between 0 and 1 in whole percent."""
    return f"{100 * share:.0f}%"


def _share(right: int, of: int) -> str:
    return f"{whole(right)} of {whole(of)} ({percent(right, of)})" if of else "none"


def _range(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{100 * low:.0f} to {100 * high:.0f}%"
