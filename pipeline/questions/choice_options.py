"""The choices that a ledger leaves open, the ways to make each, and the words for them.

Each choice is declared once, in `CHOICES`: its options, what each changes in linking (fields of `LinkRules`) or in
counting, and whether it is crossed with all others or changed by itself. The first option of each is that of the rules
in force, but for the date of a crown, which the practice tells.

Following to the last day of the data takes patients who went elsewhere for patients without failures; stopping at the
last contact takes a visit for a failure as a reason to have been seen. Neither is right; the truth lies between.
"""

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.transforms.rules import LinkRules

LAB_DAYS = (14, 21, 28)
USUAL_LAB_DAYS = 21
SEAT = "posted at the seat"
STRICT, WIDE = "replacement, removal or loss", "also the first recement or repair"
CONTACT, ACTIVE, CUTOFF = "last contact", "last day of the data, if seen lately", "last day of the data"
ADJUSTED, CRUDE = "adjusted", "not adjusted"
COUNTED, LEFT_OUT = "counted", "left out"
SINGLE, RETAINERS = "single crowns", "retainers of bridges too"
BEFORE, THROUGH = "done before the seat", "done through the crown"
UNDATED_WORDS = {BEFORE: "as done before the seat", THROUGH: "as done through the crown"}
FAILED, GIVEN_UP, PLANNED = "opened, and failed", "given up at the opening", "left at the opening, if planned before"

Options = dict[str, list[str]]
Key = tuple[str, ...]


@dataclass(frozen=True)
class Option:
    """One way to make a choice: what it changes in linking, a sentence where it leans, whether it is tried alone."""

    link: Mapping[str, Any] = field(default_factory=dict)
    leans: str = ""
    alone: bool = False


@dataclass(frozen=True)
class ChoiceOf:
    """One choice: its options by name, words that finish "first agree ...", whether it is crossed with others."""

    meaning: str
    options: Mapping[str, Option]
    crossed: bool


CHOICES: dict[str, ChoiceOf] = {
    "opened_and_renewed": ChoiceOf(
        "what a crown is that was opened and renewed soon after",
        {
            FAILED: Option(),
            GIVEN_UP: Option(
                {"renewed_given_up": True},
                "To count a crown that was renewed soon after its opening as given up at the opening uses what came "
                "later: failures soon after an opening vanish, which leans towards no harm of an opening.",
            ),
            PLANNED: Option(
                {"planned_ends": True},
                "To end follow-up at the opening where a new crown had been planned shortly before uses only what was "
                "known that day.",
            ),
        },
        crossed=True,
    ),
    "crown_date": ChoiceOf(
        "what the posted date of a crown without a recorded seat means",
        {SEAT: Option({"posted_at_prep": False})},  # the others hang on the rules: `choices_under`
        crossed=True,
    ),
    "failure": ChoiceOf("whether a recement or repair is a failure", {STRICT: Option(), WIDE: Option()}, crossed=True),
    "end_of_followup": ChoiceOf(
        "how long a patient who was not seen again is followed",
        {CONTACT: Option(), ACTIVE: Option({"followed": "active"}, alone=True), CUTOFF: Option({"followed": "cutoff"})},
        crossed=True,
    ),
    "adjustment": ChoiceOf(
        "whether to adjust for what is recorded", {ADJUSTED: Option(), CRUDE: Option()}, crossed=True
    ),
    "uncertain_order": ChoiceOf(
        "whether to count crowns whose order of root canal and seat is uncertain",
        {COUNTED: Option(), LEFT_OUT: Option()},
        crossed=True,
    ),
    "undated_root_canal": ChoiceOf(
        "what a crown is whose root canal was done elsewhere on an unknown day",
        {
            "in neither group": Option(),
            BEFORE: Option({"undated_endo": "before_seat"}),
            THROUGH: Option({"undated_endo": "through_crown"}),
        },
        crossed=False,
    ),
    "hinted_opening": ChoiceOf(
        "whether a filling on a crown with no root canal near it was an opening",
        {"no opening": Option(), "an opening elsewhere": Option({"hints_open": True})},
        crossed=False,
    ),
    "lost_tooth": ChoiceOf(
        "when a tooth was lost of which only its absence is on record",
        {
            "lost in the middle": Option(),
            "lost at the first sign": Option({"losses": "first_sign"}),
            "loss not counted": Option({"losses": "not_counted"}),
        },
        crossed=False,
    ),
    "reopened_crown": ChoiceOf(
        "how long a crown is followed that is opened again, its root canal done before the seat",
        {
            "followed on": Option(),
            "to the reopening": Option(
                {"reopening_ends": True},
                "To end follow-up at a retreatment through the crown leaves out what such an opening does to crowns "
                "with a root canal before the seat, which leans towards harm of an opening.",
            ),
        },
        crossed=False,
    ),
    "kind_of_crown": ChoiceOf("which crowns to count", {SINGLE: Option(), RETAINERS: Option()}, crossed=False),
    "paired_postings": ChoiceOf(
        "whether a row without a fee belongs to the row with one before it",
        {"one treatment": Option(), "apart": Option({"crown_pair_days": 0, "course_pair_days": 0})},
        crossed=False,
    ),
    "after_last_contact": ChoiceOf(
        "whether failures elsewhere after the last contact count",
        {"not counted": Option(), "failures elsewhere counted": Option({"count_after_last_contact": True})},
        crossed=False,
    ),
}
MEANINGS = {name: choice.meaning for name, choice in CHOICES.items()}


def choices_under(rules: LinkRules) -> dict[str, ChoiceOf]:
    """Every choice with its options, that of the date of a crown with the days at the lab; those in force are added."""
    lab = sorted({*LAB_DAYS, *([rules.lab_days] if rules.posted_at_prep else [])})
    prepared = {
        prepared_text(n): Option({"posted_at_prep": True, "lab_days": n}, alone=n != USUAL_LAB_DAYS) for n in lab
    }
    date = CHOICES["crown_date"]
    return CHOICES | {"crown_date": replace(date, options={**date.options, **prepared})}


def offered_options(rules: LinkRules) -> Options:
    """Every option of every choice."""
    return {name: list(choice.options) for name, choice in choices_under(rules).items()}


def main_options(rules: LinkRules) -> dict[str, str]:
    """The combination that the rules in force stand for."""
    first = {name: next(iter(choice.options)) for name, choice in CHOICES.items()}
    return first | {"crown_date": prepared_text(rules.lab_days) if rules.posted_at_prep else SEAT}


def combinations(options: Options, main: Mapping[str, str]) -> Iterator[Key]:
    """Every combination of crossed options, then each other option by itself; each once, keys as in `options`."""
    crossed = {name: [v for v in values if v == main[name] or _is_crossed(name, v)] for name, values in options.items()}
    yield from itertools.product(*crossed.values())
    for name, values in options.items():
        for value in values:
            if value not in crossed[name]:
                yield tuple({**main, name: value}[other] for other in options)


def _is_crossed(name: str, option: str) -> bool:
    usual = choices_under(LinkRules())[name]
    return usual.crossed and option in usual.options and not usual.options[option].alone


def link_changes(rules: LinkRules, taken: Mapping[str, str]) -> LinkRules:
    """The rules of linking under a combination."""
    offered = choices_under(rules)
    changes: dict[str, Any] = {}
    for name, option in taken.items():
        changes |= offered[name].options[option].link
    return replace(rules, **changes)


def leans(options: Options) -> tuple[str, ...]:
    """What to say of the options that use what came later, or lean one way."""
    said = (CHOICES[name].options.get(value, Option()).leans for name, values in options.items() for value in values)
    return tuple(sentence for sentence in said if sentence)


def prepared_text(lab_days: int) -> str:
    """An option of `crown_date`."""
    return f"posted at preparation, seated {lab_days} days later"
