"""The pure parts of the benchmark: growth, the table's keys, the README, what is held against what."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.benchmarks.scale.agreement import agreement
from tests.benchmarks.scale.bars import bars, growth, times_as_fast
from tests.benchmarks.scale.exponent import exponent
from tests.benchmarks.scale.measure import measure
from tests.benchmarks.scale.measuring import costed, summed
from tests.benchmarks.scale.ours import IN_ALL, WHO, WHOLE, main_figures
from tests.benchmarks.scale.readme import readme
from tests.benchmarks.scale.rivals import PANDAS, figures_told, steps_told
from tests.benchmarks.scale.tables import Row, find, read_rows, replaced, without, write_rows

FOLDER = Path(__file__).parents[1] / "benchmarks" / "scale"
MILLION = 1_000_000
BLANK = Row(date="2026-11-25", machine="2 cores", versions="Python 3.11", rows=MILLION, who=WHO, stage=IN_ALL)


def cost(rows: int, seconds: float, who: str = WHO, stage: str = IN_ALL) -> Row:
    rate = rows / seconds
    return replace(BLANK, rows=rows, who=who, stage=stage, wall_s=seconds, cpu_s=2 * seconds, rows_per_s=rate)


@pytest.mark.parametrize("power", [0.8, 1.0, 1.05, 2.0])
def test_exponent_finds_a_known_power(power: float) -> None:
    sizes = [1e5, 1e6, 1e7, 1e8]
    assert exponent(sizes, [3e-6 * size**power for size in sizes]) == pytest.approx(power)


def test_exponent_needs_two_sizes_and_costs_above_zero() -> None:
    assert exponent([1e6], [1.0]) is None
    assert exponent([1e6, 1e6], [1.0, 2.0]) is None
    assert exponent([1e6, 1e7], [0.0, 2.0]) is None


def test_growth_begins_at_a_million_and_leaves_out_what_was_stopped() -> None:
    rows = [cost(100_000, 9.0), cost(MILLION, 10.0), cost(10 * MILLION, 100.0)]
    stopped = replace(cost(100 * MILLION, 1800.0), rows_per_s=None, note="stopped after 1,800 s")
    assert growth([*rows, stopped], WHO, IN_ALL, "wall_s") == pytest.approx(1.0)


def test_a_row_of_the_same_key_is_replaced_and_others_stay(tmp_path: Path) -> None:
    old = [cost(MILLION, 10.0), cost(MILLION, 20.0, who=PANDAS), cost(10 * MILLION, 99.0)]
    rows = replaced(old, [cost(MILLION, 7.5), cost(MILLION, 3.0, stage="link")])
    assert [(r.who, r.stage, r.rows, r.wall_s) for r in rows] == [
        (PANDAS, IN_ALL, MILLION, 20.0),
        (WHO, IN_ALL, MILLION, 7.5),
        (WHO, IN_ALL, 10 * MILLION, 99.0),
        (WHO, "link", MILLION, 3.0),
    ]
    write_rows(tmp_path / "results.csv", rows)
    again = read_rows(tmp_path / "results.csv")
    assert [r.key for r in again] == [r.key for r in rows]
    assert find(again, WHO, "link", MILLION).wall_s == 3.0
    assert again[0].peak_mb is None


def test_a_new_run_forgets_all_of_the_tool_at_that_size() -> None:
    rows = [
        cost(MILLION, 1.0),
        cost(MILLION, 2.0, stage="link"),
        cost(10 * MILLION, 3.0),
        cost(MILLION, 4.0, who=PANDAS),
    ]
    assert [r.wall_s for r in without(rows, WHO, MILLION)] == [3.0, 4.0]


def test_the_readme_holds_every_row() -> None:
    rows = [cost(size, 12.34 * n, who=who, stage=f"stage {n}") for n, (size, who) in enumerate(
        [(MILLION, WHO), (MILLION, PANDAS), (10 * MILLION, WHO), (10 * MILLION, "another tool")], 1)]  # fmt: skip
    text = readme(rows)
    for row in rows:
        assert f"| {row.rows:,} | {row.who} | {row.stage} | {row.wall_s:,.2f} | {row.cpu_s:,.2f} |" in text


def test_the_readme_in_the_repository_is_that_of_its_table() -> None:
    kept = read_rows(FOLDER / "results.csv")
    assert kept
    assert (FOLDER / "README.md").read_text(encoding="utf-8") == readme(kept)


def test_bars_say_met_not_met_and_not_known() -> None:
    def met(rows: list[Row]) -> dict[str, bool | None]:
        return {bar.asked: bar.met for bar in bars(rows)}

    fast = met(
        [cost(MILLION, 8.0, stage=WHOLE), cost(10 * MILLION, 44.0, stage=WHOLE), cost(10 * MILLION, 3.0, stage="link")]
    )
    slow = met(
        [cost(MILLION, 8.0, stage=WHOLE), cost(10 * MILLION, 200.0, stage=WHOLE), cost(10 * MILLION, 4.0, stage="link")]
    )
    first, link = "10 million rows, all questions, pages and slides: at most 45 s cold", "Linking at 10 million rows"
    assert (fast[first], slow[first], met([])[first]) == (True, False, None)
    assert [m for asked, m in fast.items() if asked.startswith(link)] == [True]
    assert [m for asked, m in slow.items() if asked.startswith(link)] == [False]
    assert [m for asked, m in slow.items() if "by the clock" in asked] == [False, None]


def test_a_rival_that_was_stopped_can_only_have_been_slower() -> None:
    ours, theirs = cost(10 * MILLION, 60.0), cost(10 * MILLION, 1800.0, who=PANDAS)
    stopped = replace(theirs, rows_per_s=None)
    assert times_as_fast(ours, theirs, "wall_s") == (30.0, True)
    assert times_as_fast(ours, stopped, "wall_s") == (30.0, False)
    assert times_as_fast(stopped, ours, "wall_s") is None


def test_figures_are_held_against_ours_one_by_one() -> None:
    ours = {
        "crowns": {"vital": 1000, "through_crown": 100},
        "failures": {"vital": 50, "through_crown": 10},
        "tooth_days": {"vital": 9000, "through_crown": 900},
        "completed_courses": 300,
        "crude": {"hazard_ratio": 2.0, "log_error": 0.2},
    }
    same = agreement(ours, ours)
    assert (same.count_gap, same.ratio_gap) == (0.0, 0.0)
    assert same.note.startswith("all 7 counts equal ours")
    theirs = ours | {"failures": {"vital": 50}, "crude": {"hazard_ratio": 2.02, "log_error": 0.2}}
    apart = agreement(ours, theirs)
    assert apart.count_gap == 1.0  # a group that is not there at all
    assert apart.ratio_gap == pytest.approx(0.01)
    assert "failures through_crown 100.00% apart" in apart.note


def test_steps_told_before_a_stop_are_kept() -> None:
    whole = ['{"step": "read", "wall_s": 1.0, "rows": 5}', '{"step": "link", "wall_s": 3.0, "crowns": {"v": 1}}']
    steps = steps_told("\n".join([*whole, '{"st']))
    assert [s["step"] for s in steps] == ["read", "link"]
    assert figures_told(steps) == {"crowns": {"v": 1}}


def test_main_figures_come_from_the_main_comparison() -> None:
    estimate = {"contrast": "through_crown vs before_seat", "hazard_ratio": 2.0, "ci_low": 1.0, "ci_high": 4.0}
    survival = [{"years": 3, "estimate": 0.95}, {"years": 5, "estimate": 0.9}]
    main = {
        "id": "crown_longevity_by_endo_timing",
        "groups": [{"name": "vital", "survival": survival}],
        "estimates": [estimate | {"adjusted_for": []}, estimate | {"adjusted_for": ["age"], "hazard_ratio": 1.5}],
    }
    found = main_figures({"comparisons": [{"id": "another", "groups": [], "estimates": []}, main]})
    assert found["survival"] == {"vital": 0.9}
    assert (found["crude"]["hazard_ratio"], found["adjusted"]["hazard_ratio"]) == (2.0, 1.5)
    # Four times as high as low is 2 log 2 wide: 1.96 errors each way.
    assert found["crude"]["log_error"] == pytest.approx(0.6931471805599453 / 1.959963984540054)


def test_measuring_counts_time_memory_and_stops_at_the_limit(tmp_path: Path) -> None:
    work = "b = bytearray(90_000_000); b[::4096] = b'x' * len(b[::4096]); sum(range(3_000_000)); print('done')"
    found = measure([sys.executable, "-c", work], cwd=tmp_path, log=tmp_path / "log")
    assert (found.exit_code, found.output.strip(), found.stopped) == (0, "done", "")
    assert found.peak_mb > 85
    assert 0 < found.cpu_s < 10
    endless = measure([sys.executable, "-c", "while True: pass"], cwd=tmp_path, log=tmp_path / "log", limit_s=0.3)
    assert endless.stopped == "stopped after 0 s"
    row = costed(BLANK, endless)
    assert (row.note, row.rows_per_s) == ("stopped after 0 s", None)
    both = summed(BLANK, [costed(BLANK, found), costed(BLANK, found)])
    assert both.wall_s == pytest.approx(2 * found.wall_s)
    assert both.peak_mb == found.peak_mb
