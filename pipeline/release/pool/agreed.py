"""What practices must have in common before their figures may be pooled: form, rules and words."""

import re
from collections.abc import Mapping

from pipeline.release import disclosure

# The form of the file, and what is meant by crown, failure, follow-up and group. A change in either makes files
# of the former kind outdated.
SCHEMA = 2
DEFINITIONS = 4
KIND = "toothyears contribution"
NOTE = "Rounded counts and ratios of groups of teeth. Nothing in this file is about a person."

TOOTH_GROUPS = ("anterior", "premolar", "molar")
# Settings that decide what is counted and how it is judged.
RULES = (
    "reversal_days", "course_gap_days", "course_pair_days", "crown_repost_days", "crown_pair_days", "lab_days",
    "recement_days", "crown_date", "horizon_years", "smallest_difference_per_100", "min_failures", "confidence",
)  # fmt: skip
CROWN_DATES = ("seat", "prep")
COVARIATES = (
    *disclosure.COVARIATES, "first treatment or repeat", "age at the start", "year of the start",
    "root canal before the seat", "lesion before treatment", "first treatment or retreatment", "crown at the start",
    "grinding or clenching",
)  # fmt: skip
MODELS = ("cox_time_varying", "cox", "cox_time_varying_crown", "cox_landmark", "cox_by_technique")
_NUMBER = re.compile(r"-?\d{1,8}(\.\d{1,4})?")


def agreed_rules(rules: Mapping[str, str], analysis: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """The settings that must agree, by name; one that is neither a number nor a known word is left out."""
    given = {**rules, **analysis}
    return tuple((name, given[name]) for name in RULES if sayable_rule(name, given.get(name)))


def sayable_rule(name: str, value: object) -> bool:
    """True for a rule of ours whose value is a number or a known word, so that no text of a practice leaves."""
    if name not in RULES or not isinstance(value, str):
        return False
    return value in CROWN_DATES if name == "crown_date" else _NUMBER.fullmatch(value) is not None


def sayable_covariates(given: tuple[str, ...]) -> tuple[str, ...]:
    """Characteristics by their known names, any other ones together as one."""
    return disclosure.sayable_covariates(given, COVARIATES)
