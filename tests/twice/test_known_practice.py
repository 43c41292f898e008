"""From files to figures, sentence and charts of the main comparison: against R, which read what is known of the teeth.

`python tests/twice/test_known_practice.py` freezes what R says today; with `looks` behind it how charts look, and what
is said where parts are others.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
import os
import re
import shutil
import subprocess
import sys
import tempfile
import unittest.mock
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import known_files
import known_looks
import known_page
import known_parts
import known_practice
import numpy as np
import polars as pl
import pytest
from twice_compare import comparison, gaps
from twice_sentences import much

from dashboards.pages import comparison as page
from dashboards.pages import crowns, index
from dashboards.results_json import as_bytes
from pipeline.practice.settings import Settings
from pipeline.practice.tables import CROWNS
from pipeline.questions.comparisons import QUESTIONS, LinkedTables
from pipeline.questions.robustness import robustness_of
from pipeline.questions.techniques.family import among_headlines, in_family, main_p
from pipeline.reading.config import load_settings
from pipeline.results import Comparison, Results, to_plain
from pipeline.stages import compare, run
from pipeline.storing.store import open_store

FROZEN = Path(__file__).with_name("frozen_known.json")
R_FILES = Path(__file__).parent / "r"
TODAY = dt.date(2025, 6, 30)
READY = "KNOWN_PRACTICE_LINKED"
# R has both models: that with one ratio, and that in which it may change since the opening.
STEADY = {"pipeline.questions.steady_ratio.CHANGES_BELOW": 0.0, "pipeline.questions.steady_ratio.STEADY_FROM": 0.0}
CHANGING = {"pipeline.questions.steady_ratio.CHANGES_BELOW": 0.0, "pipeline.questions.steady_ratio.STEADY_FROM": 2.0}


@dataclasses.dataclass(frozen=True)
class Made:
    """What the program made of the files: stored crowns, the comparison by either model of the ratio, and in parts."""

    crowns: pl.DataFrame
    results: Results
    changing: Comparison
    in_parts: Results

    @property
    def main(self) -> Comparison:
        """The main comparison."""
        return self.results.comparisons[0]


class _KeptError(Exception):
    """Ends a run once the tables to compare are read."""


def linked(folder: Path) -> Settings:
    """The practice written, read and linked; a copy of one made before, where there is one (`tests/mutants`)."""
    if READY in os.environ:
        shutil.copytree(os.environ[READY], folder, dirs_exist_ok=True)
        return load_settings(folder / "practice.toml")
    settings = load_settings(known_files.write(known_practice.draw(), folder))
    run.ingest_stage(settings, today=TODAY, say=lambda _: None, keep_ids=True)
    run.link_stage(settings, say=lambda _: None)
    return settings


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return make(tmp_path_factory.mktemp("known"))


def make(folder: Path) -> Made:
    """All that is held here, of the practice in an empty folder."""
    settings = linked(folder)
    asked: dict[str, Any] = {}

    def keep(stored: object, analysis: object, **_: object) -> None:
        asked.update(stored=stored, analysis=analysis)
        raise _KeptError

    with unittest.mock.patch("pipeline.stages.run.compare", keep), suppress(_KeptError):
        run.compare_stage(settings, say=lambda _: None, today=TODAY)
    results, changing = (_main_alone(**asked, limits=limits) for limits in (STEADY, CHANGING))
    in_parts = run.compare_stage(settings, say=lambda _: None, today=TODAY, parts=3)
    with open_store(settings.practice.database, read_only=True) as store:
        return Made(store.read(CROWNS), results, changing.comparisons[0], in_parts)


def _main_alone(stored: Any, analysis: Any, *, limits: dict[str, float]) -> Results:
    """As `compare` makes it, no other question asked; `limits` say from when a ratio is taken as steady."""
    stored = compare._with_numbered_patients(stored)
    records = LinkedTables(stored.every_crown, stored.every_course, stored.tooth_followup, stored.inputs["patients"])
    with ExitStack() as stack:
        for name, value in limits.items():
            stack.enter_context(unittest.mock.patch(name, value))
        main = QUESTIONS[0].answer(records, analysis)
    main = in_family(main, among_headlines({main.id: main_p(main, analysis)}, main=main.id)[main.id], analysis)
    told = robustness_of(main, QUESTIONS[0].rows(records), analysis, cutoff=stored.cutoff)
    return dataclasses.replace(compare._results(stored), comparisons=(dataclasses.replace(main, robustness=told),))


@pytest.fixture(scope="module")
def theirs() -> dict[str, Any]:
    return json.loads(FROZEN.read_text(encoding="utf-8"))


def test_what_is_stored_is_what_became_of_the_teeth(made):
    columns = [name for name in known_practice.FIELDS if name != "crown_id"]
    own = made.crowns.filter(pl.col("crown_kind") == "single", ~pl.col("done_elsewhere"))
    stored = [tuple("" if v is None else str(v).lower() for v in row) for row in own.select(columns).iter_rows()]
    known = [tuple(str(row[name]).lower() for name in columns) for row in known_practice.draw().crowns]
    assert sorted(set(stored) - set(known)) == sorted(set(known) - set(stored)) == []
    assert len(stored) == len(known)


def test_every_figure_is_that_of_r(made, theirs):
    assert gaps(comparison(_plain(made.main)), theirs["main"]) == []


def test_the_difference_by_a_ratio_that_may_change_is_that_of_r(made, theirs):
    # R fits all again with each patient's weight moved, which leaves some 1e-5 of an error.
    known, found = theirs["changing"], made.changing
    d, m = found.difference, found.mean_years
    assert (d.from_days, d.years) == (theirs["main"]["difference"]["from_days"], 5)
    assert [d.per_100, d.ci_low, d.ci_high] == pytest.approx(list(known["difference"].values()), rel=1e-4)
    assert found.steady.overall == pytest.approx(known["overall"], rel=1e-4)
    assert [m.difference, m.ci_low, m.ci_high] == pytest.approx(known["mean_years"], rel=1e-4)
    assert found.verdict.code == theirs["main"]["verdict"]["code"]
    assert much(found.verdict.result) == round(known["difference"]["estimate"])
    assert found.verdict.smallest_difference_per_100 == 5


def test_whether_the_first_year_is_as_the_others_is_tested_as_in_r(made, theirs):
    known = theirs["first_year"]
    for found in (made.main.steady, made.changing.steady):
        wald = found.tests[-1]
        assert (wald.term, wald.df) == ("through_crown", 1)
        assert (wald.chi_square, wald.p) == pytest.approx((known["chi"], known["p"]), rel=1e-5)
        assert gaps(_plain(found.phases), known["phases"]) == []
        own = next(t.p for t in found.tests if t.term == "through_crown")
        assert found.p == min(1, 2 * min(wald.p, own))  # two looks at one ratio, by Holm
    assert (made.main.steady.steady, made.changing.steady.steady) == (True, None)


def test_every_figure_in_parts_is_that_of_r(made, theirs):
    told = _plain(dataclasses.replace(made.in_parts.comparisons[0], robustness=made.main.robustness))
    main = comparison(told)
    main["notes"] = main["notes"][1:]  # that it was made in parts
    assert gaps(main, theirs["main"]) == []


def test_the_same_patients_say_what_they_say_in_r(made, theirs):
    assert gaps(_plain(made.main.within_patient), theirs["within"]) == []


LABELS = {
    "before_seat": "Root canal before the seat",
    "vital": "No root canal so far",
    "through_crown": "Root canal through the crown",
}
YEARS = 365.25


def lost_with_range(m: dict[str, float]) -> str:
    return f"{known_page.lost(m['survival'])} ({known_page.lost(m['ci_high'])} to {known_page.lost(m['ci_low'])})"


def rows_of(columns: dict[str, list[Any]]) -> list[dict[str, Any]]:
    """R's columns as rows."""
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


@pytest.fixture(scope="module")
def section(made) -> dict[str, Any]:
    """All that the page of crowns shows of the main comparison."""
    return page.section(made.results, made.main, "c0")


def test_results_json_says_what_r_found(made, theirs):
    filed = json.loads(as_bytes(made.results))["comparisons"][0]
    main, shares, told = theirs["main"], filed["naive"]["survival"], made.main.verdict
    assert filed["id"] == "crown_longevity_by_endo_timing"
    assert (filed["verdict"], filed["verdict_code"]) == (told.sentence, main["verdict"]["code"])
    assert filed["missing"] == main["missing"]
    for found, known in zip(filed["groups"], main["groups"], strict=True):
        shown = [m for m in rows_of(known["milestones"]) if m["survival"] is not None and m["years"] > 0]
        wanted = [[m[k] for k in ("years", "survival", "ci_low", "ci_high", "followed")] for m in shown]
        given = [[m[k] for k in ("years", "estimate", "ci_low", "ci_high", "at_risk")] for m in found.pop("survival")]
        assert np.array(given) == pytest.approx(np.array(wanted), rel=1e-6)
    same = {
        "naive": filed["naive"] | {"survival": [[s["name"], s["estimate"]] for s in shares]},
        "robustness": filed.pop("honesty"),
        "verdict": filed.pop("verdict_parts"),
        "missing": [],
    }
    kept = comparison(filed | same)
    assert gaps({k: v for k, v in kept.items() if k != "verdict_code"}, main | {"missing": []}) == []
    for name in ("steady", "mean_years", "within_patient"):
        assert filed[name] == _plain(getattr(made.main, name))
    ratio = next(e for e in main["estimates"] if e["adjusted_for"])  # one look at the records, at its whole share
    assert (told.looked.looks, told.looked.share) == (1, 1)
    assert [told.looked.p, told.looked.p_family] == pytest.approx([ratio["p"]] * 2, rel=1e-6)


def test_curves_are_drawn_as_r_found_them(section, theirs):
    drawn: dict[str, list[tuple[float, ...]]] = {}
    for label, *point in section["curves"].sheet.rows:
        drawn.setdefault(label, []).append(tuple(point))
    assert list(drawn) == list(LABELS.values())
    for group in theirs["main"]["groups"]:
        points = rows_of(group["curve"])
        start = (group["starts_at_days"] / YEARS, 0, 0, 0)
        steps = [
            (p["days"] / YEARS, *(100 * (1 - p[name]) for name in ("survival", "ci_high", "ci_low"))) for p in points
        ]
        if start[0] > 0:  # of a group that enters late the line begins where it first falls
            steps = [step for step in steps if step[1] > 0]
            start = (steps[0][0], 0, 0, 0)
        wanted = [start, *steps]
        if group["stops_at_days"] / YEARS > wanted[-1][0]:
            wanted.append((group["stops_at_days"] / YEARS, *wanted[-1][1:]))
        assert np.array(drawn[LABELS[group["name"]]]) == pytest.approx(np.array(wanted), abs=6e-5)


def test_tables_hold_what_r_found(section, theirs):
    groups = theirs["main"]["groups"]
    by_year = {g["name"]: {m["years"]: m for m in rows_of(g["milestones"])} for g in groups}
    for group, shown in zip(groups, section["under"].groups, strict=True):
        rows = dict(shown.rows)
        for name in ("entered", "failed", "ended", "followed"):
            counts = [by_year[group["name"]][year][name] for year in section["under"].years]
            assert rows[name] == tuple(f"{n:,}" for n in counts)
    assert section["survival"].heads == ("Years", *LABELS.values())
    for year, *cells in section["survival"].rows:
        at = [by_year[g["name"]][float(year)] for g in groups]
        assert cells == ["–" if m["survival"] is None else lost_with_range(m) for m in at]
    assert [int(row[0]) for row in section["survival"].rows] == [1, 2, 3, 5, 7, 10]
    # Whoever was followed in a group, as its curve counts them; patients by label stand in results.json alone.
    assert tuple(row[:2] + row[3:] for row in section["groups"].rows) == tuple(
        (
            LABELS[g["name"]],
            f"{max(m['entered'] for m in by_year[g['name']].values()):,}",
            f"{g['failures']:,}",
            f"{g['tooth_years']:,.0f}",
            f"{g['rate_per_100_tooth_years']:.1f}",
            f"{g['rate_ci_low']:.1f} to {g['rate_ci_high']:.1f}",
        )
        for g in groups
    )
    ratios = [*theirs["main"]["estimates"], theirs["main"]["naive"]]
    shown = [(row[2], row[3]) for row in section["estimates"].rows]
    assert shown == [(f"{e['hazard_ratio']:.2f}", f"{e['ci_low']:.2f} to {e['ci_high']:.2f}") for e in ratios]
    counted = [row[4:] for row in section["estimates"].rows[:-1]]
    assert counted == [tuple(f"{e[n]:,}" for n in ("crowns", "events", "clusters")) for e in ratios[:-1]]


def test_counts_that_no_page_shows_are_those_of_the_teeth(made):
    files = known_practice.draw()
    for group in (*made.main.groups, *made.in_parts.comparisons[0].groups):
        rows = known_page.spells(files)[group.name]
        labelled = [c for c in files.crowns if c["endo_timing"] == group.name]
        failed = {c["patient_id"] for c in labelled if c["failure"] == "true"}
        assert (group.followed, group.followed_patients) == (len(rows), len({who for who, *_ in rows}))
        assert group.failed_patients == len(failed)
        for at in group.half_years:
            day = int(at.months * YEARS / 12)
            first = {who: min(days for one, _, days, fails in rows if fails and one == who) for who in failed}
            wanted = (
                sum(start <= day < end for _, start, end, _ in rows),
                sum(fails and end <= day for _, _, end, fails in rows),
                sum(days <= day for days in first.values()),
            )
            assert (at.followed, at.failed, at.failed_patients) == wanted
        assert [at.months for at in group.half_years] == list(range(0, 6 * len(group.half_years), 6))
    told = known_page.shares(files)
    for row in made.main.robustness.balance:
        if row.name.startswith(("tooth_group", "material")):
            wanted = [told[name].get(row.name, 0) for name in ("through_crown", "before_seat")]
            assert [row.of_group, row.of_reference] == pytest.approx(wanted)


def test_rows_read_and_left_out_are_those_of_the_files(made):
    files = known_practice.draw()
    rows = files.ledger
    third, done = len(rows) // 3, sum(row["State"] == "C" for row in rows)
    read, back = len(rows[: 2 * third]) + len(rows[third:]), 2 * sum(int(row["Charge"]) < 0 for row in rows)
    wanted = [(read, 0), (len(rows), read - len(rows)), (len(rows), 0), (done, len(rows) - done), (done - back, back)]
    assert [(step.left, step.removed) for step in made.results.quality.flow] == wanted
    twice = len(known_files.listed(files)) - len(files.patients)
    loads = {load.file: (load.rows_read, load.loaded, load.duplicate) for load in made.results.quality.loads}
    assert loads == {
        "ledger-1.csv": (2 * third, 2 * third, 0),
        "ledger-2.csv": (len(rows) - third, len(rows) - 2 * third, third),
        "patients.csv": (len(known_files.listed(files)), len(files.patients), twice),
        "details.csv": (len(files.details), len(files.details), 0),
        "elsewhere.csv": (len(files.elsewhere), len(files.elsewhere), 0),
    }


def test_what_is_drawn_stands_where_its_figures_are(section, theirs):
    for name in ("difference", "naive", "forest", "balance"):
        spec, rows = section[name].spec, section[name].sheet.rows
        axis = spec["layout"]["xaxis"]
        low, top = (10**end if axis["type"] == "log" else end for end in axis["range"])
        dots, ends = (_places(spec, mode) for mode in ("markers", "lines"))
        drawn = rows[: len(dots)]  # of what lay apart the most unlike
        inside = [[min(max(v, low), top) for v in row[2:] if v is not None] for row in drawn]
        assert [x for _, x in dots] == pytest.approx([values[0] for values in inside])
        assert [x for _, x in ends] == pytest.approx([v for values in inside for v in values[1:]])
        assert len({y for y, _ in dots}) == len(dots)  # none on another
        order = {label: place for place, label in enumerate(dict.fromkeys(row[0] for row in rows))}
        assert [math.floor(y) for y, _ in dots] == [order[row[0]] for row in drawn]
    traces = section["curves"].spec["data"]
    lines = [trace for trace in traces if "name" in trace]
    bands = [trace for trace in traces if "name" not in trace]
    for line, low, high, group in zip(lines, bands[::2], bands[1::2], theirs["main"]["groups"], strict=True):
        rows = [row[1:] for row in section["curves"].sheet.rows if row[0] == line["name"] == LABELS[group["name"]]]
        assert [*zip(line["x"], line["y"], low["y"], high["y"], strict=True)] == rows
        assert line["x"] == low["x"] == high["x"]
        assert [row[:2] for row in line["customdata"]] == [[round(v) for v in row[2:]] for row in rows]
        followed = {round(p["days"] / YEARS, 4): p["at_risk"] for p in rows_of(group["curve"])}
        assert all(followed.get(x, n) == n for x, (*_, n) in zip(line["x"], line["customdata"], strict=True))


def _places(spec: dict[str, Any], mode: str) -> list[tuple[float, float]]:
    """How far down and how far right the ends of lines or the dots of a chart stand, row by row."""
    traces = [trace for trace in spec["data"] if trace["mode"] == mode]
    return sorted((-y, x) for t in traces for x, y in zip(t["x"], t["y"], strict=True) if x is not None)


def test_what_is_said_where_a_part_is_not_known(made):
    assert known_parts.parts(made.results, made.main) == known_parts.KEPT.read_text(encoding="utf-8").splitlines()


def test_charts_look_as_they_are_to_look(section):
    assert known_looks.looks(section) == known_looks.KEPT.read_text(encoding="utf-8").splitlines()


def test_charts_of_one_row_a_figure_hold_what_r_found(section, theirs):
    main = theirs["main"]
    pairs = [[d["per_100"], d["ci_low"], d["ci_high"]] for d in (main["difference"], main["crude_difference"])]
    assert np.array([row[2:] for row in section["difference"].sheet.rows]) == pytest.approx(np.array(pairs), rel=1e-6)
    ratios = [[e["hazard_ratio"], e["ci_low"], e["ci_high"]] for e in (*main["estimates"], main["naive"])]
    assert np.array([row[2:] for row in section["forest"].sheet.rows]) == pytest.approx(np.array(ratios), rel=1e-6)
    assert [bool(re.match("Adjusted", row[0])) for row in section["forest"].sheet.rows] == [
        bool(e.get("adjusted_for")) for e in (*main["estimates"], main["naive"])
    ]
    five = {g["name"]: next(m for m in rows_of(g["milestones"]) if m["years"] == 5) for g in main["groups"]}
    by_label = [(LABELS[name], known_page.lost(share)) for name, share in main["naive"]["survival"]]
    followed = [(LABELS[name], known_page.lost(five[name]["survival"])) for name, _ in main["naive"]["survival"]]
    assert [row[1:3] for row in section["naive"].sheet.rows] == [*by_label, *followed]
    assert section["naive_table"].rows == tuple(
        (label, str(wrong), str(right)) for (label, wrong), (_, right) in zip(by_label, followed, strict=True)
    )


def test_the_page_says_word_for_word_what_r_found(made, theirs):
    # R has the mean years by the model whose ratio may change.
    main = dataclasses.replace(made.main, mean_years=made.changing.mean_years)
    [turn] = [found for found in main.robustness.leaving.tipping if found.verdict]
    wanted = known_page.wanted(theirs, known_practice.draw(), (turn.extra_per_100, turn.ratio))
    results = dataclasses.replace(made.results, comparisons=(main,))
    assert known_page.told(crowns.render(results)) == wanted
    assert known_page.in_short(theirs, known_practice.draw()) in known_page.told(index.render(results))


def test_sentences_beside_it_say_what_r_found(made, theirs):
    labels, known = ("first_year", "later"), theirs["first_year"]["phases"]
    assert [p["phase"] for p in known] == list(labels)
    phases = [(p["hazard_ratio"], p["ci_low"], p["ci_high"]) for p in known]
    within = [theirs["within"][name] for name in ("hazard_ratio", "ci_low", "ci_high")]
    years = [12 * value for value in theirs["changing"]["mean_years"]]
    assert max(years) < 0  # so that each of the three is told as shorter
    changing = page.section(made.results, made.changing, "c0")["beside"]
    steady, overall, mean_years, patients = (re.findall(r"\d+\.\d", text) for text in changing)
    assert steady == [f"{value:.1f}" for phase in phases for value in phase]
    assert overall == [f"{value:.1f}" for value in theirs["changing"]["overall"]]
    assert [float(n) for n in mean_years[1:]] == pytest.approx([-value for value in (years[0], *years[1:])], abs=0.051)
    assert changing[2].count(" shorter") == 3
    assert patients == [f"{value:.1f}" for value in within]
    assert f"from {theirs['within']['patients']} patients" in changing[3]


def test_axes_hold_what_is_drawn(section, theirs):
    curves, forest, difference = (section[name].spec["layout"] for name in ("curves", "forest", "difference"))
    last = section["under"].years[-1]
    shown = [
        (100 * (1 - p["survival"]), 100 * (1 - p["ci_low"]))
        for g in theirs["main"]["groups"]
        for p in rows_of(g["curve"])
        if p["days"] / YEARS <= last
    ]
    curve, band = (max(values) for values in zip(*shown, strict=True))
    low, top = curves["yaxis"]["range"]
    assert max(1.08 * curve, min(band, 1.6 * curve)) <= top < max(1.08 * curve, min(band, 1.6 * curve)) + 5
    assert -1 < low < 0 == top % 5
    assert curves["xaxis"]["tickvals"] == list(section["under"].years) == [0, 1, 2, 3, 5, 7, 10]
    assert curves["xaxis"]["ticktext"] == ["0", "1", "2", "3", "5", "7", "10"]
    # Ratios from 0.9 to 16, of which an axis shows 0.5 to 10.
    assert (forest["xaxis"]["tickvals"], forest["xaxis"]["type"]) == ([0.5, 1, 2, 5, 10], "log")
    assert forest["xaxis"]["range"] == pytest.approx([math.log10(0.5), 1])
    # Differences up to 44 either way, and a zone of 5.
    assert difference["xaxis"]["range"] == [-50, 50]
    assert difference["xaxis"]["tickvals"] == list(range(-50, 51, 10))
    assert [(s["x0"], s["x1"]) for s in difference["shapes"] if s["type"] == "rect"] == 2 * [(-5, 5)]
    assert {(s["x0"], s["x1"]) for s in difference["shapes"] if s["type"] == "line"} == {(0, 0)}


def _plain(found: object) -> Any:
    return json.loads(json.dumps(to_plain(found)))


def run_r(folder: Path) -> str:
    files = known_practice.draw()
    settings = load_settings(known_files.write(files, folder))
    known_files.write_truth(files, folder, dataclasses.asdict(settings.analysis))
    command = ["Rscript", "--vanilla", "known.R", str(folder.resolve()), str(folder.resolve() / "answer.json")]
    subprocess.run(command, cwd=R_FILES, check=True, capture_output=True, text=True)
    return (folder / "answer.json").read_text(encoding="utf-8")


@pytest.mark.r
def test_r_run_afresh_says_the_same_of_the_known_practice(theirs, tmp_path):
    fresh = json.loads(run_r(tmp_path))
    assert gaps(theirs, fresh) == gaps(fresh, theirs) == []


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        if sys.argv[1:] == ["looks"]:
            found = make(Path(name))
            looks = known_looks.looks(page.section(found.results, found.main, "c0"))
            parts = known_parts.parts(found.results, found.main)
            for kept, lines in ((known_looks.KEPT, looks), (known_parts.KEPT, parts)):
                kept.write_text("\n".join(lines) + "\n", encoding="utf-8")
        else:
            FROZEN.write_text(run_r(Path(name)))
