"""All techniques on one forest: absolute differences with their ranges and the verdict in a word, by question.

It is a table whose rows hold a drawing each, so that labels are never cut, every row is a link to its question, and it
prints, reads aloud and fits a telephone.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from dashboards import terms
from dashboards.downloads import Sheet, data_address
from dashboards.formats import lower_first, whole
from dashboards.pages.technique import address, contrast_says, why_open
from dashboards.pages.technique_tables import HEALED, OUTCOME, code_of, contrast_label
from dashboards.words import answers as words_answers
from dashboards.words.answers import has_range
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast

FURTHEST = 30.0  # of 100; what runs further is cut at the edge, and its figures say so
ROOM = 0.4  # ticks stand from the middle to this part of the way to the outermost
# The first outcome of each kind of tooth stands on the open forest, the others on closed ones.
FIRST = ("crown_failure", "tooth_loss")
OTHERS = ("endo_failure", HEALED)


@dataclass(frozen=True)
class Line:
    """One comparison: where its dot and range lie, in percent of the width; no dot without a range to show."""

    label: str
    hover: str
    code: str
    shape: str
    far: str
    why: str
    mid: float | None = None
    low: float = 0.0
    high: float = 0.0


@dataclass(frozen=True)
class Group:
    """The comparisons of one question."""

    title: str
    against: str
    link: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Forest:
    """A forest as the template draws it; positions are percent of the width."""

    id: str
    caption: str
    groups: tuple[Group, ...]
    ticks: tuple[tuple[float, str], ...]
    zone: tuple[float, float]
    data_address: str


def forests(answers: Sequence[TechniqueAnswer], *, smallest: float) -> list[Forest]:
    """The forest of first outcomes, then one for each other outcome that was compared; `smallest` is of 100."""
    kinds: list[tuple[str, str, tuple[str, ...]]] = [("forest", "Crowns that failed and teeth lost", FIRST)]
    kinds += [(f"forest-{o.replace('_', '-')}", _said(o), (o,)) for o in OTHERS]
    made = [
        _forest(id, caption, [a for a in answers if a.outcome in of and a.contrasts], smallest)
        for id, caption, of in kinds
    ]
    return [f for f in made if f.groups]


def _said(outcome: str) -> str:
    return "Not healed at recall" if outcome == HEALED else OUTCOME[outcome]


def _forest(id: str, caption: str, answers: Sequence[TechniqueAnswer], smallest: float) -> Forest:
    ends = [abs(v) for a in answers for c in a.contrasts if has_range(c)
            for v in (c.difference_ci_low, c.difference_ci_high) if v is not None]  # fmt: skip
    reach = min(FURTHEST, 5.0 * (max([*ends, smallest]) // 5 + 1))
    step = 5 if reach <= 15 else 10
    last = reach // step * step  # the outermost ticks have words beside them, which need the room of the next ones
    marks = [t for t in range(-int(last), int(last) + 1, step) if abs(t) == last or abs(t) <= ROOM * last]
    ticks = tuple((_at(float(t), reach), _tick(t, reach - step)) for t in marks)
    by_question = groupby(answers, key=lambda a: (a.question, a.outcome))
    groups = tuple(_group(list(found), reach, smallest) for _, found in by_question)
    rows = [
        (
            a.title,
            words_answers.pair(a, c),
            *((c.difference_per_100, c.difference_ci_low, c.difference_ci_high) if has_range(c) else (None,) * 3),
            terms.verdict(code_of(a, c)),
        )
        for a in answers
        for c in a.contrasts
    ]
    sheet = Sheet(("question", "compared", "more of 100", "low", "high", "verdict"), tuple(rows))
    zone = (_at(-smallest, reach), _at(smallest, reach) - _at(-smallest, reach))
    return Forest(id, caption, groups, ticks, zone, data_address(sheet))


def _group(answers: Sequence[TechniqueAnswer], reach: float, smallest: float) -> Group:
    (a,) = answers
    labels = {g.name: g.label for g in a.groups}
    title = a.title.rsplit(": ", 1)[0]
    lines = tuple(_line(a, c, labels, reach, smallest) for c in a.contrasts)
    return Group(title, lower_first(labels[a.reference]), f"#{address(a.question)}", lines)


def _within(c: TechniqueContrast, smallest: float) -> bool:
    """Whether the whole range is too small to matter: still open, such a line must say why."""
    low, high = c.difference_ci_low, c.difference_ci_high
    return low is not None and high is not None and -smallest <= round(low) and round(high) <= smallest


def _far(c: TechniqueContrast, smallest: float) -> str:
    """The range in whole teeth; an end that rounds to what matters in tenths, so that one sees on which side it is."""
    told = words_answers.contrast_range(c)
    for end, near in _ends_near(c, smallest):
        if near:
            told = told.replace(words_answers.more(round(end)), f"{abs(end):.1f} {'more' if end > 0 else 'fewer'}")
    return told


def _ends_near(c: TechniqueContrast, smallest: float) -> list[tuple[float, bool]]:
    """Each end of a range that holds zero, and whether it rounds to the difference that matters; else nothing."""
    low, high = c.difference_ci_low, c.difference_ci_high
    if not has_range(c) or low is None or high is None or not low < 0 < high:
        return []
    return [(end, round(abs(end)) == smallest) for end in (low, high)]


def _edge(c: TechniqueContrast, smallest: float) -> str:
    """That a verdict hangs on a hair: an end of the range lies just inside what would matter, or just beyond."""
    ends = _ends_near(c, smallest)
    farthest = max((abs(end) for end, _ in ends), default=0.0)
    if not any(near for _, near in ends) or round(farthest) != smallest:
        return ""
    return f"just {'inside' if farthest <= smallest else 'beyond'} the {smallest:g} that would matter"


def _line(a: TechniqueAnswer, c: TechniqueContrast, labels: dict[str, str], reach: float, smallest: float) -> Line:
    teeth = sum(g.teeth for g in a.groups if g.name in (c.group, c.reference))
    line = Line(
        label=contrast_label(a, c, labels),
        hover=f"{contrast_says(a, c)} {whole(teeth)} teeth followed.",
        code=code_of(a, c),
        shape=terms.shape(code_of(a, c)),
        far=_far(c, smallest) or "too few failures",
        why=(why_open(a, c) if words_answers.leaves_zero_out(c) or _within(c, smallest) else "")
        or (_edge(c, smallest) if code_of(a, c) == c.verdict else ""),
    )
    mid, low, high = c.difference_per_100, c.difference_ci_low, c.difference_ci_high
    if not has_range(c) or mid is None or low is None or high is None:
        return line
    places = (_at(v, reach) for v in (mid, low, high))
    return Line(line.label, line.hover, line.code, line.shape, line.far, line.why, *places)


def _at(value: float, reach: float) -> float:
    """Where a difference lies, in percent of the width; what runs past an edge lies at it."""
    return round(50 + 50 * max(-reach, min(reach, value)) / reach, 2)


def _tick(value: int, inner: float) -> str:
    """A number; the outermost say which side is which."""
    side = f" {'more' if value > 0 else 'fewer'}" if abs(value) > inner else ""
    return f"{abs(value)}{side}"
