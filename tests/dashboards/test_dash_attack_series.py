"""An attacker with two releases of one practice, months apart: parts told otherwise beside wholes told alike."""

from __future__ import annotations

import dataclasses
import datetime as dt
import random
from pathlib import Path

import sample_results as samples

from dashboards.release.count import ReleasedCount
from dashboards.release.parts import few_between_texts, parts_of
from dashboards.release.released import Released, as_text, release
from pipeline.release.disclosure import Rounding, few_between
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
        told = bool(few_between({"part": before}, {"part": now}))
        if alike and None not in (*before, *now):
            told = before[0] != now[0] and before[1] == now[1]
        found += told
    return found


def test_a_part_that_grew_by_a_few_is_seldom_told_where_releases_are_rounded_apart() -> None:
    """Under one rounding for all, 13 of 100 are; rounded apart 1 of 100, which `few_between` then finds."""
    assert grown(alike=True) > 300
    assert 0 < grown(alike=False) < 60


def test_parts_that_tell_of_a_few_by_hand() -> None:
    # A part told 10 more grew by 2 at least (24 to 26); a whole told alike by 8 at most (96 to 104).
    assert few_between({"a": (20, 100)}, {"a": (30, 100)}) == ["a"]
    assert few_between({"a": (30, 100)}, {"a": (20, 100)}) == ["a"]
    # One step may be no change, and a whole told 5 more may be 13 more.
    assert few_between({"a": (20, 100)}, {"a": (25, 100)}) == []
    assert few_between({"a": (20, 100)}, {"a": (30, 105)}) == []
    assert few_between({"a": (20, 100)}, {"a": (30, 95)}) == ["a"]
    assert few_between({"a": (None, 100)}, {"a": (30, 100)}) == []
    assert few_between({}, {"a": (30, 100)}) == []
    # Under one rounding a step is a change, and settings that moved the part alone are told of 1 to 8.
    assert few_between({"a": (20, 100)}, {"a": (25, 100)}, alike=True) == ["a"]
    assert few_between({"a": (20, 100)}, {"a": (25, 105)}, alike=True) == []


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
    assert few_between_texts(as_text(shown), as_text(moved(shown, 10)))
    assert not few_between_texts(as_text(shown), as_text(moved(shown, 5)))
    assert not few_between_texts(as_text(shown), as_text(shown))
    assert not few_between_texts("of another version", as_text(shown))


def test_other_letters_of_the_same_clinicians_are_no_change() -> None:
    """Under other records they have other letters; held letter against letter nearly every release seemed to tell."""
    one, other = (release(dataclasses.replace(samples.differs(), records=Records(k, rounded_by="x"))) for k in "ab")
    letters = [[(r.name, r.teeth) for t in x.rates if t.by == "provider_id" for r in t.rows] for x in (one, other)]
    assert letters[0] != letters[1]
    assert few_between(parts_of(one), parts_of(other), alike=True) == []


def test_figures_that_would_tell_of_a_few_are_rounded_again_or_the_latest_stand(tmp_path: Path) -> None:
    day, asked = dt.date(2026, 1, 1), []

    def told(before: str, now: str, alike: bool) -> bool:
        assert not alike
        asked.append((before, now))
        return len(asked) < 3

    practice = Practice(tmp_path)
    practice.share(crowns(range(100)), day=day)
    assert practice.share(crowns(range(120)), day=day, few_between=told).figures == "figures 4"
    assert asked == [("figures 1", f"figures {n}") for n in (2, 3, 4)]
    assert len({r.rounded_by for r in practice.memory.releases}) == 2
    held = practice.share(crowns(range(140)), day=day, few_between=lambda *_: True)
    assert (held.figures, held.standing) == ("figures 4", FEW)
    assert practice.share(crowns(range(140)), day=day).standing == NEW
