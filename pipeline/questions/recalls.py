"""Healing of root canals at recall, beside how many came back to be seen, and how far two readings of a film agree.

A share healed is one of teeth that were recalled. Who comes back differs from who does not, so each line says how many
were due and how many of them were seen. A lesion takes years to heal, so teeth with and without one before treatment
stand apart, and one that is on its way is no failure.
"""

import math
from dataclasses import dataclass

import polars as pl

from pipeline.practice.settings import Rules
from pipeline.results import NotRun
from pipeline.results.healing import Agreement, CountedShare, ReaderWay, RecallRow
from pipeline.stats.clustered import by_steps, clustered_share, weighted_kappa
from pipeline.transforms.healing import LESION, LESION_FROM, NO_LESION, STATES, WORST, healing_at_recall
from pipeline.transforms.readings import PAIRS, TWO_READERS, by_readers, co_readers, films_shared, paired_readings

ID, TITLE = "radiographic_success", "Healing at recall"
BY_LESION_ID, BY_LESION_TITLE = "healing_by_lesion", "Healing with and without a lesion before treatment"
NOT_RECORDED = "not recorded"
AGREED = "agreed"  # no reader: what the readings of a film together say
BY = (("lesion", "before treatment"), ("tooth_group", "tooth group"), ("provider_id", "clinician"))
ORDER = {
    "lesion": ("a lesion", "no lesion", NOT_RECORDED),
    "tooth_group": ("anterior", "premolar", "molar"),
}


@dataclass(frozen=True)
class Recalls:
    """Lines of the recall table, or why there are none."""

    rows: tuple[RecallRow, ...]
    not_run: tuple[NotRun, ...]
    notes: tuple[str, ...]


def recall_rows(
    courses: pl.DataFrame,
    findings: pl.DataFrame,
    endo_details: pl.DataFrame,
    *,
    recall_months: int = Rules.recall_months,
    uncertain_years: int = Rules.uncertain_years,
    gap_days: int = Rules.course_gap_days,
    min_recalled: int = 10,
    confidence: float = 0.95,
) -> Recalls:
    """Healing by the periapical index, for all courses completed here, by lesion before, tooth group and clinician.

    Lines are named `all`, `before treatment: a lesion`, `tooth group: molar`, `clinician: ...`. What counts as healed,
    uncertain and not healed stands at `healing_at_recall`.

    - `due`: followed for at least `recall_months` calendar months.
    - `recalled`: with a film that late on which symptoms were noted too: to count failures among other films and not
      successes would bend the share.
    - `success`, `uncertain`, `not_healed`: shares of those recalled; None if fewer than `min_recalled`. `loose`: healed
      or better than before, of those whose index before is known. Limits let the teeth of one patient be alike.

    `not_run` names the field that is lacking; no lines by lesion where the index before is known of no tooth recalled.
    """
    films = findings.filter(pl.col("pai").is_not_null())
    lacking = "findings.pai" if films.is_empty() else "findings.symptomatic"
    if films["symptomatic"].null_count() == films.height:
        before = () if endo_details["preop_pai"].count() else ("endo_details.preop_pai",)
        return Recalls(
            (), (NotRun(ID, TITLE, (lacking,)), NotRun(BY_LESION_ID, BY_LESION_TITLE, (lacking, *before))), ()
        )
    rows = _completed(
        courses,
        findings,
        endo_details,
        recall_months=recall_months,
        uncertain_years=uncertain_years,
        gap_days=gap_days,
    )
    lines = [_line("all", rows, min_recalled, confidence)] if rows.height else []
    unknown = rows.filter("judged")["preop_pai"].count() == 0
    for column, said in BY:
        if rows[column].null_count() < rows.height and not (unknown and column == "lesion"):
            lines += [_line(f"{said}: {name}", part, min_recalled, confidence) for name, part in _parts(rows, column)]
    lacks = (NotRun(BY_LESION_ID, BY_LESION_TITLE, ("endo_details.preop_pai",)),) if unknown else ()
    unsaid = rows.filter(pl.col("recall_date").is_not_null(), ~pl.col("judged")).height
    notes = (f"{unsaid} recall films without a note on symptoms are not counted.",) if unsaid else ()
    return Recalls(tuple(lines), lacks, notes)


def _completed(
    courses: pl.DataFrame, findings: pl.DataFrame, endo_details: pl.DataFrame, *, recall_months: int, **rules: int
) -> pl.DataFrame:
    """The courses completed here, and what recall told of each; the rules are those of `recall_rows`."""
    own = courses.filter(pl.col("completed").is_not_null(), ~pl.col("done_elsewhere"))
    seen = healing_at_recall(own, findings, endo_details, recall_months=recall_months, **rules)
    late = pl.col("completed").dt.offset_by(f"{recall_months}mo")
    words = {LESION: "a lesion", NO_LESION: "no lesion"}
    return (
        own.join(seen, on="course_id", how="left", maintain_order="left")
        .with_columns(
            due=pl.col("exit_date") >= late,
            judged=pl.col("state").is_not_null(),
            lesion=pl.col("lesion_before").replace_strict(words, default=None, return_dtype=pl.String),
        )
        .sort("course_id")
    )


def reading_agreement(
    findings: pl.DataFrame, *, min_pairs: int = 10, confidence: float = 0.95
) -> tuple[Agreement, ...]:
    """How far two readings of one film agree, for each kind of pair that `paired_readings` finds, and each reader.

    `same_side` is the agreement that matters for healing: both readings 1 or 2, or both 3 to 5. Shares and kappa are
    None with fewer than `min_pairs` pairs. Two readers are interchangeable.
    """
    pairs = paired_readings(findings)
    found = []
    for kind in PAIRS:
        part = pairs.filter(pl.col("kind") == kind)
        if part.height:
            found.append(_agreement(kind, part, min_pairs, confidence))
        each = part.drop_nulls("who").partition_by("who", as_dict=True, maintain_order=True)
        if len(each) > 1:
            found += [
                _agreement(kind, one, min_pairs, confidence, who=str(key[0])) for key, one in sorted(each.items())
            ]
    return tuple(found)


def reader_ways(
    courses: pl.DataFrame,
    findings: pl.DataFrame,
    endo_details: pl.DataFrame,
    *,
    min_films: int = 10,
    min_recalled: int = 10,
    confidence: float = 0.95,
    **rules: int,
) -> tuple[ReaderWay, ...]:
    """Healing at recall by the agreed readings, then by each reader alone; all else is as for `recall_rows`.

    A reader alone counts on the films that another reader read too, where there are `min_films` of them; all other
    films count as they are, so the teeth are the same in every way. Empty where no two readers read as many together.
    """
    shared = co_readers(findings).filter(pl.col("films") >= min_films)
    if shared.is_empty():
        return ()
    read = {AGREED: findings} | {name: by_readers(findings, [name]) for name in shared["reader"]}
    films = {AGREED: films_shared(findings)} | dict(shared.iter_rows())
    out = []
    for name, rows in read.items():
        films_told = rows.filter(pl.col("pai").is_not_null())
        done = _completed(courses, rows, endo_details, **rules) if films_told["symptomatic"].count() else None
        if done is not None and done.height:
            whole = _line("all", done, min_recalled, confidence)
            share = CountedShare(whole.successes, whole.recalled, whole.success, whole.ci_low, whole.ci_high)
            out.append(ReaderWay(name, films[name], share))
    return tuple(out)


def _agreement(kind: str, pairs: pl.DataFrame, min_pairs: int, confidence: float, *, who: str = "") -> Agreement:
    first, second = pairs["first"].cast(pl.Int64), pairs["second"].cast(pl.Int64)
    alike = pairs.select("patient_id", exact=first == second, side=(first >= LESION_FROM) == (second >= LESION_FROM))
    kappa = None
    if pairs.height >= min_pairs:
        kappa = weighted_kappa(
            first - 1,
            second - 1,
            disagreement=by_steps(WORST),
            cluster=pairs["patient_id"],
            interchangeable=kind == TWO_READERS,
            confidence=confidence,
        )
    found = (kappa.kappa, kappa.low, kappa.high) if kappa else (math.nan,) * 3
    value, low, high = (None if math.isnan(x) else x for x in found)
    return Agreement(
        kind=kind,
        patients=pairs["patient_id"].n_unique(),
        exact=_share(alike, "exact", min_pairs, confidence),
        same_side=_share(alike, "side", min_pairs, confidence),
        kappa=value,
        ci_low=low,
        ci_high=high,
        who=who,
    )


def _parts(rows: pl.DataFrame, column: str) -> list[tuple[str, pl.DataFrame]]:
    labelled = rows.with_columns(line=pl.col(column).fill_null(NOT_RECORDED))
    parts = {str(key[0]): part for key, part in labelled.partition_by("line", as_dict=True).items()}
    return [(name, parts[name]) for name in ORDER.get(column, sorted(parts)) if name in parts]


def _line(name: str, rows: pl.DataFrame, min_recalled: int, confidence: float) -> RecallRow:
    recalled = rows.filter("judged").with_columns(pl.col("state").eq(state).alias(state) for state in STATES)
    told = recalled.filter(pl.col("preop_pai").is_not_null())
    strict, uncertain, not_healed = (_share(recalled, state, min_recalled, confidence) for state in STATES)
    return RecallRow(
        name=name,
        completed=rows.height,
        due=int(rows["due"].sum()),
        recalled=recalled.height,
        patients=recalled["patient_id"].n_unique(),
        successes=strict.count,
        success=strict.share,
        ci_low=strict.ci_low,
        ci_high=strict.ci_high,
        uncertain=uncertain,
        not_healed=not_healed,
        loose=_share(told, "loose", min_recalled, confidence),
        healed_patients=strict.patients,
    )


def _share(rows: pl.DataFrame, column: str, fewest: int, confidence: float) -> CountedShare:
    count, patients = int(rows[column].sum()), rows["patient_id"].filter(rows[column]).n_unique()
    if rows.height < max(fewest, 1):
        return CountedShare(count, rows.height, patients=patients)
    found = clustered_share(rows[column].to_numpy(), rows["patient_id"], confidence=confidence)
    return CountedShare(count, rows.height, found.share, found.low, found.high, patients)
