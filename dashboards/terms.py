"""The words for outcomes, clocks, models and verdicts that results name by identifiers."""

import re
from collections.abc import Iterable

from dashboards.formats import listing, lower_first, phrase, plural, sentence_case
from pipeline.practice.outcomes import CROWN_FAILURE
from pipeline.practice.outcomes import outcome as declared
from pipeline.practice.tables import INPUT_TABLES
from pipeline.results import cautions
from pipeline.results.safety import UNMEASURED

outcome = declared
CLOCKS = {
    "since_seat": "the crown was seated",
    "since_opening_or_seat": "the crown was opened, or seated on a treated tooth",
    "since_opening": "the crown was opened",
    "since_access": "the crown was opened",
    "since_completion": "the root canal was finished",
    "since_endo": "the root canal was finished",
    "since_landmark": "the landmark day",
}
MODELS = {
    "cox_time_varying": "Cox model; a crown changes group on the day it is opened",
    "cox_penalised": "Cox model with Firth's penalty, as one group has no failure; a crown changes group when opened",
    "cox": "Cox model",
    "cox_time_varying_crown": "Cox model; a tooth changes group on the day of its crown",
    "cox_landmark": "Cox model from the landmark day on",
}
# From where a count by label starts, and why it misleads.
BY_LABEL = {
    "since_completion": (
        "the end of the root canal",
        "A tooth can only be crowned while it is still there{reason}. Counted from the end of the root canal, the time "
        "before the crown is free of loss for every such tooth, and flatters the group. So each tooth counts as "
        "crowned only from the day of its crown.",
    )
}
SEATED = (
    "the seat",
    "A crown can only be opened while it is still in place{reason}. Counted from the seat, the years before the "
    "opening are free of failure for every such crown, and flatter the group. So each crown counts as opened only "
    "from the day it was opened.",
)
# Of a verdict: its name, what a heading says of a question that no difference answers, and the shape of its frame: what
# may be told, what is too small to matter and what is open look different.
_VERDICTS = (
    ("too_early", "Too early to compare", "it is too early to compare", "early"),
    ("little_difference", "Little difference", "little difference", "alike"),
    ("differs", "Differs in these records", "", "apart"),
    ("cannot_tell", "Cannot tell yet", "not known yet", "unsettled"),
    ("depends_on_how_we_count", "Depends on how we count", "it depends on how we count", "either"),
)
VERDICTS = {code: name for code, name, _, _ in _VERDICTS}
TAILS = {code: tail for code, _, tail, _ in _VERDICTS if tail}
SHAPES = {code: shape for code, _, _, shape in _VERDICTS}
NOT_SHOWN = "Too few to be shown"
# What is said of one rate on the owner's sheet, against another time or a published one, and how far it is to be
# trusted: the word, and the shape of its frame.
OF_A_RATE = {
    "better": ("Better", "apart"),
    "same": (VERDICTS["little_difference"], "alike"),
    "worse": ("Worse", "apart"),
    "within": ("Within the usual", "either"),
    "one_source": ("Only one source", "early"),
    "firm": ("Firm", "apart"),
    "fair": ("Fair", "either"),
    "thin": ("Thin", "early"),
}
# Why a comparison of technique is open for good, or stands out, where its range alone would not have it open.
OF_A_TECHNIQUE = {
    "stands_out": ("Unconfirmed", "either"),
    "one_way": ("Not separable", "early"),
    "unmeasured": ("Risks not recorded", "early"),
}
SHORT = OF_A_RATE | OF_A_TECHNIQUE
BY = {
    "overall": "Overall",
    "year": "By year",
    "tooth_group": "By tooth group",
    "site_id": "By clinic",
    "provider_id": "By clinician",
}
CAUTIONS = cautions.CAUTIONS


def happened(identifier: str, n: int = 2) -> str:
    """What befell so many teeth of an outcome: `failed`, `were lost`, `needed further treatment`."""
    bad = outcome(identifier).bad
    return f"{plural(abs(n), 'was')} {bad}" if bad == "lost" else bad


def had_happened(identifier: str) -> str:
    """The same of a time before: `had failed`, `had been lost`."""
    bad = outcome(identifier).bad
    return f"had been {bad}" if bad == "lost" else f"had {bad}"


def clock(identifier: str) -> str:
    """What the years of a comparison are counted from."""
    return CLOCKS.get(identifier, phrase(identifier.removeprefix("since_")))


def label_start(identifier: str) -> str:
    """From where a count by label starts: `the seat`."""
    return BY_LABEL.get(identifier, SEATED)[0]


def label_fault(identifier: str, why: str) -> str:
    """Why a count by label misleads, in words that need no figures; `why` names the bias."""
    return BY_LABEL.get(identifier, SEATED)[1].format(reason=f" ({why})" if why else "")


def is_crown(identifier: str) -> bool:
    """True where an outcome is one of crowns, not of root-filled teeth."""
    return outcome(identifier) is CROWN_FAILURE


def model(identifier: str) -> str:
    """A model in words."""
    return MODELS.get(identifier, sentence_case(phrase(identifier)))


def field(table: str, name: str) -> str:
    """What a field of a file is: `Kind of sealer`."""
    of = INPUT_TABLES.get(table)
    column = of.columns.get(name) if of is not None else None
    return re.split(r"[,.;:]", column.about)[0] if column is not None else sentence_case(phrase(name))


def field_of_table(table: str, name: str) -> str:
    """What a field of a file is, and of which table: `Kind of sealer (endo details)`."""
    return f"{field(table, name)} ({phrase(table)})"


def verdict(code: str, *, shared: bool = False) -> str:
    """The short name of a verdict; on what is shared, too few is too few to be shown, whatever is known inside."""
    if shared and code == "too_early":
        return NOT_SHOWN
    return SHORT[code][0] if code in SHORT else VERDICTS.get(code, sentence_case(phrase(code)))


def shape(code: str) -> str:
    """The shape in which a verdict is framed: that of an open question where it is not known."""
    return SHORT[code][1] if code in SHORT else SHAPES.get(code, "unsettled")


def is_open(code: str) -> bool:
    """Whether nothing is claimed by a verdict: its mark is hollow, on pages and slides."""
    return shape(code) not in {"apart", "alike"}


def by(identifier: str) -> str:
    """The heading of a table by one characteristic."""
    return BY.get(identifier, f"By {phrase(identifier)}")


def contrast(text: str, labels: dict[str, str]) -> str:
    """`a vs b` with the groups' labels in place of their names; the second begins small."""
    first, *rest = [labels.get(part, phrase(part)) for part in text.split(" vs ")]
    return " against ".join([first, *map(lower_first, rest)])


def safety_sentence(titles: Iterable[str]) -> str:
    """What the records do not measure of the questions on measures of safety, by title; empty where there is none."""
    named = sorted({lower_first(title.rpartition(": ")[2]) for title in titles})
    return f"Of {listing(named, 'and')}: {lower_first(UNMEASURED)}" if named else ""
