"""A practice as stored tables, in which one technique question at a time has an effect and all others have none.

One crown and one root canal a patient, drawn independently of one another; the planted group fails `HAZARD_RATIO` times
as fast as any other, by whatever outcome the question has. Every other technique is drawn at random.
"""

import datetime as dt

import numpy as np
import polars as pl

from pipeline.practice.tables import (
    CROWN_DETAILS,
    CROWNS,
    ENDO_COURSES,
    ENDO_DETAILS,
    FINDINGS,
    PATIENTS,
    TOOTH_FOLLOWUP,
)
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.question import Question
from pipeline.transforms.coded_details import CODED_SCHEMA

HAZARD_RATIO = 2.5
BEGIN, DAYS = dt.date(2012, 1, 1), 12 * 365
QUESTIONS = all_questions()
CODED_EVENTS = {
    "crown_lengthening": "crown_lengthening",
    "perforation_repair": "perforation_repair",
    "film_3d": "radiograph_3d",
}
TABLES = {t.name: t for t in (CROWN_DETAILS, CROWNS, ENDO_COURSES, ENDO_DETAILS, FINDINGS, PATIENTS, TOOTH_FOLLOWUP)}
# Questions asked among the teeth of one group of another question of the same field.
WITHIN = {"single_file_motion": "instrumentation", "separated_when": "separated_instrument"}
# The contrast that a person would ask, where it is not the last of its question.
PLANTED = {"instrumentation": "single_file", "separated_instrument": "left"}
WORDS = {"core": ["amalgam", "composite"], "post": ["fibre", "none"], "cement": ["glass ionomer", "resin"]}
# A value inside each band, and beyond every edge.
INSIDE = {
    "apical_size": [20, 30, 45, 60],
    "ferrule": [0.5, 1.5, 3.0],
    "filling_length": [-0.5, 0.3, 0.8, 1.5, 3.0],
    "irrigant_strength": [0.5, 2.5, 5.25, 6.0],
    "patient_age": [30.0, 50.0, 70.0],
    "visits": [1, 2],
}


def groups_of(question: Question) -> list[str]:
    """Names of the groups, in order."""
    return [*(x.name for x in question.levels), *(x.name for x in question.bands)] or WORDS[question.id]


def planted_group(question: Question) -> str:
    """The group asked about: the last that is not the reference, unless another is named."""
    if question.id in PLANTED:
        return PLANTED[question.id]
    names = groups_of(question)
    return [n for n in names if n != (question.reference or names[0])][-1]


def practice(planted: str, *, n: int, seed: int) -> tuple[dict[str, pl.DataFrame], pl.DataFrame, np.ndarray]:
    """Stored tables, the group of each question of each patient, and the chance of each tooth not to be healed."""
    rng = np.random.default_rng(seed)
    place = {}
    for question in (q for q in QUESTIONS if q.id not in WITHIN):
        names = groups_of(question)
        # Words as recorded have the commonest as their reference.
        share = np.array([1.5 if i == 0 else 1.0 for i in range(len(names))])
        place[question.id] = rng.choice(len(names), n, p=share / share.sum())
    asked = {q.id: q for q in QUESTIONS}
    chosen = pl.DataFrame({id: np.array(groups_of(asked[id]))[at] for id, at in place.items()})
    value = {id: values_of(asked[id], at) for id, at in place.items()}
    for id, of in WITHIN.items():
        code = {w: level.name for level in asked[id].levels for w in level.words}
        words = pl.Series(id, value[of], dtype=pl.String)
        chosen = chosen.with_columns(words.replace_strict(code, default=None, return_dtype=pl.String))
    mine = (chosen[planted] == planted_group(asked[planted])).fill_null(False)
    ratio = np.where(mine.to_numpy(), HAZARD_RATIO, 1.0)
    tables = tables_of(rng, n, value, ratio)
    odds = 0.35 * ratio
    unhealed = odds / (1 + odds)
    films = tables["endo_courses"].select("patient_id", "tooth_fdi", exam_date=pl.col("completed").dt.offset_by("500d"))
    films = films.with_columns(pai=pl.Series(np.where(rng.random(n) < unhealed, 4, 1)), symptomatic=pl.lit(False))
    tables["findings"] = filled("findings", films)
    return tables, chosen, unhealed


def values_of(question: Question, place: np.ndarray) -> np.ndarray:
    """What is recorded of teeth in the groups at these places."""
    if question.bands:
        return np.array(INSIDE[question.id])[place]
    if not question.levels:
        return np.array(WORDS[question.id])[place]
    if question.levels[0].words[0] in {"true", "false"}:
        return np.array([level.words[0] == "true" for level in question.levels])[place]
    # The words of a group take turns among its teeth.
    turn = np.zeros(len(place), dtype=int)
    for i in range(len(question.levels)):
        turn[place == i] = np.arange((place == i).sum())
    return np.array(
        [question.levels[p].words[t % len(question.levels[p].words)] for p, t in zip(place, turn, strict=True)]
    )


def tables_of(
    rng: np.random.Generator,
    n: int,
    value: dict[str, np.ndarray],
    ratio: np.ndarray,
    *,
    patient: np.ndarray | None = None,
    clinician: np.ndarray | None = None,
    timing: bool = False,
) -> dict[str, pl.DataFrame]:
    """`n` crowns and root canals on as many teeth, each failing `ratio` times as fast as usual.

    `patient` numbers the patients from 0, ascending, at most 16 teeth each; by default one tooth each. With `timing`,
    every fourth crown is on a root-filled tooth and every fifth of the others is opened one day; without, every second
    is, and none is opened.
    """
    patient = np.arange(n) if patient is None else patient
    clinician = np.arange(n) % 5 if clinician is None else clinician
    start = rng.integers(0, DAYS - 1000, n)
    until = np.minimum(DAYS - start, 600 + rng.exponential(3000, n).astype(int))
    rate = 0.03 / 365.25 * ratio
    crown, lost, again = (rng.exponential(1 / r, n).astype(int) + 1 for r in (rate, rate, rate / 2))
    first = np.searchsorted(patient, patient)  # the first row of each row's patient
    born = start[first] - (np.asarray(value["patient_age"], dtype=float)[first] * 365.25).astype(int)
    plain = {
        "patient_id": [f"p{i:05d}" for i in patient],
        "tooth_fdi": np.array([18 - i if i < 8 else 13 + i for i in np.arange(n) - first]),
        "tooth_group": rng.choice(["anterior", "premolar", "molar"], n),
        "provider_id": [f"c{i}" for i in clinician],
    }
    people = {"patient_id": plain["patient_id"], "birth_date": _dates(born), "sex": rng.choice(["female", "male"], n)}
    people["bruxism"] = value["bruxism"]
    patients = pl.DataFrame(people).unique("patient_id", keep="first", maintain_order=True)
    opened = rng.integers(30, 3000, n)
    filled_before = np.arange(n) % (4 if timing else 2) == 0
    is_opened = timing & ~filled_before & (np.arange(n) % 5 == 0) & (opened < np.minimum(crown, until))
    label = np.select([filled_before, is_opened], ["before_seat", "through_crown"], "vital")
    crowns = pl.DataFrame(
        {
            **plain, "crown_id": _names("k", n), "seat_date": _dates(start), "entry_date": _dates(start),
            "exit_date": _dates(start + np.minimum(crown, until)), "failure": crown <= until, "endo_timing": label,
            "access_date": _dates(start + opened).set(pl.Series(~is_opened), None), "exit_reason": "last_contact",
            "material": value["material"], "margin": value["margin"], "pulp_status_at_prep": value["pulp_status"],
        }
    )  # fmt: skip
    older = value["crown_number"] == "later"  # a crown from elsewhere was there before
    seen = crowns.filter(older).with_columns(
        crown_id=pl.lit("old") + pl.col("crown_id"), seat_date=pl.lit(None, pl.Date),
        entry_date=pl.col("entry_date").dt.offset_by("-200d"), exit_date="entry_date", failure=pl.lit(False),
        endo_timing=pl.lit("vital"), access_date=pl.lit(None, pl.Date),
    )  # fmt: skip
    end = np.minimum(np.minimum(lost, again), until)
    # No further treatment before the film, so that the films seen are not chosen by it.
    courses = pl.DataFrame(
        {
            **plain, "course_id": _names("e", n), "started": _dates(start - 10), "completed": _dates(start),
            "visits": value["visits"], "kind": value["endo_kind"], "crown_at_start": "none",
            "exit_date": _dates(start + end), "failure": np.minimum(lost, again) <= until,
        }
    )  # fmt: skip
    teeth = pl.DataFrame(
        {
            **plain, "followed_to": _dates(start + np.minimum(lost, until)), "end_reason": "last_contact",
            "extracted": pl.Series(_dates(start + lost)).set(pl.Series(lost > until), None),
        }
    )  # fmt: skip
    details = pl.DataFrame(
        {
            **plain, "service_date": _dates(start), "preop_pai": np.where(value["preop_lesion"] == "yes", 4, 1),
            "length_short_of_apex_mm": value["filling_length"], "master_apical_size_iso": value["apical_size"],
            "instrumentation": value["instrumentation"], "naocl_percent": value["irrigant_strength"],
            "irrigant_activation": value["irrigant_activation"], "obturation": value["filling_method"],
            "sealer": value["sealer"], "orifice_seal": value["orifice_seal"],
            "separated_instrument": value["separated_instrument"], "rubber_dam": value["rubber_dam"],
        }
    )  # fmt: skip
    made = pl.DataFrame(
        {
            **plain, "seat_date": _dates(start), "core": value["core"], "post": value["post"],
            "ferrule_mm": value["ferrule"], "cement": value["cement"],
        }
    )  # fmt: skip
    return {
        "crowns": filled("crowns", pl.concat([crowns, seen])), "endo_courses": filled("endo_courses", courses),
        "tooth_followup": filled("tooth_followup", teeth), "patients": filled("patients", patients),
        "endo_details": filled("endo_details", details), "crown_details": filled("crown_details", made),
        "coded_rows": _coded(plain, start, value),
    }  # fmt: skip


def _coded(plain: dict[str, object], start: np.ndarray, value: dict[str, np.ndarray]) -> pl.DataFrame:
    """A coded row for each tooth that had one, a month before the seat and the end of the course."""
    teeth = pl.DataFrame({"patient_id": plain["patient_id"], "tooth_fdi": plain["tooth_fdi"]})
    teeth = teeth.with_columns(service_date=_dates(start - 30), detail=pl.lit(None, pl.String))
    rows = [teeth.filter(value[id]).with_columns(event=pl.lit(event)) for id, event in CODED_EVENTS.items()]
    return pl.concat(rows).select(pl.col(name).cast(kind) for name, kind in CODED_SCHEMA.items())


def filled(table: str, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows with all columns of a declared table, null where nothing is given."""
    kinds = {name: column.dtype for name, column in TABLES[table].columns.items()}
    rows = rows.with_columns(
        supernumerary=pl.lit(False), done_elsewhere=pl.lit(False), load_id=pl.lit(1), row_number=pl.int_range(pl.len())
    )
    return rows.select(
        pl.col(name).cast(kind) if name in rows.columns else pl.lit(None, kind).alias(name)
        for name, kind in kinds.items()
    )


def _names(letter: str, n: int) -> list[str]:
    return [f"{letter}{i:05d}" for i in range(n)]


def _dates(day: np.ndarray) -> pl.Series:
    return pl.Series(np.asarray(day).astype(np.int32) + (BEGIN - dt.date(1970, 1, 1)).days).cast(pl.Int32).cast(pl.Date)
