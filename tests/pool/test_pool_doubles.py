"""An attacker who gives one practice twice, and honest practices who are alike: the first are refused, the others not.

The files are made by the program itself from altered records, under codes and keys of their own.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import functools
import itertools
import math
from collections.abc import Callable

import numpy as np
import polars as pl
import pytest
from pool_practices import MAIN, contributed, results_of, tables, under_seal

from pipeline.machine.errors import DataError
from pipeline.questions.crown_rows import crown_rows, state_spells
from pipeline.release.disclosure import log_step
from pipeline.release.pool.agreed import questions
from pipeline.release.pool.combine import pool
from pipeline.release.pool.contribution import Contrast, Contribution, Ratio, Side
from pipeline.release.pool.likeness import same_practice
from pipeline.release.pool.make import contribution
from pipeline.release.pool.marks import draws_of, go_together, marks_of, patients_of, shared_patients
from pipeline.release.pool.members import FEWEST_KNOWN, refuse_unlisted
from pipeline.release.pool.plausible import impossible

CROWNS = 1500
Tables = tuple[pl.DataFrame, pl.DataFrame]


@functools.cache
def records(seed: int, crowns: int = CROWNS) -> Tables:
    return tables(crowns=crowns, seed=9000 + seed)


@functools.cache
def honest(seed: int, crowns: int = CROWNS) -> Contribution:
    return given(records(seed, crowns), f"{seed:016x}")


def given(made: Tables, code: str) -> Contribution:
    return under_seal(contributed(*made, code=code))


# Doubles


def part(made: Tables, seed: int, share: float) -> Tables:
    crowns, patients = made
    ids = patients["patient_id"].to_list()
    keep = np.random.default_rng(seed).permutation(ids)[: round(share * len(ids))].tolist()
    return crowns.filter(pl.col("patient_id").is_in(keep)), patients


def few_less(made: Tables, seed: int) -> Tables:
    return part(made, seed, 1 - 5 / made[1].height)


def earlier(made: Tables, _: int) -> Tables:
    """As the same records stood a year before."""
    cut = dt.date(2023, 12, 31)
    crowns, patients = made
    opened = pl.col("access_date") <= cut
    crowns = crowns.filter(pl.col("seat_date") < dt.date(2023, 12, 1)).with_columns(
        failure=pl.col("failure") & (pl.col("exit_date") <= cut),
        exit_date=pl.min_horizontal("exit_date", pl.lit(cut)),
        access_date=pl.when(opened).then("access_date"),
        endo_timing=pl.when((pl.col("endo_timing") == "through_crown") & ~opened.fill_null(False))
        .then(pl.lit("vital"))
        .otherwise("endo_timing"),
    )
    return crowns, patients


def days_moved(made: Tables, _: int) -> Tables:
    """Every day a week later: no mark is left, the figures are."""
    days = [c for c, t in made[0].schema.items() if t == pl.Date]
    return made[0].with_columns(pl.col(days).dt.offset_by("7d")), made[1]


def half_moved(made: Tables, seed: int) -> Tables:
    return days_moved(part(made, seed, 0.5), seed)


def each_moved(made: Tables, seed: int) -> Tables:
    """Each patient's days by some days of his own, up to four either way."""
    crowns, patients = made
    by = patients.select("patient_id", by=pl.Series(np.random.default_rng(seed).integers(-4, 5, patients.height)))
    days = [c for c, t in crowns.schema.items() if t == pl.Date]
    moved = (pl.col(c) + pl.duration(days=pl.col("by")) for c in days)
    return crowns.join(by, on="patient_id", maintain_order="left").with_columns(moved).drop("by"), patients


def renumbered(made: Tables, seed: int) -> Tables:
    """Other numbers for patients and crowns, rows in another order."""
    crowns, patients = made
    return (
        crowns.with_columns(pl.col("patient_id") + "x", pl.col("crown_id") + "y").sample(
            fraction=1, shuffle=True, seed=seed
        ),
        patients.with_columns(pl.col("patient_id") + "x"),
    )


def grown(made: Tables, seed: int) -> Tables:
    """A third of another practice's patients joined, as after a merger."""
    crowns, patients = part(records(seed + 500), seed, 1 / 3)
    return pl.concat([made[0], of_others(crowns)]), pl.concat([made[1], of_others(patients)])


def of_others(frame: pl.DataFrame) -> pl.DataFrame:
    """The rows under numbers of their own."""
    return frame.with_columns(pl.col(c) + "z" for c in ("patient_id", "crown_id") if c in frame.columns)


def a_failure_each_way(made: Tables, seed: int) -> Tables:
    """Twenty failures taken away and twenty others made up."""
    crowns, patients = made
    rng = np.random.default_rng(seed)
    failed, not_failed = (crowns.filter(pl.col("failure") == f)["crown_id"].to_numpy() for f in (True, False))
    turned = [*rng.choice(failed, 20, replace=False), *rng.choice(not_failed, 20, replace=False)]
    return crowns.with_columns(failure=pl.col("failure") ^ pl.col("crown_id").is_in(turned)), patients


def recoded_teeth(made: Tables, seed: int) -> Tables:
    """One in ten crowns on another kind of tooth, one in ten seated a day later."""
    crowns, patients = made
    rng = np.random.default_rng(seed)
    other = pl.Series(rng.random(crowns.height) < 0.1)
    later = pl.Series(rng.random(crowns.height) < 0.1)
    return crowns.with_columns(
        tooth_group=pl.when(other).then(pl.lit("molar")).otherwise("tooth_group"),
        seat_date=pl.when(later & (pl.col("exit_date") > pl.col("seat_date").dt.offset_by("2d")))
        .then(pl.col("seat_date").dt.offset_by("1d"))
        .otherwise("seat_date"),
    ), patients  # fmt: skip


DOUBLES: dict[str, Callable[[Tables, int], Tables]] = {
    "another code": lambda made, _: made,
    "few less": few_less,
    "four fifths": lambda made, seed: part(made, seed, 0.8),
    "half": lambda made, seed: part(made, seed, 0.5),
    "a year before": earlier,
    "half, a year before": lambda made, seed: earlier(part(made, seed, 0.6), seed),
    "days moved": days_moved,
    "half, days moved": half_moved,
    "each patient's days moved": each_moved,
    "renumbered": renumbered,
    "grown": grown,
    "failures made up": a_failure_each_way,
    "teeth and days recoded": recoded_teeth,
}


@pytest.mark.one_in(30, thorough=6)
@pytest.mark.parametrize("seed", range(30))
def test_a_practice_is_never_pooled_twice(seed: int) -> None:
    """Practices of 1,500 crowns, each doubled in thirteen ways: every double is refused."""
    one = honest(seed)
    for name, change in DOUBLES.items():
        double = given(change(records(seed), seed), "f" * 16)
        assert impossible(double) is None, name
        with pytest.raises(DataError, match="would count twice"):
            pool([one, honest(seed + 100), double])


def test_two_halves_that_share_nobody_are_two() -> None:
    """What counts twice is refused, not what is alike: a practice given in two parts counts once."""
    crowns, patients = records(3)
    odd = pl.col("patient_id").str.slice(1).cast(pl.Int64) % 2 == 1
    halves = [given((crowns.filter(x), patients.filter(x)), f"{i:016x}") for i, x in enumerate((odd, ~odd))]
    assert same_practice(*halves) is None


def moved(one: Contribution, by: int) -> Contribution:
    """Every count of the main question moved by one step, as by hand; marks of nobody's records."""
    c = next(x for x in one.contrasts if x.id == MAIN)
    noise = tuple(int(n) for n in np.random.default_rng(by).normal(0, 30, 256))

    def side(s):
        table = tuple(
            dataclasses.replace(x, tooth_years=x.tooth_years + (5 if i else 0)) for i, x in enumerate(s.table)
        )
        return dataclasses.replace(s, teeth=s.teeth + 5, patients=s.patients + 5, table=table)

    contrast = dataclasses.replace(c, group=side(c.group), reference=side(c.reference))
    return under_seal(dataclasses.replace(one, code="f" * 16, contrasts=(contrast,), marks=noise), "a forger")


@pytest.mark.parametrize("seed", range(5))
def test_figures_changed_by_hand_with_made_up_marks_are_still_too_alike(seed: int) -> None:
    with pytest.raises(DataError, match="nearly the same figures"):
        pool([honest(seed), moved(honest(seed), seed)])


@pytest.mark.parametrize("how", [lambda m: tuple(3 * n for n in m), lambda m: tuple(n + 7 for n in m)])
def test_marks_that_are_stretched_or_moved_still_go_together(how: Callable[[tuple[int, ...]], tuple[int, ...]]) -> None:
    double = how(given(earlier(records(1), 1), "f" * 16).marks)
    far = go_together(draws_of(honest(1).marks), draws_of(double))
    assert far is not None
    assert far > 4


def test_marks_turned_round_are_seen() -> None:
    """A later export under marks with the other sign."""
    double = given(earlier(records(1), 1), "f" * 16)
    turned = under_seal(dataclasses.replace(double, marks=tuple(-n for n in double.marks)))
    with pytest.raises(DataError, match="each other's mirror"):
        pool([honest(1), turned])


# Honest practices


@pytest.mark.one_in(3)
@pytest.mark.parametrize("first", range(0, 30, 10))
def test_practices_of_one_size_truth_and_settings_are_not_refused(first: int) -> None:
    """30 practices of 1,500 crowns, drawn alike: of 435 pairs none is refused (here those of each ten with all)."""
    n = 30 if first else 10
    pairs = [(a, b) for a, b in itertools.combinations(range(n), 2) if first <= a < first + 10]
    assert [(a, b) for a, b in pairs if same_practice(honest(a), honest(b))] == []
    assert all(impossible(honest(seed)) is None for seed in range(first, min(first + 10, n)))


@pytest.mark.parametrize("crowns", [200, 400])
def test_small_practices_are_not_refused_for_being_small(crowns: int) -> None:
    """Twelve of each size: their counts are small and often equal after rounding. 66 pairs each."""
    pairs = list(itertools.combinations([honest(seed, crowns) for seed in range(12)], 2))
    assert len(pairs) == 66
    assert [why for a, b in pairs if (why := same_practice(a, b))] == []


@pytest.mark.one_in(4)
@pytest.mark.parametrize("seed", range(12))
def test_practices_with_the_same_kinds_of_patients_are_two(seed: int) -> None:
    """Ages, sexes, habits, teeth, materials and clinicians of one, days and outcomes of the other."""
    (crowns, patients), (other, _) = records(seed), records(seed + 200)
    outcome = [
        "seat_date",
        "exit_date",
        "access_date",
        "endo_timing",
        "failure",
        "entry_date",
        "exit_reason",
        "failure_cause",
    ]
    taken = [c for c in outcome if c in crowns.columns]
    twin = crowns.with_columns(other.sort("crown_id").select(taken))
    assert same_practice(honest(seed), given((twin, patients), "e" * 16)) is None


def test_colleagues_who_share_some_patients_are_two() -> None:
    """One patient in ten of the one is seen by the other as well."""
    crowns, patients = records(1)
    some, people = part(records(2), 1, 0.1)
    mixed = given((pl.concat([crowns, of_others(some)]), pl.concat([patients, of_others(people)])), "e" * 16)
    assert same_practice(honest(2), mixed) is None


def test_files_of_an_earlier_version_are_known_by_the_marks_they_have() -> None:
    """They have those of first days alone: compared with one another and with new ones, as before."""
    old = dataclasses.replace(honest(1), marks=honest(1).marks[:256], key="", signature="")
    double = given(earlier(records(1), 1), "f" * 16)
    for one in (double, dataclasses.replace(double, marks=double.marks[:256])):
        assert "the same patients' work" in (same_practice(old, one) or "")
        assert same_practice(dataclasses.replace(honest(2), marks=honest(2).marks[:256]), one) is None


# What marks tell of a patient


def spells_of(made: Tables) -> dict[str, pl.DataFrame]:
    return {MAIN: state_spells(crown_rows(*made)).with_columns(unit="crown_id")}


def test_marks_are_the_same_of_the_same_records_alone() -> None:
    made = spells_of(records(1))
    assert marks_of(made, secret=b"a") == marks_of(
        {MAIN: made[MAIN].sample(fraction=1, shuffle=True, seed=1)}, secret=b"a"
    )
    assert marks_of(made, secret=b"a") != marks_of(made, secret=b"b")
    assert shared_patients(*(draws_of(marks_of(made, secret=key)) for key in (b"a", b"b"))) > 0.9
    ids = made[MAIN]["patient_id"].unique().sort()
    few = [made[MAIN].filter(pl.col("patient_id").is_in(ids.head(n).to_list())) for n in (10, 11)]
    assert [len(marks_of({MAIN: frame})) for frame in few] == [0, 512]


@pytest.mark.thorough
def test_no_patients_first_day_can_be_read_off_marks() -> None:
    """Of 20 patients of 20 small practices none's day stands out among all days of 20 years on that kind of tooth.

    To someone who knows the day and asks whether the patient is in, it tells next to nothing: an average of
    16 / sqrt(n + noise^2) standard errors, 0.6 here; the test allows for its own chance error.
    """
    told = []
    for seed in range(20):
        made = spells_of(records(seed, 200))
        first = (
            made[MAIN]
            .sort("patient_id", "seat_date", "tooth_group")
            .unique("patient_id", keep="first")
            .sort("patient_id")
        )
        who = first.row(seed % first.height, named=True)
        days = [dt.date(2005, 1, 3) + dt.timedelta(d) for d in range(7300)]
        each = pl.DataFrame({"patient_id": range(7300), "seat_date": days, "tooth_group": who["tooth_group"]})
        marks = np.asarray(marks_of(made, secret=b"unknown")[:256], float)
        stands_out = np.array([marks @ signs_of(w) for w in each.select("seat_date", "tooth_group").rows()])
        stands_out /= math.sqrt(256) * np.sqrt(np.mean(marks**2))
        own = (who["seat_date"] - days[0]).days
        assert np.sum(stands_out >= stands_out[own]) > 1
        told.append(stands_out[own])
    assert np.mean(told) < 0.6 + 3 / math.sqrt(20)


def test_marks_of_many_files_averaged_give_no_first_day() -> None:
    """Twelve files of one growing practice: the noise averages out, the other patients do not.

    A day stands out by 16 / sqrt(n) standard errors of n patients then, against some 3.8 of the best of 7,300 days.
    """
    for seed in range(4):
        made = spells_of(records(seed, 200))[MAIN]
        first = made.sort("patient_id", "seat_date", "tooth_group").unique("patient_id", keep="first").sort("seat_date")
        who = first.row(5, named=True)
        until = [first["seat_date"][first.height // 2 + k * first.height // 24 - 1] for k in range(1, 13)]
        files = [marks_of({MAIN: made.filter(pl.col("seat_date") <= day)}, secret=b"unknown")[:256] for day in until]
        mean = np.mean(np.asarray(files, float), axis=0)
        days = [dt.date(2005, 1, 3) + dt.timedelta(d) for d in range(7300)]
        stands_out = np.array([mean @ signs_of((day, who["tooth_group"])) for day in days])
        assert np.sum(stands_out >= stands_out[(who["seat_date"] - days[0]).days]) > 1


def signs_of(work: tuple[dt.date | int, str]) -> np.ndarray:
    """The signs of one first work, as anybody can work them out."""
    from hashlib import blake2b

    digest_ = blake2b(f"{work[0]} {work[1]}".encode(), digest_size=32, person=b"pooling marks").digest()
    return 2.0 * np.unpackbits(np.frombuffer(digest_, np.uint8)) - 1


def test_the_signs_are_those_of_the_marks() -> None:
    """The attack above works on the marks as they are made: without noise the signs add up to them."""
    rows = [(dt.date(2010, 1, d), "molar") for d in range(1, 29)]
    frame = pl.DataFrame(rows, schema=["seat_date", "tooth_group"], orient="row").with_row_index("patient_id")
    frame = frame.with_columns(exit_days=pl.int_range(100, 128))
    followed = [(days, "molar") for days in frame["exit_days"]]
    summed = np.concatenate([np.sum([signs_of(r) for r in told], axis=0) for told in (rows, followed)])
    noise = np.asarray(marks_of({"q": frame})) - summed
    assert abs(np.mean(noise)) < 5
    assert 16 < np.std(noise) < 24


def test_a_later_file_less_an_earlier_one_gives_no_patient() -> None:
    """One patient more: noise is drawn anew, so that the difference of marks is noise twice over."""
    made = records(4)
    less = made[0].filter(pl.col("patient_id") != made[0]["patient_id"][0]), made[1]
    one, two = (np.asarray(marks_of(spells_of(m), secret=b"kept")) for m in (made, less))
    assert 20 < np.std(one - two) < 36  # 20 times the root of 2 is 28


def test_a_contribution_without_days_has_no_marks() -> None:
    crowns, patients = records(1, 200)
    spells = {MAIN: spells_of((crowns, patients))[MAIN].drop("seat_date")}
    assert contribution(results_of(crowns, patients), spells, code="0" * 16).marks == ()


# Questions without a table


def technique(id: str, teeth: int, failures: int, log: float) -> Contrast:
    asked = questions()[id]
    group, reference = (Side(n, teeth, teeth, failures, (), ()) for n in (asked.group, asked.reference))
    ratio = Ratio(asked.model, (), log, log_step(failures), 0.2)
    return Contrast(id, asked.outcome, asked.clock, group, reference, None, ratio, None)


@functools.cache
def asked_once() -> list[str]:
    """One pair of groups of each technique question."""
    return list({q.title: q.id for q in questions().values() if q.technique and not q.safety}.values())


def answering(seed: int, *contrasts: Contrast) -> Contribution:
    return dataclasses.replace(honest(seed), contrasts=contrasts)


def test_questions_copied_from_another_file_are_seen_without_any_table() -> None:
    """An own file, with own records, into which answers of another practice were put: 1 may be chance, 6 are not."""
    own, others = ([technique(id, t, 60, 0.2) for id in asked_once()[:6]] for t in (400, 480))
    assert same_practice(answering(1, *own), answering(2, *others)) is None
    assert same_practice(answering(1, *own[:1], *own[1:]), answering(2, *own[:1], *others[1:])) is None
    assert same_practice(answering(1, *own), answering(2, *own)) == "hold the same figures under different codes"


def test_small_counts_that_are_equal_are_no_copy() -> None:
    """Of groups of 15 teeth with 10 failures three questions are often equal: nothing follows from that."""
    few = [technique(id, 15, 10, 0.0) for id in asked_once()[:3]]
    assert same_practice(answering(1, *few), answering(2, *few)) is None


@pytest.mark.one_in(5)
@pytest.mark.parametrize("seed", range(15))
def test_from_five_hundred_patients_on_halves_and_parts_are_known(seed: int) -> None:
    """What `pool` takes without a list of members (`members.FEWEST_KNOWN`): 45 doubles of 15 practices, all known.

    Of practices of some 375 patients 8 of 15 halves were, and of some 185 one of 15 halves and 8 of 15 parts.
    """
    one = honest(seed, 900)
    assert patients_of(draws_of(one.marks)) > 0.5 * FEWEST_KNOWN  # it is a noisy count
    for change in (few_less, lambda made, s: part(made, s, 0.8), lambda made, s: part(made, s, 0.5)):
        assert same_practice(one, given(change(records(seed, 900), seed), "f" * 16)) is not None


@pytest.mark.parametrize("crowns", [300, 600])
def test_files_of_fewer_patients_need_a_list_of_members(crowns: int) -> None:
    for seed in range(5):
        with pytest.raises(DataError, match="under about 500 patients"):
            refuse_unlisted([honest(seed, crowns)], taken=True)
    refuse_unlisted([honest(seed) for seed in range(5)], taken=True)
