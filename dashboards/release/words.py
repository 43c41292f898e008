"""The only words that shared pages and slides use for what results name: a closed list, in our own words.

No text of a results object passes the gate: an identifier that stands here is said in the words that stand here, and
one that does not stays inside. A new question is shared once it has its words here.
"""

import re
from collections.abc import Iterable
from dataclasses import fields

from dashboards import terms
from dashboards.formats import phrase, sentence_case
from pipeline.practice import settings, tables
from pipeline.practice.outcomes import is_outcome
from pipeline.questions.question import COMPARISONS
from pipeline.release.disclosure import sayable_covariates

# Identifier of a comparison: its title and its question.
QUESTIONS = {q.id: (q.title, q.question) for q in COMPARISONS} | {
    "endo_survival_by_obturation": (
        "How the canals were filled",
        "Do teeth last longer after one way of filling the canals than after another?",
    )
}
LABELS = {name: label for q in COMPARISONS for name, label in (q.shared_labels or q.labels).items()}
# Labels that hold a number of days set by a rule; nothing else of such a label passes.
WITH_DAYS = {
    "crowned_soon": re.compile(r"A crown within \d{1,3} days"),
    "crowned_later": re.compile(r"A crown after \d{1,3} to \d{1,3} days"),
    "not_yet_crowned": re.compile(r"No crown by day \d{1,3}"),
}
# What the setting `root_canals_elsewhere` means for a reader of shared pages.
ELSEWHERE = {
    "none": "The practice says that root canals of its patients are done there only, so none is taken to be missing.",
    "some": "Some root canals of these patients are done by others, so some crowns shown as vital may be opened ones.",
    "most": "Most root canals of these patients are done by others, so many crowns shown as vital may be opened ones.",
    "unknown": "Whether others do root canals of these patients is not known, so some crowns shown as vital may be "
    "opened ones.",
}
TECHNIQUES = frozenset(
    (
        *tables.INSTRUMENTATIONS,
        *tables.OBTURATIONS,
        *tables.SEALERS,
        *tables.ORIFICE_SEALS,
        *tables.SEPARATED_INSTRUMENTS,
        *tables.MATERIALS,
        *tables.MARGINS,
        *tables.PULP_STATUSES,
        *tables.TOOTH_GROUPS,
    )
)
NOT_RUN = {
    "crown_longevity_by_endo_timing": "Crowns by timing of the root canal",
    "crown_survival_by_provider": "Crowns in place by clinician",
    "crown_survival_by_site": "Crowns in place by clinic",
    "adjustment_for_patient": "Adjustment for age and sex",
    "adjustment_for_material": "Adjustment for material",
    "radiographic_success": "Healing at recall",
    "healing_by_lesion": "Healing with and without a lesion before treatment",
    "endo_tooth_loss_by_cause": "What root-filled teeth are lost to",
    "crowned_tooth_loss_by_cause": "What crowned teeth are lost to",
    "hyperemic_before_seat_or_wait": "The decision on a hyperemic tooth",
    "endo_success_at_recall": "Healed at recall",
    "endo_survival_by_obturation": "How the canals were filled",
    "crown_longevity_by_margin": "Margin of the crown",
}
RULES = frozenset(f.name for f in fields(settings.Rules) if f.name != "data_cutoff") | {"soon_days"}
ANALYSIS = frozenset(f.name for f in fields(settings.Analysis))
VERSIONS = frozenset(
    ("python", "toothyears", "polars", "duckdb", "numpy", "scipy", "lifelines", "plotly", "python-pptx")
)
FLOW = frozenset(
    (
        "Crowns on permanent teeth",
        "Single crowns of the practice on permanent teeth",
        "Order of root canal and seat known",
        "Seat date known",
        "Crowns with a known seat date",
        "Crowns on root-filled teeth",
        "Courses of root canal treatment",
        "Completed",
        "First completed course of its tooth",
        "No crown when it began",
    )
)
_NUMBER = re.compile(r"-?\d{1,8}(\.\d{1,4})?")
_VERSION = re.compile(r"\d{1,4}(\.\d{1,4}){1,3}")
_FIELDS = frozenset(
    f"{table.name}.{c}" for table in vars(tables).values() if isinstance(table, tables.Table) for c in table.columns
)


def known_question(id: str, groups: Iterable[str], outcome: str, clock: str) -> bool:
    """True where a comparison, its groups, outcome and clock can all be said in words of ours."""
    sayable = all(g in LABELS or g in TECHNIQUES for g in groups)
    return id in QUESTIONS and sayable and is_outcome(outcome) and clock in terms.CLOCKS


def label(name: str, given: str) -> str:
    """The words for a group; of the label that the results give, only numbers of days that a rule sets."""
    pattern = WITH_DAYS.get(name)
    if pattern is not None and pattern.fullmatch(given):
        return given
    return LABELS.get(name) or sentence_case(phrase(name))


def covariates(given: Iterable[str]) -> tuple[str, ...]:
    """Characteristics by their known names; any other ones together as one."""
    return sayable_covariates(given)


def needs(given: Iterable[str]) -> tuple[str, ...]:
    """Fields of the declared tables by name; any other one as `a field that is not recorded`."""
    said = (n if all(p in _FIELDS for p in _parts(n)) else "a field that is not recorded" for n in given)
    return tuple(dict.fromkeys(said))


def numbers(given: dict[str, str], names: frozenset[str]) -> tuple[tuple[str, str], ...]:
    """The settings of known names whose values are numbers."""
    return tuple((k, v) for k, v in sorted(given.items()) if k in names and _NUMBER.fullmatch(v))


def versions(given: dict[str, str]) -> tuple[tuple[str, str], ...]:
    """The versions of known programs."""
    return tuple((k, v) for k, v in sorted(given.items()) if k in VERSIONS and _VERSION.fullmatch(v))


def _parts(need: str) -> list[str]:
    """`patients.birth_date or birth_year` as two fields of one table."""
    first, *others = need.split(" or ")
    return [first, *(f"{first.partition('.')[0]}.{o}" for o in others)]
