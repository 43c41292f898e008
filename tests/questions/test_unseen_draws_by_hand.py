"""What a ledger teaches of openings that it may not hold, worked by hand on a few crowns."""

from dataclasses import dataclass, field, replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.questions import unseen_draws as draws
from pipeline.questions.unseen_draws import BEFORE, NEVER, OPENED, UNDATED, VITAL
from tests.questions.test_unseen_by_hand import ledger_of_rows


def test_a_crown_has_time_in_its_state_or_is_left_out() -> None:
    ledger = ledger_of_rows("""
        0 vital  0  -  5
        1 vital  5  -  5
        2 vital  1  -  1
        3 vital  0  -  0
        4 vital -1  -  0
        5 opened 0  4  5
        6 opened 0  5  5
        7 before 0  -  5
    """)
    assert ledger.is_followed(VITAL).tolist() == [True, False, False, True, True, False, False, False]
    assert np.flatnonzero(ledger.is_followed(OPENED)).tolist() == [5]
    assert np.flatnonzero(ledger.is_followed(BEFORE)).tolist() == [7]


def test_rows_become_a_ledger_in_an_order_of_what_happened() -> None:
    rows = pl.DataFrame(
        [
            ("a", "p2", 16, 2019, "through_crown", 30, 90, True),
            ("b", "p1", 26, 2018, "before_seat", None, 80, None),
            ("c", "p2", 36, 2018, None, None, 70, False),
            ("d", "p3", 46, 2018, "vital", None, 60, False),
        ],
        schema=["crown_id", "patient_id", "tooth_fdi", "y", "endo_timing", "access_days", "exit_days", "failure"],
        orient="row",
    ).with_columns(
        seat_date=pl.date("y", 1, 1), entry_days=pl.lit(0), failure=pl.col("failure").fill_null(value=False),
        access_elsewhere=pl.Series([True, None, None, False]),
    )  # fmt: skip
    hints = pl.DataFrame(
        [
            ("p3", 46, "filling_on_crown", 59),
            ("p3", 46, "filling_on_crown", 50),
            ("p3", 46, "filling_on_crown", 60),
            ("p3", 46, "late_refund", 3),
            ("p1", 26, "filling_on_crown", -1),
            ("p2", 36, "filling_on_crown", 0),
        ],
        schema=["patient_id", "tooth_fdi", "kind", "day"],
        orient="row",
    ).with_columns(seen_date=pl.date(2018, 1, 1) + pl.duration(days="day"))
    found = draws.ledger_of(rows, hints)
    assert found.exit.tolist() == [60, 70, 80, 90]  # the first seat first, then the first to leave
    assert found.state.tolist() == [VITAL, UNDATED, BEFORE, OPENED]
    assert found.access.tolist() == [NEVER, NEVER, NEVER, 30]
    # The first filling while the crown stood, from the seat on; not one on the day it left.
    assert found.hint.tolist() == [50, 0, NEVER, NEVER]
    assert found.elsewhere.tolist() == [False, False, False, True]
    assert found.event.tolist() == [False, False, False, True]
    assert found.patient.tolist() == [2, 1, 0, 1]
    assert not draws.ledger_of(rows.drop("access_elsewhere")).elsewhere.any()
    assert NEVER > 365 * 200


def test_hazards_by_hand_even_within_bands_of_quarters() -> None:
    # In the first band (two quarters, 182 days) two of these are opened; in the second one vital crown fails.
    ledger = ledger_of_rows("""
        0 opened 0   50 400
        1 opened 0  150 151 x
        2 vital  0    -  91
        3 vital  100  - 200 x
        4 before 0    - 300 x
        5 opened 60  40 500
    """)
    edges = np.arange(7) * 91
    opening, failing = draws._hazards(ledger, edges)
    in_first, in_second = 50 + 150 + 91 + 82, 18
    # The sixth was open before it was first seen: it adds an opening and no time.
    assert opening[:2] == pytest.approx([3 / in_first] * 2)
    assert failing[:2] == pytest.approx([0, 0])
    assert failing[2:4] == pytest.approx([1 / in_second] * 2)
    assert opening[2:].tolist() == [0] * 4
    assert failing[4:].tolist() == [0, 0]


def test_events_are_even_within_two_four_eight_and_more_quarters() -> None:
    events, time = np.arange(70.0), np.ones(70)
    edges = [0, 2, 4, 8, 12, 20, 28, 40, 60, 70]
    means = [events[low:high].mean() for low, high in pairwise(edges)]
    wanted = np.repeat(means, np.diff(edges))
    assert draws._even(events, time) == pytest.approx(wanted)
    assert draws._even(events[:60], time[:60]) == pytest.approx(wanted[:60])
    assert draws._even(np.ones(3), np.zeros(3)).tolist() == [0, 0, 0]


def test_time_is_cut_into_quarters() -> None:
    edges = np.array([0, 91, 182])
    assert draws._time_by_cell(np.array([-1, 90, 100]), np.array([10, 95, 300]), edges).tolist() == [11, 4 + 82]


def test_how_much_faster_opened_crowns_fail_since_the_opening_by_hand() -> None:
    # Vital crowns fail at an even 0.001 a day; the bands since the opening are to day 91, 182, 365 and on.
    ledger = ledger_of_rows("""
        0 opened 0 100 190 x
        1 opened 0 100 191 x
        2 opened 0  10 700
        3 before 0   - 400 x
        4 before 50  - 250
    """)
    edges, failed_by = np.array([0, 10_000]), np.array([0.0, 10.0])
    # The second leaves on the day on which the second band begins.
    expected = np.array([90 + 91 + 91, 91, 183, 690 - 365]) / 1000
    whole = 2 / expected.sum()
    wanted = (np.array([1, 1, 0, 0]) + 0.5) / (expected + 0.5 / whole)
    found = draws._times_faster(ledger, OPENED, draws.SINCE_OPENING, edges, failed_by)
    assert found == pytest.approx(wanted)
    before = draws._times_faster(ledger, BEFORE, (0,), edges, failed_by)
    assert before == pytest.approx([(1 + 0.5) / (0.6 + 0.5 * 0.6)])
    calm = replace(ledger, event=np.zeros(5, dtype=bool))
    assert draws._times_faster(calm, OPENED, draws.SINCE_OPENING, edges, failed_by).tolist() == [1, 1, 1, 1]


def test_the_weight_of_an_opening_by_hand() -> None:
    # One opening in the first two quarters, and nothing fails: what is left is time, and being spared.
    ledger = ledger_of_rows("""
        0 opened 0  91 182
        1 vital  0   -  91
        2 vital  60  - 100
    """)
    chances = draws.chances_of(ledger)
    assert chances.edges.tolist() == [0, 91, 182, 273]
    assert chances.rows.tolist() == [1, 2]
    hazard = 1 / (91 + 91 + 40)
    # The days of each quarter, times the hazard, times e to the hazard from the middle of them on.
    first = 91 * hazard * np.exp(45.5 * hazard), 31 * hazard * np.exp((100 - 75.5) * hazard)
    second = 9 * hazard * np.exp(4.5 * hazard)
    wanted = [[first[0], first[0], first[0]], [first[1], first[1] + second, first[1] + second]]
    assert chances.opened == pytest.approx(np.array(wanted), rel=1e-6)
    assert chances.before.tolist() == [1, 1]
    assert chances.hazard.tolist() == [0, 0, 0]


def test_crowns_that_failed_are_taken_for_opened_as_much_more_readily_as_opened_ones_fail_faster() -> None:
    rows = ["0 opened 0 0 60 x", "1 opened 0 0 80", *(f"{n} vital 0 - 80" for n in range(2, 9)), "9 vital 0 - 80 x"]
    ledger = ledger_of_rows("\n".join([*rows, "10 before 0 - 80 x", "11 before 0 - 80"]))
    failing = 1 / (8 * 80)
    # Observed over expected, drawn to their own whole: here the one band is the whole.
    faster, before = ((1 + 0.5) / (days * failing + 0.5 * days * failing) for days in (140, 160))
    chances = draws.chances_of(ledger)
    failed = ledger.event[chances.rows]
    spared, left = 2 / (8 * 80) * 40, failing * 40
    whole = chances.opened[:, -1]
    assert whole[failed] / whole[~failed][0] == pytest.approx(faster, rel=1e-5)
    assert whole[~failed] == pytest.approx(80 * spared / 40 * np.exp(spared - (faster - 1) * left), rel=1e-5)
    assert chances.before[failed] / chances.before[~failed][0] == pytest.approx(before)
    assert chances.before[~failed] == pytest.approx(np.exp(-(before - 1) * failing * 80))


@dataclass
class Chance:
    """Draws that are known: numbers from 0 to 1 as given, and no noise beside the weights; it remembers what of."""

    uniform: list[list[float]] = field(default_factory=list)
    share: float = 0.5
    counts: list[int] = field(default_factory=list)
    asked: list[tuple[float, ...]] = field(default_factory=list)

    def random(self, n: int) -> np.ndarray:
        given = self.uniform.pop(0)
        return np.array(given * n if len(given) == 1 else given)

    def beta(self, *of: float) -> float:
        self.asked.append(of)
        return self.share

    def binomial(self, *of: float) -> int:
        self.asked.append(of)
        return self.counts.pop(0)

    def gumbel(self, *, size: int) -> np.ndarray:
        return np.zeros(size)


@pytest.mark.parametrize(
    ("uniform", "entry", "day"),
    [(0.5, 0, 191), (0.2, 0, 18), (0.2, 40, 50), (1 / 3, 0, 188), (1.0, 0, 199), (0.5, 190, 195)],
)
def test_the_day_of_an_opening_lies_in_a_quarter_by_its_weight(uniform: float, entry: int, day: int) -> None:
    ledger = ledger_of_rows(f"0 vital 0 - 99\n 1 vital {entry} - 200")
    chances: Any = SimpleNamespace(opened=np.array([[9, 9, 9], [2, 2, 6]]), edges=np.arange(4) * 91)
    chance: Any = Chance([[uniform]] * 2)
    assert draws._days_of_opening(ledger, chances, np.array([1]), np.array([1]), chance).tolist() == [day]


def test_undated_root_canals_go_by_the_share_of_those_with_a_day() -> None:
    rows = ["before 0 - 9", "before 0 - 9", "opened 0 3 9", "undated 0 - 100", "undated 10 - 50", "undated 20 - 20"]
    ledger = ledger_of_rows("\n".join(f"{n} {row}" for n, row in enumerate([*rows, "undated -1 - 61"])))
    state, access = ledger.state.copy(), ledger.access.copy()
    chance: Any = Chance([[0.3, 0.6, 0.9, 0.4], [0.5] * 4], share=0.4)
    none: Any = None
    assert draws._settle_undated(ledger, state, access, none, chance) == 2
    # The third has no day to be opened on; the last begins on day 0.
    assert state[3:].tolist() == [BEFORE, OPENED, BEFORE, OPENED]
    assert access[3:].tolist() == [NEVER, 30, NEVER, 30]
    weight = draws.UNDATED_WEIGHT
    assert chance.asked == [pytest.approx((0.5 + weight * 2 / 3, 0.5 + weight / 3))]
    alone = ledger_of_rows("0 undated 0 - 9")
    chance = Chance([[0.9]] * 2)
    draws._settle_undated(alone, alone.state.copy(), alone.access.copy(), none, chance)
    assert chance.asked == [(0.5 + weight / 2, 0.5 + weight / 2)]
    assert draws._settle_undated(ledger_of_rows("0 vital 0 - 9"), state, access, none, chance) == 0


_SEEN = "0 opened 0 3 9 x\n 1 opened 0 3 9\n 2 opened 0 3 9\n 3 opened 0 9 9"
_VITAL = [f"{n} vital 0 - 50 {'x' if n < 7 else ''}" for n in range(4, 10)]


def _taken(seen: str, chance: Any, *, n: int, state: Any = None, kind: int = OPENED) -> Any:
    ledger = ledger_of_rows("\n".join([seen, *_VITAL]))
    rows = np.flatnonzero(ledger.state == VITAL)
    weight = np.array([1.0, 3.0, 2.0, 2.0, 5.0, 0.0])
    chances: Any = SimpleNamespace(rows=rows, opened=np.stack([9 - weight, weight], axis=1), before=weight[::-1] + 1)
    return draws._take(
        ledger, chances, ledger.state if state is None else state, kind=kind, n=n, unlike=3.0, rng=chance
    )


def test_of_those_taken_as_many_had_failed_as_the_seen_and_the_likeliest_are_taken_first() -> None:
    chance = Chance(share=0.5, counts=[3, 2])
    rows, places = _taken(_SEEN, chance, n=4)
    # One of three followed failed; three of four had time; at three times the odds, three of four failed.
    assert chance.asked == [(1, 2), (4, 3 / 4), (3, pytest.approx(3 / 4))]
    assert (rows.tolist(), places.tolist()) == ([5, 6, 8], [1, 2, 4])
    assert _taken(_SEEN, Chance(counts=[4, 4]), n=4) is None  # three had failed
    assert _taken(_SEEN, Chance(counts=[4, 1]), n=4) is None  # one of the others can not have been opened
    assert len(_taken(_SEEN, Chance(counts=[5, 3]), n=5)[0]) == 5
    for seen, of in (("0 opened 0 3 9 x", (1.5, 0.5)), ("0 opened 0 3 9", (0.5, 1.5))):
        chance = Chance(counts=[0, 0])
        _taken(seen, chance, n=1)
        assert chance.asked[0] == of
    chance = Chance(counts=[1])
    rows, _ = _taken("0 before 0 - 9", chance, n=1)
    assert chance.asked == [(1, pytest.approx(3 / 4))]
    chance = Chance(counts=[1, 1])
    rows, _ = _taken("0 before 0 - 9 x", chance, n=1, kind=BEFORE)
    assert rows.tolist() == [2]  # by their own weights: 1, 6, 3 of those that failed


def test_failures_that_the_ledger_does_not_hold_by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = ledger_of_rows("""
        0 opened 0   50 250
        1 opened 0   30 100 x
        2 vital  100  - 300
        3 vital  0    -  90 x
        4 before 0    - 400
        5 before -1   -  20 x
        6 opened 0   60  60
        7 vital  80   -  80
        8 opened 60  60  60 x
    """)
    chances: Any = SimpleNamespace(hazard=np.full(5, 0.01), edges=np.arange(6) * 91)
    asked: list[tuple[int, float]] = []
    more = 5

    def unseen_of(seen: int, sensitivity: Any, _: object) -> list[int]:
        asked.append((seen, sensitivity))
        return [more]

    monkeypatch.setattr(draws, "draw_alike", lambda *_, **__: (0.9, 0.8))
    monkeypatch.setattr(draws, "unseen_of", unseen_of)
    beliefs: Any = SimpleNamespace(failure_seen=None, alike=None)

    def found(*uniform: float) -> Any:
        chance: Any = Chance([[u] for u in uniform])
        return draws._unseen_failures(ledger, ledger.state, ledger.access, chances, beliefs=beliefs, rng=chance)

    leave, event, added = found(0.303, 0.303, 0.303)
    assert asked == [(1, 0.9), (1, 0.9), (1, 0.8)]
    assert added == 3  # no more than there are to be lost
    # Of the days of each: 50 + 60.6, 100 + 60.6, 121.2; the end of that day.
    assert leave.tolist() == [111, 100, 161, 90, 122, 20, 60, 80, 60]
    assert np.flatnonzero(event).tolist() == [0, 1, 2, 3, 4, 5, 8]
    assert found(0, 0, 0)[0].tolist() == [51, 100, 101, 90, 1, 20, 60, 80, 60]
    more = 0
    assert found()[2] == 0
