"""An attacker with two releases of one practice, months apart: parts told otherwise beside wholes told alike."""

from __future__ import annotations

import dataclasses
import datetime as dt
import random
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
import sample_results as samples

from dashboards.release.count import ReleasedCount
from dashboards.release.healing import ReleasedHealing, ReleasedLoss, ReleasedLosses
from dashboards.release.parts import few_between_texts, parts_of
from dashboards.release.rates import ReleasedRate, ReleasedRates
from dashboards.release.released import Released, as_text, release
from dashboards.release.technique import ReleasedTechnique, ReleasedTechniqueGroup, ReleasedTechniques
from pipeline.release.disclosure import Rounding
from pipeline.release.memory import ROUNDINGS, TRIES
from pipeline.release.side_by_side import few_between, few_in_series, few_of_parts
from pipeline.results.records import FEW, NEW, Records
from tests.releases.test_release_memory import Practice, crowns


def grown(*, alike: bool, drawn: int = 3000) -> int:
    """Of parts of a whole that grew by 1 to 8 with it, how many two releases tell of.

    Where both are rounded `alike`, any change that is told is one.
    """
    rng = random.Random(1)
    roundings = [Rounding(f"r{i}".encode()) for i in range(60)]
    found = 0
    for _ in range(drawn):
        one, other = rng.sample(roundings, 2)
        part, more = rng.randint(15, 150), rng.randint(1, 8)
        whole = part + rng.randint(10, 250)
        two = one if alike else other
        before, now = (one.count(part), one.count(whole)), (two.count(part + more), two.count(whole + more))
        told = bool(few_of_parts({"part": before}, {"part": now}))
        if alike and None not in (*before, *now):
            told = before[0] != now[0] and before[1] == now[1]
        found += told
    return found


def test_a_part_that_grew_by_a_few_is_seldom_told_where_releases_are_rounded_apart() -> None:
    """Under one rounding for all, 13 of 100 are; rounded apart 1 of 100, which `few_of_parts` then finds."""
    assert grown(alike=True) > 300
    assert 0 < grown(alike=False) < 60


def test_parts_that_tell_of_a_few_by_hand() -> None:
    # A part told 10 more grew by 2 at least (24 to 26); a whole told alike by 8 at most (96 to 104).
    assert few_of_parts({"a": (20, 100)}, {"a": (30, 100)}) == ["a"]
    assert few_of_parts({"a": (30, 100)}, {"a": (20, 100)}) == ["a"]
    # One step may be no change, and a whole told 5 more may be 13 more.
    assert few_of_parts({"a": (20, 100)}, {"a": (25, 100)}) == []
    assert few_of_parts({"a": (20, 100)}, {"a": (30, 105)}) == []
    assert few_of_parts({"a": (20, 100)}, {"a": (30, 95)}) == ["a"]
    assert few_of_parts({"a": (None, 100)}, {"a": (30, 100)}) == []
    assert few_of_parts({}, {"a": (30, 100)}) == []
    # Under one rounding a step is a change, and settings that moved the part alone are told of 1 to 8.
    assert few_of_parts({"a": (20, 100)}, {"a": (25, 100)}, alike=True) == ["a"]
    assert few_of_parts({"a": (20, 100)}, {"a": (25, 105)}, alike=True) == []


def moved(released: Released, by: int) -> Released:
    """The first row of the crowns by tooth group told otherwise."""
    rates = tuple(
        dataclasses.replace(
            t,
            rows=(
                dataclasses.replace(t.rows[0], failures=ReleasedCount((t.rows[0].failures.value or 0) + by)),
                *t.rows[1:],
            ),
        )
        if (t.by, t.outcome) == ("tooth_group", "crown_survival")
        else t
        for t in released.rates
    )
    return dataclasses.replace(released, rates=rates)


def test_pages_are_watched_in_every_table() -> None:
    shown = release(dataclasses.replace(samples.differs(), records=Records("x")))
    parts = parts_of(shown)
    assert len(parts) > 40
    assert {p.split()[-1] for p in parts} >= {"failures", "teeth"}
    assert few_between_texts([("a", as_text(shown)), ("b", as_text(moved(shown, 10)))])
    assert not few_between_texts([("a", as_text(shown)), ("b", as_text(moved(shown, 5)))])
    assert not few_between_texts([("a", as_text(shown)), ("b", as_text(shown))])


def told(n: int) -> ReleasedCount:
    return ReleasedCount(n)


def table(outcome: str, by: str, **rows: tuple[int, int]) -> ReleasedRates:
    """Rates of groups by name: their teeth and failures."""
    made = (ReleasedRate(name, told(n), told(failed), 5.0, None, None, None) for name, (n, failed) in rows.items())
    return ReleasedRates(outcome, by, tuple(made))


def technique(title: str, outcome: str, **groups: tuple[int, int]) -> ReleasedTechnique:
    """An answer of groups by name: their teeth and failures."""
    made = tuple(ReleasedTechniqueGroup(name, told(n), told(failed)) for name, (n, failed) in groups.items())
    return ReleasedTechnique(title, outcome, 5.0, made, ())


def test_each_part_stands_beside_its_whole() -> None:
    shown = release(dataclasses.replace(samples.differs(), records=Records("x")))
    compared = shown.comparisons[0]
    group = dataclasses.replace(compared.groups[0], name="vital", crowns=told(300), failures=told(35))
    one = dataclasses.replace(compared, groups=(group,))
    losses = tuple(ReleasedLoss(cause, told(n), ()) for cause, n in (("caries", 20), ("fracture", 25), ("all", 50)))
    made = dataclasses.replace(
        shown,
        rates=(
            table("crown_survival", "overall", all=(400, 60)),
            table("crown_survival", "tooth_group", molar=(200, 40), premolar=(150, 15)),
            # Of lost teeth all are among those treated again, whether or not there is a whole of these.
            table("endo_tooth_survival", "overall", all=(500, 50)),
            table("endo_tooth_survival", "tooth_group", molar=(250, 30)),
            table("endo_free_of_intervention", "tooth_group", molar=(250, 45), anterior=(100, 20)),
            # No whole: of two rows neither is that of all teeth.
            table("crowned_tooth_loss", "overall", all=(90, 20), some=(80, 15)),
            table("crowned_tooth_loss", "tooth_group", molar=(70, 15)),
        ),
        losses=(ReleasedLosses("endo_tooth_loss_by_cause", told(500), losses),),
        healing=tuple(
            ReleasedHealing(name, told(n), ()) for name, n in (("all", 80), ("before treatment: a lesion", 30))
        ),
        techniques=ReleasedTechniques(
            (
                technique("Sealer", "tooth_loss", a=(60, 20), b=(70, 25)),
                technique("Sealer", "endo_failure", a=(60, 35), c=(70, 40)),
                technique("Obturation", "endo_failure", a=(60, 45), b=(70, 50)),
                technique("Margin", "crown_failure", a=(80, 15), b=(90, 30)),
            )
        ),
        comparisons=(one, dataclasses.replace(one, id="tooth_survival_by_crown_after_endo", outcome="tooth_loss")),
    )
    assert {name: told for name, told in parts_of(made).items() if told[1] is not None} == {
        "crown_survival tooth_group molar teeth": (200, 400),
        "crown_survival tooth_group molar failures": (40, 60),
        "crown_survival tooth_group premolar teeth": (150, 400),
        "crown_survival tooth_group premolar failures": (15, 60),
        "endo_tooth_survival tooth_group molar teeth": (250, 500),
        "endo_tooth_survival tooth_group molar failures": (30, 50),
        "lost tooth_group molar": (30, 45),
        "endo_tooth_loss_by_cause caries": (20, 50),
        "endo_tooth_loss_by_cause fracture": (25, 50),
        "judged before treatment: a lesion": (30, 80),
        "Sealer a lost": (20, 35),
        "Margin a failures": (15, 60),
        "Margin a teeth": (80, 400),
        "Margin b failures": (30, 60),
        "Margin b teeth": (90, 400),
        f"{one.id} vital failures": (35, 60),
        f"{one.id} vital teeth": (300, 400),
    }


def one_more(value: object) -> Iterator[object]:
    """The value with each told count in it told 5 more, by turns."""
    if isinstance(value, ReleasedCount):
        if value.value is not None:
            yield ReleasedCount(value.value + 5)
    elif isinstance(value, tuple):
        for i, row in enumerate(value):
            yield from ((*value[:i], new, *value[i + 1 :]) for new in one_more(row))
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        for f in dataclasses.fields(value):
            yield from (dataclasses.replace(value, **{f.name: new}) for new in one_more(getattr(value, f.name)))


@pytest.mark.parametrize("name", ["differs", "cannot_tell"])
def test_no_told_count_is_left_unwatched(name: str) -> None:
    """Root canals that failed by technique were not: of 300 series 16 told of a few, and all were shared."""
    shown = release(dataclasses.replace(samples.all_variants()[name], records=Records("x")))
    parts, changed = parts_of(shown), list(one_more(shown))
    assert len(changed) > 150
    assert all(parts_of(new) != parts for new in changed if isinstance(new, Released))
    assert all(isinstance(new, Released) for new in changed)


def test_what_cannot_be_read_any_more_tells_of_none() -> None:
    text = as_text(release(dataclasses.replace(samples.differs(), records=Records("x"))))
    assert not few_between_texts([("a", text), ("b", "of another version")])
    assert not few_between_texts([("a", "of another version"), ("b", text)])
    assert not few_between_texts([("a", "of another version")])


def test_other_letters_of_the_same_clinicians_are_no_change() -> None:
    """Under other records they have other letters; held letter against letter nearly every release seemed to tell."""
    one, other = (release(dataclasses.replace(samples.differs(), records=Records(k, rounded_by="x"))) for k in "ab")
    letters = [[(r.name, r.teeth) for t in x.rates if t.by == "provider_id" for r in t.rows] for x in (one, other)]
    assert letters[0] != letters[1]
    assert few_of_parts(parts_of(one), parts_of(other), alike=True) == []


def test_figures_that_would_tell_of_a_few_are_rounded_again_or_the_latest_stand(tmp_path: Path) -> None:
    day, asked = dt.date(2026, 1, 1), []

    def told(releases: Sequence[tuple[str, str]]) -> bool:
        assert len({by for by, _ in releases}) == len(releases)
        asked.append([figures for _, figures in releases])
        return 1 < len(asked) < 4

    practice = Practice(tmp_path)
    practice.share(crowns(range(100)), day=day, few_between=told)
    assert practice.share(crowns(range(120)), day=day, few_between=told).figures == "figures 4"
    assert asked == [["figures 1"], *(["figures 1", f"figures {n}"] for n in (2, 3, 4))]
    assert len({r.rounded_by for r in practice.memory.releases}) == 2
    held = practice.share(crowns(range(140)), day=day, few_between=lambda _: True)
    assert (held.figures, held.standing) == ("figures 4", FEW)
    assert practice.share(crowns(range(140)), day=day).standing == NEW


def years(
    seed: int, *, releases: int = 8, rows: int = 40, watched: bool
) -> list[tuple[str, dict[str, tuple[int | None, None]]]]:
    """Yearly releases of counts that grow by 0 to 3 a year; `watched` ones are rounded anew as the memory does."""
    rng = np.random.default_rng(seed)
    counts, more = rng.integers(15, 90, rows), rng.choice([0.0, 0.3, 0.7, 1.0, 1.5, 3.0], rows)
    made: list[tuple[str, dict[str, tuple[int | None, None]]]] = []
    for year in range(releases):
        counts = counts + (rng.poisson(more) if year else 0)
        for n in range(TRIES if watched else 1):
            by = f"{seed} {year % ROUNDINGS} {n}"
            now = by, {str(i): (Rounding(by.encode()).count(int(c)), None) for i, c in enumerate(counts)}
            if not few_between([*made, now]):
                made.append(now)
                break
        else:
            if not watched:
                made.append(now)
    return made


def test_no_count_of_many_releases_is_known_to_have_grown_by_a_few() -> None:
    """Of 100 cohorts of a year some six were, in eight releases rounded apart; a set that would tell is drawn anew."""

    def named(watched: bool) -> list[int]:
        made = [years(seed, watched=watched) for seed in range(8)]
        series = [[[(by, told[str(i)][0]) for by, told in releases] for i in range(40)] for releases in made]
        assert all(len(releases) >= 7 for releases in made)
        return [sum(map(few_in_series, rows)) for rows in series]

    assert sum(named(watched=False)) > 8
    assert sum(named(watched=True)) == 0


@pytest.mark.parametrize(
    ("told", "few"),
    [
        # 30 is at most 34 and 40 at least 36; by the 35 before and after them no less than 31 and no more than 39.
        ([35, 30, 40, 35], True),
        ([35, 30, 40], False),  # the last may be 44, 10 more than 34 and 13 more than 31
        ([30, 40, 35], False),
        ([None, 35, 30, None, 40, 35], True),
        ([35, 40, 30, 35], True),  # of what only falls, teeth of patients who were erased
        ([35, 30, 40, 35, 90], True),
        ([60, 30, 40, 60, 30], False),  # one that goes both ways
        ([20, 20, 20], False),
        ([None, None], False),
    ],
)
def test_series_by_hand(told: list[int | None], few: bool) -> None:
    assert few_in_series([(str(i), n) for i, n in enumerate(told)]) == few


def test_only_what_the_last_release_adds_is_found() -> None:
    """Else what was once told would hold up every later release."""
    made = [(str(i), {"a": (n, None), "b": (50, 90)}) for i, n in enumerate([35, 30, 40, 35, 90])]
    assert [few_between(made[:n]) for n in range(1, 6)] == [[], [], [], ["a"], []]
    assert few_between([*made, ("5", {"b": (60, 90)})]) == ["b"]


def test_one_rounding_twice_shows_a_change() -> None:
    # Between 41 and 44 all the time, and one rounding told it otherwise.
    assert few_in_series([("b", 45), ("a", 40), ("a", 45), ("c", 40)])
    assert not few_in_series([("b", 45), ("a", 40), ("d", 45), ("c", 40)])
    assert not few_in_series([("a", 40), ("a", 45)])  # up to 13
