"""Counts read back from curves: from what pages and slides hold of them, in every form."""

from __future__ import annotations

import dataclasses
import functools
import io
import itertools
import json
import re
import urllib.parse
import zipfile

import pytest
import sample_results as samples
from half_years import with_half_years
from pptx import Presentation

from dashboards.pages import study_club
from dashboards.release.curve import release_curve, told_table
from dashboards.release.released import Released, release
from dashboards.talk import appendix, story
from pipeline.release.disclosure import SLACK, SMALLEST, Gate, Rounding
from pipeline.results import CurvePoint, Group
from pipeline.results.records import Records


@functools.cache
def released(name: str = "differs", key: str = "curves") -> Released:
    return release(dataclasses.replace(samples.all_variants()[name], records=Records(key)))


def on_half_years(values: list[float]) -> bool:
    return all(abs(2 * v - round(2 * v)) < 1e-9 for v in values)


def test_charts_of_the_page_hold_half_years_and_whole_percent_alone() -> None:
    page = study_club.render(released())
    blocks = re.findall(r'<script type="application/json" data-for="s\d+-curves">(.*?)</script>', page)
    assert len(blocks) == len(released().comparisons)
    for block in blocks:
        for trace in json.loads(block)["data"]:
            assert on_half_years(trace["x"])
            assert all(float(y).is_integer() for y in trace["y"])
            assert min(trace["x"]) > 0
            assert "bdata" not in json.dumps(trace)


def test_the_data_to_save_from_the_page_are_the_points_and_no_more() -> None:
    page = study_club.render(released())
    sheets = [urllib.parse.unquote(a) for a in re.findall(r"data:text/csv;charset=utf-8,([^\"]*)", page)]
    curves = [s for s in sheets if "months" in s.splitlines()[0]]
    assert len(curves) == len(released().comparisons)
    for sheet, c in zip(curves, released().comparisons, strict=True):
        rows = [r.replace(chr(34), "").rsplit(",", 4)[1:] for r in sheet.strip().splitlines()[1:]]
        told = [(p.months, p.failed if p.told else "", p.low, p.high) for g in c.groups for p in g.points]
        assert rows == [[str(v) for v in point] for point in told]


def test_workbooks_behind_the_slides_hold_the_points_and_no_more() -> None:
    """Every number of every workbook and every cached value of a chart, read as bytes."""
    points = {(p.failed, p.low, p.high) for c in released().comparisons for g in c.groups for p in g.points}
    shown = {float(v) for p in points for v in (*p, p[0] - p[1], p[2] - p[0])}
    shown |= {float(v) for e in released().everyday for p in e.points for v in (p.of_100, p.low, p.high)}
    shown |= {abs(a - b) for e in released().everyday for p in e.points
              for a, b in itertools.combinations((p.of_100, p.low, p.high), 2)}  # fmt: skip
    seen = 0
    for render in (story.render, appendix.render):
        deck = render(released())
        for slide in Presentation(io.BytesIO(deck)).slides:
            for chart in (s.chart for s in slide.shapes if s.has_chart):
                values = {v for p in chart.plots for s in p.series for v in s.values if v is not None}
                months = [str(c).strip() for p in chart.plots for c in p.categories]
                if all(m.isdigit() for m in months) and len(months) > 15:
                    assert values <= shown
                    seen += len(values)
        with zipfile.ZipFile(io.BytesIO(deck)) as package:
            for name in (n for n in package.namelist() if n.endswith(".xlsx")):
                with zipfile.ZipFile(io.BytesIO(package.read(name))) as book:
                    cells = re.findall(rb"<v>([^<]*)</v>", book.read("xl/worksheets/sheet1.xml"))
                    assert all(float(v) % 1 == 0 for v in cells)
    assert seen > 20


def gates(n: int) -> list[Gate]:
    return [Gate(Rounding(str(i).encode())) for i in range(n)]


@pytest.mark.parametrize("name", samples.few_at_once("differs", "cannot_tell"))
def test_what_a_curve_gives_back_of_its_counts_is_never_fewer_than_eleven(name: str) -> None:
    """The attacker knows the told counts behind a curve outright, and where they change.

    Between two changes lie at least 11 failures; the first may hide up to 19 and never surely fewer than 11 but some.
    """
    exact, changes = 0, 0
    for gate in gates(3):
        for c in samples.all_variants()[name].comparisons:
            for g in c.groups:
                table = told_table(gate, g)
                if table is None:
                    continue
                behind = told_before = 0
                for i, told in table.changes:
                    failed = samples.failed_by(g, table.months[i])
                    least = max(SMALLEST, told - told_before - SLACK * (2 if told_before else 1))
                    most = told - told_before + SLACK * (2 if told_before else 1)
                    assert least <= failed - behind <= most
                    assert most >= SMALLEST
                    changes += 1
                    exact += least == most
                    behind, told_before = failed, told
    assert changes > 30 or name in samples.WITHOUT_CURVES
    assert exact == 0


def test_no_half_year_is_known_to_hold_one_failure_alone() -> None:
    """A change tells that some failed in its half-year: it may be any number up to 11, whatever is told of it."""
    group = _spread(600, [10 * i for i in range(1, 200)])
    for gate in gates(30):
        table = told_table(gate, group)
        assert table is not None
        for (i, told), (j, more) in itertools.pairwise(table.changes):
            # Up to the half-year before the change fewer than 11 have failed since the last one, or it were told.
            before = samples.failed_by(group, table.months[j - 1]) - samples.failed_by(group, table.months[i])
            in_it = samples.failed_by(group, table.months[j]) - samples.failed_by(group, table.months[j - 1])
            most = more + SLACK - (told - SLACK)
            assert 1 <= in_it <= most
            assert most >= SMALLEST
            assert before >= 0


def _spread(n: int, days: list[int]) -> Group:
    points, alive = [], n
    for day in days:
        at_risk, alive = alive, alive - 1
        s = alive / n
        points.append(CurvePoint(day, at_risk, s, s * 0.97, min(s * 1.03, 1.0)))
    return with_half_years(Group("before_seat", "", n, n, len(days), 1.0, 1.0, 1.0, 1.0, tuple(points), ()))


@pytest.mark.parametrize("gone", [0, 40, 120, 198])
def test_a_curve_less_one_failure_is_no_telling_curve(gone: int) -> None:
    """One patient apart, each rounded by its own records: ends, beginnings and changes move as often without him."""
    days = [10 * i for i in range(1, 200)]
    whole, less = _spread(600, days), _spread(600, [d for i, d in enumerate(days) if i != gone])
    moved = {"with": 0, "without": 0}
    for i in range(60):
        one, two = Gate(Rounding(f"a{i}".encode())), Gate(Rounding(f"b{i}".encode()))
        tables = [told_table(one, whole), told_table(two, less), told_table(two, whole)]
        assert None not in tables
        moved["with"] += tables[0] != tables[1]
        moved["without"] += tables[0] != tables[2]
    assert moved["without"] > 50
    assert abs(moved["with"] - moved["without"]) <= 9


def test_curves_of_one_release_and_of_one_gate_are_the_same() -> None:
    results = dataclasses.replace(samples.differs(), records=Records("curves"))
    gate = Gate(Rounding(b"x"))
    g = results.comparisons[0].groups[0]
    assert release_curve(gate, g, teeth=900) == release_curve(Gate(Rounding(b"x")), g, teeth=900)
    assert release_curve(gate, g, teeth=900) != release_curve(Gate(Rounding(b"y")), g, teeth=900)
