"""Which analyses the files will allow, and what each of the others lacks; as the comparing stage decides it later."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.practice.outcomes import outcome as outcome_of
from pipeline.practice.tables import INPUT_TABLES
from pipeline.questions import hyperemic, lesion_healing, loss_by_cause, recalls
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.question import FILMS, HEALED, Question, codes_needed, fields_needed, name_of
from pipeline.stages.checks.look import TableLook

_CROWNS = ("crown_placement", "bridge_retainer_crown")
_FILLED = ("endo_initial", "endo_retreatment")


@dataclass(frozen=True)
class Answer:
    """One analysis: `lacks` is empty if it can be answered. `of` names the technique question that it is part of."""

    id: str
    title: str
    lacks: tuple[str, ...]
    of: str = ""


def answers(looks: Mapping[str, TableLook], codes: pl.DataFrame) -> list[Answer]:
    """Every analysis with what it lacks, judged by the rows looked at."""
    events = _events(looks, codes)
    crowns = events & set(_CROWNS)
    crown = () if crowns else ("procedures: crown codes",)
    endo = () if events & set(_FILLED) else ("procedures: root canal codes",)
    material = _has(looks, "crown_details", "material") or _coded_material(looks, codes)
    lesion, reason = _lacks(looks, "endo_details.preop_pai"), _lacks(looks, loss_by_cause.REASON)
    return [
        Answer("crown_longevity_by_endo_timing", "Crowns by timing of the root canal", crown),
        Answer("root_filled_teeth", "Root-filled teeth, with a crown and without", endo),
        Answer(
            "crown_survival_by_provider",
            "Crowns in place by clinician",
            crown + _lacks(looks, "procedures.provider_id"),
        ),
        Answer("crown_survival_by_site", "Crowns in place by clinic", crown + _lacks(looks, "procedures.site_id")),
        Answer(
            "adjustment_for_patient",
            "Adjustment for age and sex",
            _lacks(looks, "patients.sex", "patients.birth_date|birth_year"),
        ),
        Answer("adjustment_for_material", "Adjustment for material", () if material else ("crown_details.material",)),
        Answer(recalls.ID, recalls.TITLE, endo + _recall(looks)),
        Answer(recalls.BY_LESION_ID, recalls.BY_LESION_TITLE, endo + _recall(looks) + lesion),
        Answer(lesion_healing.ID, lesion_healing.TITLE, lesion or endo),
        Answer(loss_by_cause.OF_ENDO, loss_by_cause.TITLES[loss_by_cause.OF_ENDO], endo + reason),
        Answer(loss_by_cause.OF_CROWNS, loss_by_cause.TITLES[loss_by_cause.OF_CROWNS], crown + reason),
        Answer(hyperemic.ID, hyperemic.TITLE, crown + _hyperemic(looks)),
        *_techniques(looks, events, crown=crown, endo=endo, material=material),
    ]


def known_codes(looks: Mapping[str, TableLook], codes: pl.DataFrame) -> tuple[float, list[tuple[str, int]]]:
    """Share of the rows looked at whose code is known, and the unknown codes with their rows, the commonest first."""
    rows = looks["procedures"].rows
    counts = rows.group_by("code").agg(pl.len().alias("n"))
    unknown = counts.join(codes, on="code", how="anti").sort(["n", "code"], descending=[True, False])
    share = 1 - int(unknown["n"].sum()) / rows.height if rows.height else 0.0
    return share, list(unknown.iter_rows())


def _events(looks: Mapping[str, TableLook], codes: pl.DataFrame) -> set[str]:
    if "procedures" not in looks:
        return set()
    done = looks["procedures"].rows.filter(pl.col("status") == "completed")
    return set(done.join(codes, on="code", how="inner")["event"])


def _coded_material(looks: Mapping[str, TableLook], codes: pl.DataFrame) -> bool:
    if "procedures" not in looks:
        return False
    of_crowns = codes.filter(pl.col("event").is_in(_CROWNS), pl.col("detail").is_not_null())
    return looks["procedures"].rows.join(of_crowns, on="code", how="semi").height > 0


def _hyperemic(looks: Mapping[str, TableLook]) -> tuple[str, ...]:
    """As in `questions.hyperemic`: some crown was prepared on a hyperemic pulp."""
    need = "crown_details.pulp_status_at_prep"
    if "crown_details" not in looks:
        return (need,)
    return () if (looks["crown_details"].rows["pulp_status_at_prep"] == "hyperemic").any() else (need,)


def _recall(looks: Mapping[str, TableLook]) -> tuple[str, ...]:
    """As in `questions.recalls`: films with a PAI, and a note on symptoms for some of them."""
    if not _has(looks, "findings", "pai"):
        return ("findings.pai",)
    films = looks["findings"].rows.filter(pl.col("pai").is_not_null())
    return () if films["symptomatic"].count() else ("findings.symptomatic",)


def _techniques(
    looks: Mapping[str, TableLook], events: set[str], *, crown: tuple[str, ...], endo: tuple[str, ...], material: bool
) -> list[Answer]:
    """Every technique question on each of its outcomes; whether its groups are large enough, only a run can tell."""
    films = FILMS if _recall(looks) else ()
    found = []
    for question in all_questions():
        codes = (codes_needed(question),) if (crown if question.unit == "crown" else endo) else ()
        for outcome in question.outcomes:
            lacks = codes or (
                (films if outcome == HEALED else ()) + _groups_lack(question, looks, events, material=material)
            )
            found.append(Answer(name_of(question, outcome), outcome_of(outcome).event, lacks, of=question.title))
    return found


def _groups_lack(
    question: Question, looks: Mapping[str, TableLook], events: set[str], *, material: bool
) -> tuple[str, ...]:
    """The fields of the groups that are nowhere filled in; what linking makes, or codes say, is never lacking."""
    if not events.isdisjoint(question.events) or ("crown_details.material" in question.needs and material):
        return ()
    stored = [need for need in question.needs if need.partition(".")[0] in INPUT_TABLES]
    return _lacks(looks, *stored) or (() if stored else fields_needed(question) if question.events else ())


def _lacks(looks: Mapping[str, TableLook], *needs: str) -> tuple[str, ...]:
    found = []
    for need in needs:
        table, fields = need.split(".")
        if not any(_has(looks, table, f) for f in fields.split("|")):
            found.append(need.replace("|", " or "))
    return tuple(found)


def _has(looks: Mapping[str, TableLook], table: str, field: str) -> bool:
    return table in looks and looks[table].rows[field].count() > 0
