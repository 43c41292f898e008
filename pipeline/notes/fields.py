"""Which table each field is of, and which of several values of one field and tooth in a note counts."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from pipeline.notes.measures import NoteValue

RATIO = "naocl_ratio"
# Where two values stand, the earlier in the list counts: what says more, or what came of it.
_FIRST_OF: dict[str, tuple[str, ...]] = {
    "separated_instrument": ("removed", "bypassed", "after_cleaning", "before_cleaning"),
    "instrumentation": ("hybrid", "reciprocating", "rotary_single_file", "rotary_sequence", "hand"),
    "pulpal_diagnosis": (
        "symptomatic_irreversible_pulpitis",
        "asymptomatic_irreversible_pulpitis",
        "previously_treated",
        "previously_initiated",
        "irreversible_pulpitis",
    ),
    "apical_diagnosis": (
        "symptomatic_apical_periodontitis",
        "asymptomatic_apical_periodontitis",
        "acute_apical_abscess",
        "chronic_apical_abscess",
        "apical_periodontitis",
    ),
    "pulp_status_at_prep": ("root_filled", "hyperemic", "necrotic", "normal"),
    "irrigant_activation": ("true", "false"),
    "symptomatic": ("true", "false"),
}
# A general word beside the particular one says nothing more.
_GENERAL = {
    "irreversible_pulpitis": ("symptomatic_irreversible_pulpitis", "asymptomatic_irreversible_pulpitis"),
    "apical_periodontitis": ("symptomatic_apical_periodontitis", "asymptomatic_apical_periodontitis"),
    "normal": ("hyperemic",),  # "vital; mild hyperemia"
    "necrotic": ("root_filled",),  # "non-vital, RCT done"
}
_LATEST = frozenset({"pai", "rubber_dam"})
# One of these before another is no contradiction: it is what the list puts first.
_NO_QUARREL = frozenset({"separated_instrument", "instrumentation", "irrigant_activation"})


def settle(values: Sequence[NoteValue]) -> list[NoteValue]:
    """Each field of each tooth once; the unsure value of a field with a sure one is left out."""
    groups: dict[tuple[int | None, str], list[NoteValue]] = {}
    for v in values:
        groups.setdefault((v.tooth, v.field), []).append(v)
    return [found for of_field in groups.values() if (found := _one(of_field)) is not None]


def _one(values: list[NoteValue]) -> NoteValue | None:
    field = values[0].field
    if field == "separated_instrument":
        return _separated(values)
    sure = [v for v in values if v.sure]
    pool = sure or values
    told = {v.value for v in pool}
    told -= {general for general, better in _GENERAL.items() if general in told and told & set(better)}
    pool = [v for v in pool if v.value in told]
    if len(told) == 1:
        return pool[0]
    if field == "crown_in_place":
        return replace(pool[-1], sure=pool[-1].value == "true")  # it came off, and was put back
    if field in ("length_short_of_apex_mm", "visits", "master_apical_size_iso", "canals", "preop_pai"):
        return _heaviest(field, pool)
    if field in _LATEST:
        return pool[-1] if field == "pai" else replace(pool[-1], sure=False)
    if order := _FIRST_OF.get(field):
        best = min(pool, key=lambda v: order.index(v.value) if v.value in order else len(order))
        return best if field in _NO_QUARREL else replace(best, sure=False)
    return replace(pool[-1], sure=False)


_WEIGHT_RULES = ("visits", "apical_size", "pai")


def _heaviest(field: str, pool: list[NoteValue]) -> NoteValue:
    heavy = [v for v in pool if v.rule in _WEIGHT_RULES] or pool
    if len({v.value for v in heavy}) == 1:
        return heavy[0]
    pick: Callable[[Iterable[NoteValue]], NoteValue] = lambda vs: max(vs, key=lambda v: float(v.value or 0))  # noqa: E731
    return replace(pick(heavy), sure=False)


def _separated(values: list[NoteValue]) -> NoteValue | None:
    """What became of a separated file goes before when it did; that one separated, without more, is to be asked."""
    happened = [v for v in values if v.value is None]
    fates = [v for v in values if v.value not in (None, "none")]
    none = [v for v in values if v.value == "none"]
    order = _FIRST_OF["separated_instrument"]
    if none and not happened and {v.value for v in fates} <= {"after_cleaning", "before_cleaning"}:
        return none[0]  # "canals shaped, no file separated": nothing happened that had a time
    if fates:
        best = min(fates, key=lambda v: order.index(v.value or ""))
        return replace(best, sure=best.sure and (bool(happened) or "sep" in best.rule))
    return happened[0]
