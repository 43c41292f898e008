"""Published figures beside ours, only where all definitions agree; else which of them do not.

`pipeline/data/benchmarks.csv` holds each figure as it was printed (`source_` columns) and, typed by us, what it is
about, what ended it, from when, on what clock, what was done about teeth lost from sight, and whose teeth. A figure
that nobody read in its source goes no further than this file: it reaches no result and no page. One of only some kinds
of teeth is never set beside ours: a difference would then be one of definitions, not of dentistry.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files

import numpy as np
import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_FAILURE, TOOTH, TOOTH_LOSS, was_followed
from pipeline.practice.tables import declared_table
from pipeline.results import DAYS_PER_YEAR
from pipeline.results.monitoring import Benchmark
from pipeline.stats.kaplan_meier import Curve, kaplan_meier

# What a share free of an event is made of: the share itself, the share with the event, or the time by which half have
# had it, which is the share 1/2 at that time.
SHARES = ("share_free", "share_with", "median_time")
MEDIAN = "What they printed is a median, the time by which half of the teeth had failed. "
# Of each field typed by us the words that it may hold, in the order of `benchmark_words.csv`, and how each reads.
WORDS: dict[str, dict[str, str]] = {}
for _row in data_rows("benchmark_words"):
    WORDS.setdefault(_row["field"], {})[_row["word"]] = _row["says"]
EVENTS, STARTS = WORDS["event"], WORDS["start"]
# What must agree, in the order in which a disagreement is told.
AGREE = ("outcome", "event", "start", "clock", "censoring", "teeth")
# How each disagreement reads, unless naming ours would add nothing.
SENTENCES = {
    "outcome": "is about {theirs}, not {ours}",
    "event": "counts {theirs}, not {ours}",
    "start": "counts from {theirs}, not from {ours}",
    "clock": "{theirs}",
    "censoring": "{theirs}",
    "teeth": "{theirs}, not {ours}",
}
ALONE = {(row["field"], row["word"]): row["alone"] for row in data_rows("benchmark_words") if row["alone"]}
# What must be on record before a figure may stand beside ours. A doi is not: some journals and theses have none.
ON_RECORD = {
    "horizon_years": "its time",
    "n": "its number of teeth",
    "citation": "its citation",
    "definition": "its definition of the outcome",
    "seen_where": "where it was seen",
}


_DECLARED = declared_table("benchmarks", "published figure", "benchmark_id")
BENCHMARKS = replace(
    _DECLARED,
    columns={
        name: replace(column, words=tuple(WORDS[name])) if name in WORDS else column
        for name, column in _DECLARED.columns.items()
    },
)
# What is passed on as it stands.
SAME = ("benchmark_id", *AGREE, "definition", "citation", "doi", "seen_where")


@dataclass(frozen=True)
class Own:
    """One outcome of ours, with what it must share with a published one; all by Kaplan-Meier at a time."""

    outcome: str
    event: str
    start: str
    teeth: str
    definition: str
    spells: Callable[[], pl.DataFrame]
    clock: str = "fixed_time"
    censoring: str = "kaplan_meier"


@dataclass(frozen=True)
class Disagreement:
    """One field in which a published figure and ours differ, and how, in words that follow "not compared:"."""

    field: str
    reason: str


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
    """Every published figure that was seen, by its id, with ours beside it where the two can be compared."""
    outcomes = own_outcomes(crowns, courses, teeth)
    curve_of = cache(lambda own: _curve(own.spells(), confidence))
    seen = table.filter("seen").sort("benchmark_id")
    return tuple(_one(row, outcomes, curve_of, min_at_risk) for row in seen.iter_rows(named=True))


def own_outcomes(crowns: pl.DataFrame, courses: pl.DataFrame, teeth: pl.DataFrame) -> tuple[Own, ...]:
    """What these records can set beside published figures: work of this practice, censored at the last contact."""
    done_here = courses.filter(~pl.col("done_elsewhere"))
    single = crowns.filter(~pl.col("done_elsewhere"), pl.col("crown_kind").eq_missing(pl.lit("single")))
    first = done_here.filter(pl.col("kind") == "initial")
    intervention = "retreatment, surgery at the root, resection or extraction"
    return (
        Own(
            "root_canal_failure", "endo_intervention", "endo_completion", "initial_endo",
            f"First {intervention}, since a first root canal was finished here.",
            lambda: ENDO_FAILURE.spells(first, teeth),
        ),
        Own(
            "root_canal_failure", "endo_intervention", "endo_completion", "all_endo",
            f"First {intervention}, since a root canal, first or repeated, was finished here.",
            lambda: ENDO_FAILURE.spells(done_here, teeth),
        ),
        Own(
            "tooth_loss", "tooth_lost", "endo_completion", "initial_endo",
            "Loss of the tooth, since a first root canal was finished here; other teeth count until the patient was "
            "last seen.",
            lambda: TOOTH_LOSS.spells(first, teeth),
        ),
        Own(
            "tooth_loss", "tooth_lost", "endo_completion", "all_endo",
            "Loss of the tooth, since a root canal, first or repeated, was finished here; other teeth count until the "
            "patient was last seen.",
            lambda: TOOTH_LOSS.spells(done_here, teeth),
        ),
        Own(
            "root_canal_failure", "endo_intervention", "crown_seat", "crowned_after_endo",
            f"First {intervention}, since the seat of a single crown made after the root canal.",
            lambda: _since_crown(single, done_here),
        ),
        Own(
            "need_of_root_canal", "endo_or_tooth_lost", "crown_seat", "all_crowns",
            "First root canal, retreatment, surgery at the root or extraction, since the seat of a single crown.",
            lambda: _endo_or_lost(single, courses, teeth),
        ),
        Own(
            "crown_failure", "crown_lost", "crown_seat", "all_crowns",
            "Replacement, removal or loss of a single crown, or loss of its tooth, since the seat.",
            lambda: CROWN_FAILURE.spells(single, teeth),
        ),
    )  # fmt: skip


def nearest(row: dict[str, object], outcomes: Sequence[Own]) -> Own:
    """The outcome of ours that shares most with a published figure; the one listed first where several do."""
    return max(outcomes, key=lambda own: sum(row[name] == getattr(own, name) for name in AGREE))


def disagreements(row: dict[str, object], own: Own) -> tuple[Disagreement, ...]:
    """Why a published figure cannot be set beside one of ours: each field that differs; empty where none does.

    A figure that is no share at a time is told so and nothing else. Else every one of `AGREE` must be the same in both,
    all of `ON_RECORD` must be known, and the figure must have been seen in its source.
    """
    if row["measure"] not in SHARES or (row["measure"] != "median_time" and row["estimate"] is None):
        return (Disagreement("measure", "no share of teeth at a stated time"),)
    out = [Disagreement(name, _differs(name, str(row[name]), own)) for name in AGREE if row[name] != getattr(own, name)]
    told = {"horizon_years"} if row["clock"] != "fixed_time" else set()  # a clock without one time has said so
    lacking = [name for name in ON_RECORD if row[name] in (None, "") and name not in told]
    out += [Disagreement(name, f"{ON_RECORD[name]} is not on record") for name in lacking]
    if not row["seen"]:
        out.append(Disagreement("seen", "from memory, not seen in its source"))
    return tuple(out)


def _differs(field: str, theirs: str, own: Own) -> str:
    """The disagreement in one field, in words."""
    ours = getattr(own, field)
    if (field, theirs) in ALONE:
        return ALONE[field, theirs]
    return SENTENCES[field].format(theirs=WORDS[field][theirs], ours=WORDS[field][ours])


def _one(
    row: dict[str, object], outcomes: Sequence[Own], curve_of: Callable[[Own], Curve | None], min_at_risk: int
) -> Benchmark:
    own = nearest(row, outcomes)
    against = disagreements(row, own)
    found, curve = None, None
    if not against:
        curve = curve_of(own)
        found = _at(curve, float(str(row["horizon_years"])), min_at_risk)
        if found is None:
            against = (
                Disagreement("ours", f"agrees, but fewer than {min_at_risk} of our teeth are followed that long"),
            )
    counts = (None, None) if curve is None or found is None else _until(curve, float(str(row["horizon_years"])))
    share = [_share(row, name) for name in ("estimate", "estimate_low", "estimate_high")]
    if row["measure"] == "share_with":
        share = [share[0], share[2], share[1]]
    text = {name: str(value or "") for name, value in row.items()}
    horizon, n = row["horizon_years"], row["n"]
    assert horizon is None or isinstance(horizon, float)
    assert n is None or isinstance(n, int)
    return Benchmark(
        **{name: text[name] for name in SAME},
        population=text["source_population"],
        tooth_type=text["source_tooth_type"],
        timing=text["source_timing_years"],
        figure=f"{text['source_estimate']} {text['source_unit']}".strip(),
        n=n,
        note=MEDIAN + text["source_note"] if row["measure"] == "median_time" else text["source_note"],
        horizon_years=horizon,
        published=share[0],
        published_low=share[1],
        published_high=share[2],
        comparable=not against,
        disagrees=tuple(d.field for d in against),
        reasons=tuple(d.reason for d in against),
        our_definition=own.definition if found else "",
        our_teeth=curve.n_rows if curve is not None and found else None,
        ours=found[0] if found else None,
        ours_low=found[1] if found else None,
        ours_high=found[2] if found else None,
        our_failures=counts[0],
        our_tooth_years=counts[1],
    )


def _share(row: dict[str, object], name: str) -> float | None:
    """The share free of the event, whichever way it was printed."""
    value = row[name]
    if row["measure"] == "median_time":
        return 0.5 if name == "estimate" else None
    if row["measure"] not in SHARES or not isinstance(value, float):
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


def _until(curve: Curve, years: float) -> tuple[int, float]:
    """Failures and tooth-years up to the horizon, of teeth followed from their start."""
    days = years * DAYS_PER_YEAR
    failures = float(curve.events[curve.time <= round(days)].sum())
    return round(failures), float((np.minimum(curve.time, days) * curve.exit_rows).sum()) / DAYS_PER_YEAR


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
    dates = pl.concat(
        [courses.select(*TOOTH, day=name) for name in ("started", "retreatment_date", "surgery_date")]
    ).drop_nulls("day")
    seated = _from_seat(crowns)
    treated = (
        seated.join(dates, on=TOOTH)
        .filter(pl.col("day") > pl.col("seat_date"))
        .group_by("crown_id")
        .agg(pl.col("day").min())
    )
    ends = teeth.select(*TOOTH, "followed_to", "extracted")
    return (
        seated.join(treated, on="crown_id", how="left", maintain_order="left")
        .join(ends, on=TOOTH, how="inner", maintain_order="left")
        .with_columns(first=pl.min_horizontal("day", "extracted"))
        .with_columns(
            event=(pl.col("first") <= pl.col("followed_to")).fill_null(False),
            exit_date=pl.min_horizontal("first", "followed_to"),
        )
        .with_columns(exit_days=(pl.col("exit_date") - pl.col("seat_date")).dt.total_days())
        .filter(pl.col("exit_days") >= 0)
    )
