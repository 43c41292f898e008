"""What changed since the last run: the same records are the same run, on any day."""

import datetime as dt
from dataclasses import replace

import polars as pl
import pytest

from pipeline.practice.tables import LOADS, RUN_FIGURES
from pipeline.questions.owner.last_run import Run, noted, this_run
from pipeline.results.owner import Change, OverTime, Owner, SheetLine, Stretch, Trust

RUN = Run("records", "settings", "1.0", dt.date(2024, 12, 31), 1000)
MORE = replace(RUN, records="more records", rows_loaded=1250, data_cutoff=dt.date(2025, 1, 31))
DAY = dt.date(2025, 1, 7)


def sheet(survival: float, verdict: str) -> Owner:
    rate = Stretch("2010-01-01", "2024-12-31", 100, 90, 10, 5.0, 50, survival, survival - 0.02, survival + 0.02)
    change = Change(verdict, "", 5.0, 1.0, -1.0, 3.0)
    return Owner(lines=(SheetLine("crown_survival", rate, OverTime(None, None, change), (), Trust("firm", ())),))


def after(*runs: tuple[Run, Owner, dt.date]) -> tuple[pl.DataFrame, Owner]:
    table, owner = RUN_FIGURES.empty(), Owner()
    for run, found, day in runs:
        table, owner = noted(table, run, found, today=day)
        RUN_FIGURES.check(table)
    return table, owner


def test_the_first_run_says_so():
    table, owner = after((RUN, sheet(0.9, "same"), DAY))
    assert owner.since is not None
    assert (owner.since.run_on, owner.since.rows_now, owner.since.moved) == ("", 1000, ())
    assert table["run"].unique().to_list() == [1]


def test_more_records_are_held_against_the_last_run():
    _, owner = after((RUN, sheet(0.9, "same"), DAY), (MORE, sheet(0.88, "worse"), DAY + dt.timedelta(30)))
    since = owner.since
    assert since is not None
    assert (since.run_on, since.rows_before, since.rows_now) == ("2025-01-07", 1000, 1250)
    assert since.cutoff_before == "2024-12-31"
    moved = {(m.by, m.before, m.now, m.verdict_before, m.verdict_now) for m in since.moved}
    assert moved == {("rate", 0.9, 0.88, "", ""), ("over_time", 1.0, 1.0, "same", "worse")}
    assert (since.program_before, since.settings_changed) == ("", False)


def test_the_same_records_give_the_same_answer_on_any_day():
    first, once = after((RUN, sheet(0.9, "same"), DAY), (MORE, sheet(0.88, "worse"), DAY + dt.timedelta(30)))
    second, twice = noted(first, MORE, sheet(0.88, "worse"), today=DAY + dt.timedelta(400))
    assert twice == once
    assert second.sort(pl.all()).equals(first.sort(pl.all()))


def test_the_first_run_again_is_the_first_run():
    table, _ = after((RUN, sheet(0.9, "same"), DAY))
    again, owner = noted(table, RUN, sheet(0.9, "same"), today=DAY + dt.timedelta(1))
    assert owner.since is not None
    assert owner.since.run_on == ""
    assert again["run_on"].unique().to_list() == [DAY]


@pytest.mark.parametrize(("field", "value"), [("settings", "others"), ("program", "1.1")])
def test_other_settings_or_another_program_is_another_run_and_said(field, value):
    _, owner = after((RUN, sheet(0.9, "same"), DAY), (replace(RUN, **{field: value}), sheet(0.9, "same"), DAY))
    assert owner.since is not None
    assert owner.since.run_on == "2025-01-07"
    assert owner.since.settings_changed == (field == "settings")
    assert owner.since.program_before == ("1.0" if field == "program" else "")


def test_a_run_without_a_rate_is_known_again():
    table, _ = after((RUN, Owner(), DAY))
    _, owner = noted(table, MORE, Owner(), today=DAY)
    assert owner.since is not None
    assert (owner.since.run_on, owner.since.moved) == ("2025-01-07", ())


def test_a_run_is_known_by_what_was_loaded_and_not_by_the_order_of_its_files():
    def loads(*hashes: str) -> pl.DataFrame:
        rows = [{"file": h, "hash": h, "table_name": "procedures", "rows_read": 5, "loaded": 4, "duplicate": 1,
                 "quarantined": 0, "reversed": 0} for h in hashes]  # fmt: skip
        return pl.DataFrame(rows, schema={n: LOADS.columns[n].dtype for n in rows[0]})

    def run(*hashes: str, **settings: str) -> Run:
        return this_run(loads(*hashes), settings, program="1", data_cutoff=None)

    assert run("a", "b", x="1") == run("b", "a", x="1")
    assert run("a", "b").records != run("a", "c").records
    assert run("a", x="1").settings != run("a", x="2").settings
    assert run("a", "b").rows_loaded == 8
