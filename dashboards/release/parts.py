"""The told counts of a release, each by a name and with the whole that it is a part of, where one is told.

What releases side by side are watched for: two of them in every part beside its whole, and a series in every count.
"""

import functools
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import fields, is_dataclass

from dashboards.release.count import ReleasedCount
from dashboards.release.healing import STATES
from dashboards.release.rates import CODED, ReleasedRate, ReleasedRates
from dashboards.release.released import Released, from_text
from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_FAILURE, TOOTH_LOSS
from pipeline.release.side_by_side import Part, few_between

OVERALL = "overall"
NAMES = ("id", "title", "by", "outcome", "name", "label", "cause", "arm", "months", "years")


def few_between_texts(releases: Sequence[tuple[str, str]]) -> bool:
    """Whether releases, as they are kept, tell of some but fewer than 11 that came between; the last one is new.

    Each with what it is rounded by. One that cannot be read any more tells nothing.
    """
    told = [(by, parts) for by, text in releases if (parts := _parts_of_text(text)) is not None]
    return bool(told) and bool(few_between(told))


@functools.lru_cache(maxsize=64)
def _parts_of_text(text: str) -> dict[str, Part] | None:
    found = from_text(text)
    return None if found is None else parts_of(found)


def parts_of(released: Released) -> dict[str, Part]:
    """Every told count with its whole, by a name; those that no whole is told of by where they stand."""
    parts = list(_parts(released))
    beside = {id(part) for _, part, _ in parts}
    alone = {name: (count.value, None) for name, count in _counts(released, "") if id(count) not in beside}
    return alone | {name: (part.value, whole.value) for name, part, whole in parts}


def _counts(value: object, place: str) -> Iterator[tuple[str, ReleasedCount]]:
    """The told counts of a value and of all in it, by the fields that lead there and what rows call themselves."""
    if isinstance(value, ReleasedCount):
        if value.value is not None:
            yield place, value
    elif isinstance(value, ReleasedRates):
        for name, row in _named(value):
            yield from _counts(row, f"{place} {name}")
    elif is_dataclass(value):
        for f in fields(value):
            yield from _counts(getattr(value, f.name), f"{place} {f.name}".strip())
    elif isinstance(value, tuple):
        for i, row in enumerate(value):
            yield from _counts(row, f"{place} {_own_name(row, i)}")


def _own_name(row: object, i: int) -> str:
    """What a row calls itself, the same in every release; its place where it has no name."""
    if isinstance(row, tuple):
        return str(row[0])
    named = {f.name for f in fields(row)} if is_dataclass(row) else set()
    return " ".join(str(getattr(row, name)) for name in NAMES if name in named) or str(i)


def _parts(released: Released) -> Iterator[tuple[str, ReleasedCount, ReleasedCount]]:
    wholes = {t.outcome: t.rows[0] for t in released.rates if t.by == OVERALL and len(t.rows) == 1}
    for t in released.rates:
        for row_name, row in _named(t) if t.by != OVERALL and t.outcome in wholes else ():
            name, whole = f"{t.outcome} {t.by} {row_name}", wholes[t.outcome]
            yield f"{name} teeth", row.teeth, whole.teeth
            yield f"{name} failures", row.failures, whole.failures
    lost = {(t.by, r.name): r for t in released.rates if t.outcome == TOOTH_LOSS.rate for r in t.rows}
    for t in released.rates:
        for row_name, row in _named(t) if t.outcome == ENDO_FAILURE.rate else ():
            if (t.by, row.name) in lost:
                yield f"lost {t.by} {row_name}", lost[t.by, row.name].failures, row.failures
    for found in released.losses:
        for cause in found.causes[:-1]:
            yield f"{found.id} {cause.cause}", cause.losses, found.causes[-1].losses
    if (crowns := wholes.get(CROWN_FAILURE.rate)) is not None:
        yield from _of_crowns(released, crowns)
    for one, other in itertools.permutations(released.techniques.answers, 2):
        if (one.title, one.outcome, other.outcome) == (other.title, TOOTH_LOSS.id, ENDO_FAILURE.id):
            failed = {g.label: g.failures for g in other.groups}
            for group in one.groups:
                if group.label in failed:
                    yield f"{one.title} {group.label} lost", group.failures, failed[group.label]
    for line in released.healing[:1]:
        yield from ((f"judged {state}", s.teeth, line.judged) for state, s in zip(STATES, line.states, strict=False))
    for line in released.healing[1:]:
        yield f"judged {line.name}", line.judged, released.healing[0].judged


def _named(table: ReleasedRates) -> list[tuple[str, ReleasedRate]]:
    """The rows by name; letters change from release to release, so whoever has two matches them by how many teeth."""
    if table.by not in CODED:
        return [(row.name, row) for row in table.rows]
    ordered = sorted(table.rows, key=lambda row: row.teeth.value or 0, reverse=True)
    return [(str(i), row) for i, row in enumerate(ordered)]


def _of_crowns(released: Released, crowns: ReleasedRate) -> Iterator[tuple[str, ReleasedCount, ReleasedCount]]:
    for answer in released.techniques.answers:
        for group in answer.groups if answer.outcome == CROWN_FAILURE.id else ():
            name = f"{answer.title} {group.label}"
            yield f"{name} failures", group.failures, crowns.failures
            yield f"{name} teeth", group.teeth, crowns.teeth
    for c in released.comparisons:
        for g in c.groups if c.outcome == CROWN_FAILURE.id else ():
            yield f"{c.id} {g.name} failures", g.failures, crowns.failures
            yield f"{c.id} {g.name} teeth", g.crowns, crowns.teeth
