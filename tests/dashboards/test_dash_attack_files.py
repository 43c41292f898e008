"""Attacks on the files of one release, and on several of them side by side; each names what it tries."""

from __future__ import annotations

import dataclasses
import functools
import io
import math
import re
import zipfile
from collections.abc import Callable

import numpy as np
import pytest
import sample_results as samples
from pptx import Presentation
from read_page import plain

from dashboards.pages import handout, study_club
from dashboards.release.methods import ReleasedMethods
from dashboards.release.percent import percent_step
from dashboards.release.rates import ReleasedRate
from dashboards.release.record import SUFFIX, Standing, records, release_noted
from dashboards.release.released import Released, release
from dashboards.talk import appendix, story
from pipeline.release.disclosure import SLACK, SMALLEST, Gate, Rounding
from pipeline.results import RateRow, Results
from pipeline.results.records import Records

PAGES = {"page": study_club.render, "handout": handout.render}
DECKS = {"slides": story.render, "appendix": appendix.render}


@functools.cache
def results(name: str = "differs") -> Results:
    return dataclasses.replace(samples.all_variants()[name], records=Records("files"))


@functools.cache
def released(name: str = "differs") -> Released:
    return release(results(name))


def files(of: Released) -> dict[str, bytes]:
    return {n: r(of).encode() for n, r in PAGES.items()} | {n: r(of) for n, r in DECKS.items()}


@functools.cache
def shown() -> dict[str, bytes]:
    return files(released())


def members(data: bytes) -> list[str]:
    """Every part of a file as text."""
    if data[:2] != b"PK":
        return [re.sub(r"<script>.*?</script>", "", data.decode(), flags=re.S)]
    out = []
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        for name in package.namelist():
            part = package.read(name)
            out += members(part) if part[:2] == b"PK" else [part.decode("utf-8", "replace")]
    return out


def changed_row(name: str, by: str, outcome: str, change: Callable[[RateRow], RateRow]) -> Results:
    """The first row of a table changed."""
    rates = tuple(
        dataclasses.replace(t, rows=tuple(change(r) if i == 0 else r for i, r in enumerate(t.rows)))
        if (t.by, t.outcome) == (by, outcome)
        else t
        for t in results(name).rates
    )
    return dataclasses.replace(results(name), rates=rates)


def test_what_is_hidden_moves_no_byte_and_no_size_of_any_file() -> None:
    """Nothing else hangs on a hidden count among many: not a word, not an order, not the length of a file."""
    variants = [
        changed_row("cannot_tell", "year", "crown_survival", lambda r, n=n: dataclasses.replace(r, failures=n))
        for n in (1, 9)
    ]
    first, *others = (files(release(v)) for v in variants)
    assert all(other == first for other in others)


def test_the_handout_the_slides_and_the_page_say_one_and_the_same_of_each_count() -> None:
    """Averaging over files: a count that stood differently in two of them would be known better."""
    for c in released().comparisons[:1]:
        for g in c.groups:
            for name, render in PAGES.items():
                assert re.search(rf"(?<![\d,]){g.crowns}(?![\d,])", render(released())), (name, g.name)
    tables = [
        [[cell.text for cell in row.cells] for row in shape.table.rows]
        for n in DECKS
        for slide in Presentation(io.BytesIO(shown()[n])).slides
        for shape in slide.shapes
        if shape.has_table
    ]
    told = {g.label: (str(g.crowns), str(g.patients), str(g.failures)) for g in released().comparisons[0].groups}
    counted = [row for t in tables if "Patients" in t[0] and "Failures" in t[0] for row in t[1:] if row[0] in told]
    assert counted
    main = [row for row in counted if tuple(row[1:4]) == told[row[0]]]
    assert len(main) >= len(told)


def test_alternative_texts_and_notes_hold_no_number_that_is_not_shown() -> None:
    known = set(re.findall(r"\d+", " ".join([plain(study_club.render(released())), repr(released())])))
    for n in DECKS:
        for slide in Presentation(io.BytesIO(shown()[n])).slides:
            texts = [
                s._element.xpath(".//p:cNvPr")[0].get("descr") or "" for s in slide.shapes if s.has_chart or s.has_table
            ]
            for text in texts:
                numbers = set(re.findall(r"\d+", text.replace(",", "")))
                assert numbers <= known | {str(n) for n in range(1, 30)}, text


def test_no_shared_file_tells_what_was_withheld_or_names_a_record() -> None:
    text = "\n".join(m for data in shown().values() for m in members(data))
    assert released().withheld
    assert [why for _, why, _ in released().withheld if why in text] == []
    assert SUFFIX not in text
    assert not re.search(r"href=\"(?!#|https?:|data:)[^\"]*(owner|clinician|my_cases|results\.json)", text)


def test_no_shared_file_hangs_on_what_is_for_the_practice_alone() -> None:
    """The owner's sheet, a clinician's own cases, signals, learning, plans: gone, the shared bytes stay."""
    inside = {
        f.name: f.default if f.default is not dataclasses.MISSING else f.default_factory()
        for f in dataclasses.fields(Results)
        if f.name in ("own_cases", "owner", "monitoring", "learning", "planning", "benchmarks", "agreement", "evidence")
    }
    assert len(inside) == 8
    assert files(release(dataclasses.replace(results(), **inside))) == shown()


def test_denominators_from_percentages_leave_at_least_five_open() -> None:
    """A share and the told count of its teeth: how many numbers of teeth behind it fit both?"""
    seen = 0
    for t in released().rates:
        for r in t.rows:
            if r.in_place is None or r.teeth.value is None:
                continue
            step = percent_step(r.teeth.value)
            assert step is not None
            fits = {
                k
                for n in range(max(SMALLEST, r.teeth.value - SLACK), r.teeth.value + SLACK + 1)
                for k in range(n + 1)
                if abs(100 * (n - k) / n - r.in_place) < step
            }
            # Told only where at least 11 are behind it.
            assert len({k for k in fits if k >= SMALLEST}) >= 5
            seen += 1
    assert seen > 5


@pytest.mark.parametrize("name", samples.few_at_once("differs", "little_difference"))
def test_the_ratio_of_two_ends_of_a_range_does_not_pin_down_failures(name: str) -> None:
    """The width of an unadjusted range says 1/a + 1/b of the failures of two groups, as finely as its two figures."""
    for c in released(name).comparisons:
        told = {g.name: g.failures.value for g in c.groups}
        for e in (e for e in c.estimates if not e.adjusted_for):
            ends = [told[n] for n in e.contrast.split(" vs ")]
            assert None not in ends
            grain = [0.05 if v >= 1 else 0.025 for v in (e.low, e.high)]
            widths = [math.log((e.high + s * grain[1]) / (e.low - s * grain[0])) / (2 * 1.96) for s in (1.0, -1.0)]
            fits = {
                min(a, b)
                for a in range(max(1, ends[0] - SLACK), ends[0] + SLACK + 1)
                for b in range(max(1, ends[1] - SLACK), ends[1] + SLACK + 1)
                if widths[1] <= math.sqrt(1 / a + 1 / b) <= widths[0]
            }
            # Clustered errors fit no such counts at all; where some fit, they never tell that one is of few.
            assert not fits or max(fits) >= SMALLEST


def test_the_same_records_under_other_settings_tell_every_count_alike() -> None:
    """Another horizon, another smallest difference: one rounding, so that the two are like one longer release."""
    other = dataclasses.replace(results(), analysis={**results().analysis, "horizon_years": "3"})
    assert [g.crowns for c in release(other).comparisons for g in c.groups] == [
        g.crowns for c in released().comparisons for g in c.groups
    ]


def test_two_thresholds_on_the_same_crowns_leave_who_lies_between_open() -> None:
    """Crowned within 90 days and within 95: the few between are the difference of two told counts."""
    for i in range(40):
        gate = Gate(Rounding(str(i).encode()))
        for n in range(30, 200, 7):
            for between in (1, 3, 5, 9):
                first, second = gate.teeth(n), gate.teeth(n + between)
                assert first is not None
                assert second is not None
                least = 0 if first == second else 1
                assert second - first <= 10 + 5 * (between > 5)
                assert max(second - first + 2 * SLACK, SLACK) >= between >= least
                if second - first - 2 * SLACK >= 1 or first != second:
                    assert second - first + 2 * SLACK >= SMALLEST


def test_two_groupings_of_the_same_crowns_tell_a_group_alike_or_hide_it_in_both() -> None:
    gate = Gate(Rounding(b"x"))
    told: list[list[int | None]] = []
    while not told or not gate.settled:
        gate.walk()
        told = [
            gate.table(("epoxy", "silicate", "hydroxide", "eugenol"), [310, 122, 24, 6]),
            gate.table(("epoxy", "silicate", "hydroxide", "all others"), [310, 122, 24, 40]),
            gate.table(("epoxy", "silicate", "all others"), [310, 122, 10]),
        ]
    assert told[2][1:] == [None, None]
    assert [row[1] for row in told] == [None, None, None]
    assert len({row[0] for row in told}) == 1
    assert [row.count(None) for row in told] == [3, 3, 2]


def test_letters_of_clinicians_in_two_releases_do_not_match() -> None:
    """A letter followed from one release to the next would give a career."""
    orders = set()
    for i in range(12):
        rates = release(dataclasses.replace(results(), records=Records(str(i)))).rates
        table = next(t for t in rates if t.by == "provider_id" and t.outcome == "crown_survival")
        exact = next(t for t in results().rates if t.by == "provider_id" and t.outcome == "crown_survival")
        orders.add(tuple(_nearest(r, exact.rows) for r in table.rows))
    assert len(orders) > 6


def _nearest(row: ReleasedRate, exact: tuple[RateRow, ...]) -> str:
    return min(exact, key=lambda r: abs(r.teeth - (row.teeth.value or 0))).name


@pytest.mark.one_in(6)
@pytest.mark.parametrize("some", range(6))
def test_releases_one_patient_apart_that_nobody_remembered_cannot_be_subtracted(some: int) -> None:
    """Thirty practices, twice each, without one patient: where the memory is lost, the rounding stands alone.

    Of no count is it sure that it changed, and what flips between hidden and told does so as often without him.
    """
    flips = {"his": [0, 0], "others": [0, 0]}
    for seed in range(5 * some, 5 * some + 5):
        rng = np.random.default_rng(seed)
        n = int(rng.integers(300, 900))
        rows = {f"{by} {i}": rng.integers(0, many, n) == i for by, many in (("year", 20), ("group", 3), ("site", 4))
                for i in range(many)}  # fmt: skip
        rows |= {f"failed {k}": v & (rng.random(n) < 0.12) for k, v in list(rows.items())}
        his = np.zeros(n, dtype=bool)
        his[rng.integers(0, n)] = True
        one, two = (Rounding(f"{seed} {k}".encode()) for k in "ab")
        for inside in rows.values():
            before, after = one.count(int(inside.sum())), two.count(int((inside & ~his).sum()))
            whose = "his" if (inside & his).any() else "others"
            flips[whose][0] += (before is None) != (after is None)
            flips[whose][1] += 1
            if before is not None and after is not None:
                assert before - after - 2 * SLACK <= 0
                assert before - after + 2 * SLACK >= 1
            elif before is not None:
                assert before <= 15 + STEP_UP  # hidden in the other one: 14 at most, so either may be 11 to 14
    assert flips["others"][1] > 200
    assert flips["others"][0] > 0


STEP_UP = 5


def test_a_record_lies_beside_each_file_with_its_hash_its_reasons_and_a_line_to_sign() -> None:
    import datetime as dt
    import hashlib

    day = dt.date(2026, 11, 29)
    standing = Standing(dt.date(2026, 10, 1), "near", f"{'a1' * 8} {'0f' * 8}")
    made = records(shown(), released(), of=Records("secret digest", 14, 3), standing=standing, day=day)
    assert set(made) == {f"{n}{SUFFIX}" for n in shown()}
    for name, data in shown().items():
        text = made[f"{name}{SUFFIX}"].decode()
        assert hashlib.sha256(data).hexdigest() in text
        assert "29 November 2026" in text
        assert release_noted(text) == standing.note
        assert "1 October 2026" in text
        assert "fewer than 11 patients" in " ".join(text.split())
        assert "Looked at by: ____" in text
        assert "under 28 teeth, under 6 failures" in " ".join(text.split())
        assert all(place in text for place, _, _ in released().withheld)
        assert f"smallest_difference_per_100 = {results().analysis['smallest_difference_per_100']}" in text
        assert "secret digest" not in text
        assert max(map(len, text.splitlines())) <= 84
        assert not re.search(r"\b(legally|compliant|de-identified|anonymi[sz]ed)\b", text)


def record_of(of: Released, teeth_of_one: int = 1) -> str:
    """The record of one file without a day."""
    made = records({"a.html": b""}, of, of=Records("", teeth_of_one), standing=Standing(), day=None)
    return made[f"a.html{SUFFIX}"].decode()


def test_a_record_of_a_release_that_hides_nothing_says_so() -> None:
    bare = dataclasses.replace(released(), withheld=(), rules=(), practice=None, methods=ReleasedMethods())
    text = record_of(bare)
    assert "WHAT WAS WITHHELD, AND WHY\n\nNothing.\n\n" in text
    assert "SETTINGS\n\nNone.\n\n" in text
    assert "\nFigures made on     not noted\n" in text
    assert "\nPractice named      no\nPrograms            not known\n" in text
    assert text.endswith("_\n")
    with pytest.raises(ValueError, match="declared ways"):
        Standing(None, "old")
    with pytest.raises(TypeError, match="released result only"):
        records({}, results(), of=Records(), standing=Standing(), day=None)  # type: ignore[arg-type]


def test_a_record_tells_each_thing_in_its_place_and_breaks_no_word() -> None:
    hidden = (("Table of crowns", "too few", 2), ("", "too few patients", 1), ("Table of crowns", "one patient", 3))
    long = "x" * 90
    versions = tuple((f"program{i}", "1.2.3") for i in range(6))
    text = record_of(
        dataclasses.replace(
            released(),
            practice="Alder Row Dental",
            withheld=hidden,
            rules=(("crown_repost_days", "60"), ("words", long)),
            methods=ReleasedMethods(analysis=(("horizon_years", "5"),), versions=versions),
        )
    )
    assert "Table of crowns\n- 2 x too few\n- 3 x one patient\nElsewhere\n- 1 x too few patients\n\n" in text
    assert f"SETTINGS\n\n- crown_repost_days = 60\n- words =\n  {long}\n- horizon_years = 5\n\n" in text
    assert "\nPractice named      yes\n" in text
    # The second line of a value stands under the first.
    [programs] = re.findall(r"^Programs +(.*(?:\n {20}\S.*)+)$", text, re.MULTILINE)
    assert " ".join(programs.split()) == ", ".join(f"{name} {version}" for name, version in versions)


@pytest.mark.parametrize(("teeth", "is_told"), [(21, False), (22, True)])
def test_a_patient_with_twice_eleven_teeth_is_told_of(teeth: int, is_told: bool) -> None:
    assert (
        "so many teeth that numbers followed are told in steps" in " ".join(record_of(released(), teeth).split())
    ) is is_told
