"""Published figures beside ours, only where event, clock and censoring agree; else the reasons why not.

`pipeline/data/benchmarks.csv` holds each figure as it was printed (`source_` columns) and, typed by us, what was
counted, from when, and what was done about those lost from sight. A figure that was not seen in its source is never set
beside ours, nor one of only some kinds of teeth: a difference would then be one of definitions, not of dentistry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import polars as pl

from pipeline.questions.crown_rows import was_followed
from pipeline.questions.success_rates import endo_spells
from pipeline.results_monitoring import Benchmark
from pipeline.stats.kaplan_meier import Curve, kaplan_meier
from pipeline.tables import Column, Table

DAYS_PER_YEAR = 365.25
MEASURES = ("share_free", "share_with", "ratio", "time", "other")
EVENTS = (
    "tooth_lost", "endo_intervention", "endo_or_tooth_lost", "crown_lost", "crown_intervention", "crown_defect",
    "any_intervention", "retreatment", "apical_surgery", "fracture", "periapical_or_clinical", "pulp_death",
    "endo_needed", "not_stated", "other",
)  # fmt: skip
CLOCKS = ("endo_completion", "crown_seat", "access_repair", "other", "not_stated")
CENSORING = ("kaplan_meier", "crude", "pooled", "model", "minimum_followup", "not_stated")
TEETH = ("all_endo", "initial_endo", "crowned_after_endo", "all_crowns", "accessed_crowns", "subset")


def _words(about: str, words: tuple[str, ...]) -> Column:
    return Column(pl.String(), about, nullable=False, words=words)


def _source(about: str, *, nullable: bool = True) -> Column:
    return Column(pl.String(), f"As printed or noted: {about}", nullable=nullable)


BENCHMARKS = Table(
    name="benchmarks",
    one_row_per="published figure",
    key=("benchmark_id",),
    columns={
        "benchmark_id": Column(pl.String(), "Figure.", nullable=False),
        "event": _words("What was counted.", EVENTS),
        "clock": _words("From when.", CLOCKS),
        "censoring": _words("What was done about teeth lost from sight.", CENSORING),
        "teeth": _words("Which teeth: all of a kind, or only some.", TEETH),
        "measure": _words("Share free of the event or with it, or no share at all.", MEASURES),
        "years": Column(pl.Float64(), "Years since the clock's start; null where no one time is given."),
        "figure": Column(pl.Float64(), "The figure; per 100 for shares; null where it is no number."),
        "figure_low": Column(pl.Float64(), "Lower limit, if printed."),
        "figure_high": Column(pl.Float64(), "Upper limit, if printed."),
        "verified": Column(pl.Boolean(), "True if the figure was seen in a source, false if from memory.", False),
        "source_outcome": _source("outcome.", nullable=False),
        "source_population": _source("whose teeth.", nullable=False),
        "source_tooth_type": _source("kinds of teeth."),
        "source_timing_years": _source("time."),
        "source_estimate": _source("figure."),
        "source_unit": _source("unit."),
        "source_ci_low": _source("lower limit."),
        "source_ci_high": _source("upper limit."),
        "source_n": _source("number of teeth."),
        "source_citation": _source("citation.", nullable=False),
        "source_definition_of_outcome": _source("definition of the outcome."),
        "source_where": _source("where it was seen.", nullable=False),
        "source_note": _source("remarks."),
    },
)


@dataclass(frozen=True)
class Own:
    """One outcome of ours, with what it must share with a published one."""

    event: str
    clock: str
    teeth: str
    definition: str
    spells: Callable[[], pl.DataFrame]


def read_benchmarks() -> pl.DataFrame:
    """The shipped table, checked against its declaration."""
    with files("pipeline").joinpath("data", "benchmarks.csv").open("rb") as stream:
        return BENCHMARKS.check(pl.read_csv(stream.read(), schema=BENCHMARKS.schema))


def compare_published(
    table: pl.DataFrame,
    crowns: pl.DataFrame,
    courses: pl.DataFrame,
    teeth: pl.DataFrame,
    *,
    min_at_risk: int,
    confidence: float = 0.95,
) -> tuple[Benchmark, ...]:
    """Every published figure, in the table's order, with ours beside it where the two can be compared."""
    outcomes = own_outcomes(crowns, courses, teeth)
    curve_of = cache(lambda own: _curve(own.spells(), confidence))
    return tuple(_one(row, outcomes, curve_of, min_at_risk) for row in table.sort("benchmark_id").iter_rows(named=True))


def own_outcomes(crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame) -> tuple[Own, ...]:
    """What these records can set beside published figures; all by Kaplan-Meier, censored at the last contact."""
    return (
        Own(
            "endo_intervention", "endo_completion", "all_endo",
            "First retreatment, surgery at the root, resection or extraction, since the root canal was finished.",
            lambda: endo_spells(courses, teeth, outcome="free_of_intervention"),
        ),
        Own(
            "tooth_lost", "endo_completion", "all_endo",
            "Extraction, since the root canal was finished.",
            lambda: endo_spells(courses, teeth, outcome="tooth_survival"),
        ),
        Own(
            "endo_intervention", "crown_seat", "crowned_after_endo",
            "First retreatment, surgery at the root, resection or extraction, since the seat of a crown made after the "
            "root canal.",
            lambda: _since_crown(crowns, courses),
        ),
        Own(
            "endo_or_tooth_lost", "crown_seat", "all_crowns",
            "First root canal, retreatment, surgery at the root or extraction, since the seat of the crown.",
            lambda: _endo_or_lost(crowns, courses, teeth),
        ),
    )  # fmt: skip


def reasons_against(row: dict[str, object], own: Own | None) -> tuple[str, ...]:
    """Why a published figure cannot be set beside one of ours; empty where it can.

    `own` is our outcome with the same event and clock, None where there is none. The rules, in order: it is a share at
    one time; the event agrees; the clock agrees; teeth lost from sight were handled by Kaplan-Meier, as ours are; it is
    of all teeth of the kind; it was seen in its source.
    """
    if row["measure"] not in ("share_free", "share_with") or row["figure"] is None:
        return ("no share of teeth at a stated time",)
    out = []
    if row["event"] == "not_stated":
        out.append("what counted as failure is not stated")
    elif own is None and row["event"] not in ("endo_intervention", "tooth_lost", "endo_or_tooth_lost"):
        out.append("counts another event than we do")
    elif own is None:
        out.append("counts from another day than we do, or does not say from when")
    if row["censoring"] != "kaplan_meier":
        out.append(CENSORED[str(row["censoring"])])
    if own is not None and row["teeth"] != own.teeth:
        out.append("only some kinds of teeth or patients")
    if row["years"] is None:
        out.append("no one time after the start")
    if not row["verified"]:
        out.append("from memory, not seen in its source")
    return tuple(out)


CENSORED = {
    "crude": "a crude share: teeth lost from sight count as if followed",
    "pooled": "pooled over studies that count in different ways",
    "model": "predicted by a model, not followed",
    "minimum_followup": "only teeth followed for some years were counted",
    "not_stated": "does not say what became of teeth lost from sight",
}


def _one(
    row: dict[str, object],
    outcomes: tuple[Own, ...],
    curve_of: Callable[[Own], Curve | None],
    min_at_risk: int,
) -> Benchmark:
    own = next((o for o in outcomes if (o.event, o.clock) == (row["event"], row["clock"])), None)
    reasons = reasons_against(row, own)
    found, curve = None, None
    if own is not None and not reasons:
        curve = curve_of(own)
        found = _at(curve, float(str(row["years"])), min_at_risk)
        if found is None:
            reasons = (f"fewer than {min_at_risk} of our teeth are followed that long",)
    share = [_share(row, name) for name in ("figure", "figure_low", "figure_high")]
    if row["measure"] == "share_with":
        share = [share[0], share[2], share[1]]
    text = {name: str(value or "") for name, value in row.items()}
    years = row["years"]
    assert years is None or isinstance(years, float)
    return Benchmark(
        outcome=text["source_outcome"],
        population=text["source_population"],
        teeth=text["source_tooth_type"],
        timing=text["source_timing_years"],
        figure=f"{text['source_estimate']} {text['source_unit']}".strip(),
        citation=text["source_citation"],
        definition=text["source_definition_of_outcome"],
        note=text["source_note"],
        verified=bool(row["verified"]),
        event=text["event"],
        clock=text["clock"],
        censoring=text["censoring"],
        years=years,
        published=share[0],
        published_low=share[1],
        published_high=share[2],
        comparable=not reasons,
        reasons=reasons,
        our_definition=own.definition if own is not None and found else "",
        our_teeth=curve.n_rows if curve is not None and found else None,
        ours=found[0] if found else None,
        ours_low=found[1] if found else None,
        ours_high=found[2] if found else None,
    )


def _share(row: dict[str, object], name: str) -> float | None:
    """The share free of the event, whichever way it was printed."""
    value = row[name]
    if row["measure"] not in ("share_free", "share_with") or not isinstance(value, float):
        return None
    return (100 - value) / 100 if row["measure"] == "share_with" else value / 100


def _curve(spells: pl.DataFrame, confidence: float) -> Curve | None:
    """The Kaplan-Meier curve of one of our outcomes, by patient; None without a tooth."""
    if spells.is_empty():
        return None
    return kaplan_meier(
        spells["exit_days"], spells["event"].cast(pl.Int64), cluster=spells["patient_id"], confidence=confidence
    )


def _at(curve: Curve | None, years: float, min_at_risk: int) -> tuple[float, float | None, float | None] | None:
    day = round(years * DAYS_PER_YEAR)
    if curve is None or int(curve.exit_rows[curve.time >= day].sum()) < min_at_risk:
        return None
    at = curve.at([day])
    ends = (float(at.low[0]), float(at.high[0]))
    return (float(at.survival[0]), *((None, None) if np.isnan(ends).any() else ends))


def _from_seat(crowns: pl.DataFrame) -> pl.DataFrame:
    return crowns.filter(pl.col("entry_date") <= pl.col("seat_date")).select(
        "crown_id", "patient_id", "tooth_fdi", "seat_date", "endo_timing", "course_id", entry_days=pl.lit(0)
    )


def _since_crown(crowns: pl.DataFrame, courses: pl.DataFrame) -> pl.DataFrame:
    """Crowns made after a root canal done here, since their seat, to the failure of that root canal."""
    ends = courses.filter(pl.col("completed").is_not_null()).select("course_id", "exit_date", event="failure")
    return (
        _from_seat(crowns)
        .filter(pl.col("endo_timing") == "before_seat")
        .join(ends, on="course_id", how="inner", maintain_order="left")
        .with_columns(exit_days=(pl.col("exit_date") - pl.col("seat_date")).dt.total_days())
        .filter(pl.col("exit_days") >= 0, was_followed())
    )


def _endo_or_lost(crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame) -> pl.DataFrame:
    """Crowns since their seat, to the first root canal, retreatment, surgery or extraction after it."""
    key = ["patient_id", "tooth_fdi"]
    dates = pl.concat(
        [courses.select(*key, day=name) for name in ("started", "retreatment_date", "surgery_date")]
    ).drop_nulls("day")
    seated = _from_seat(crowns)
    treated = (
        seated.join(dates, on=key)
        .filter(pl.col("day") > pl.col("seat_date"))
        .group_by("crown_id")
        .agg(pl.col("day").min())
    )
    ends = teeth.select(*key, "followed_to", "extracted")
    return (
        seated.join(treated, on="crown_id", how="left", maintain_order="left")
        .join(ends, on=key, how="inner", maintain_order="left")
        .with_columns(first=pl.min_horizontal("day", "extracted"))
        .with_columns(
            event=(pl.col("first") <= pl.col("followed_to")).fill_null(False),
            exit_date=pl.min_horizontal("first", "followed_to"),
        )
        .with_columns(exit_days=(pl.col("exit_date") - pl.col("seat_date")).dt.total_days())
        .filter(pl.col("exit_days") >= 0)
    )
