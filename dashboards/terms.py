"""The words for outcomes, clocks, models and verdicts that results name by identifiers."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards.formats import phrase, sentence_case


@dataclass(frozen=True)
class Outcome:
    """How an outcome is said: what is counted, how it did well or badly, what dates it."""

    noun: str
    many: str  # the noun in the plural, with what tells it from other teeth
    good: str  # of n teeth, so many ...
    bad: str
    year: str
    definition: str


CROWN = Outcome(
    "crown",
    "crowns",
    "still in place",
    "failed",
    "Year the crown was seated",
    "A crown fails when it is replaced, removed, or lost with its tooth. A recement or repair is not a failure.",
)
TOOTH = Outcome(
    "tooth",
    "teeth with a root canal",
    "still in place",
    "lost",
    "Year the root canal was finished",
    "A tooth is lost when it is extracted.",
)
ENDO = Outcome(
    "root canal",
    "root canals",
    "without further treatment",
    "needed further treatment",
    "Year the root canal was finished",
    "Further treatment is a retreatment, surgery at the root, or extraction of the tooth.",
)
OUTCOMES = {
    "crown_survival": CROWN,
    "crown_failure": CROWN,
    "tooth_survival_after_endo": TOOTH,
    "tooth_loss": TOOTH,
    "extraction": TOOTH,
    "endo_free_of_intervention": ENDO,
    "endo_failure": ENDO,
    "endo_tooth_survival": TOOTH,
}
CLOCKS = {
    "since_seat": "the crown was seated",
    "since_opening_or_seat": "the crown was opened, or seated on a treated tooth",
    "since_opening": "the crown was opened",
    "since_access": "the crown was opened",
    "since_completion": "the root canal was finished",
    "since_endo": "the root canal was finished",
}
MODELS = {
    "cox_time_varying": "Cox model; a crown changes group on the day it is opened",
    "cox": "Cox model",
}
VERDICTS = {
    "too_early": "Too early to compare",
    "little_difference": "Little difference",
    "differs": "Differs in these records",
    "cannot_tell": "Cannot tell yet",
    "depends_on_how_we_count": "Depends on how we count",
}
BY = {
    "overall": "Overall",
    "year": "By year",
    "tooth_group": "By tooth group",
    "site_id": "By clinic",
    "provider_id": "By clinician",
}
CAUTIONS = (
    "These figures describe one practice's own records. They show association, not cause: teeth were not assigned "
    "to treatments by chance.",
    "They are no advice for any one patient. Follow local standards, licensed judgement and privacy law.",
    "Patients who stop coming are followed only to their last visit; what became of their teeth later is not known.",
)


def outcome(identifier: str) -> Outcome:
    """The words of an outcome; teeth and failures where it is not known."""
    return OUTCOMES.get(
        identifier, Outcome("tooth", "teeth", "without failure", "failed", "Year", f"Outcome: {phrase(identifier)}.")
    )


def clock(identifier: str) -> str:
    """What the years of a comparison are counted from."""
    return CLOCKS.get(identifier, phrase(identifier.removeprefix("since_")))


def model(identifier: str) -> str:
    """A model in words."""
    return MODELS.get(identifier, sentence_case(phrase(identifier)))


def verdict(code: str) -> str:
    """The short name of a verdict."""
    return VERDICTS.get(code, sentence_case(phrase(code)))


def by(identifier: str) -> str:
    """The heading of a table by one characteristic."""
    return BY.get(identifier, f"By {phrase(identifier)}")


def contrast(text: str, labels: dict[str, str]) -> str:
    """`a vs b` with the groups' labels in place of their names."""
    return " against ".join(labels.get(part, phrase(part)) for part in text.split(" vs "))
