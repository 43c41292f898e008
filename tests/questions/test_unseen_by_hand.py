"""What may be unseen, where it can be worked by hand: nothing unseen moves nothing, and a few crowns are counted."""

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from pipeline.questions import unseen_openings as unseen
from pipeline.questions.crown_longevity import compare_since_seat
from pipeline.questions.crown_rows import state_spells
from pipeline.questions.unseen_draws import BEFORE, NEVER, OPENED, UNDATED, VITAL, Ledger, Truth
from pipeline.results import Difference
from pipeline.stats.cox import fit_cox
from tests.questions.crowns_with_truth import practice
from tests.questions.test_unseen_openings import ANALYSIS, NO_ERROR, Fixed, found_in, moved

NAN = float("nan")


def ledger_of_rows(rows: str) -> Ledger:
    """A row per crown: patient, label, entry, opening, exit; x for a failure, e for an opening by others."""
    states = {"vital": VITAL, "before": BEFORE, "opened": OPENED, "undated": UNDATED}
    cells = [line.split() for line in rows.strip().splitlines()]
    entry, access, leave = (
        np.array([NEVER if c[k] == "-" else int(c[k]) for c in cells], dtype=np.int64) for k in (2, 3, 4)
    )
    return Ledger(
        entry=entry,
        exit=leave,
        event=np.array(["x" in c[5:] for c in cells]),
        patient=np.array([int(c[0]) for c in cells]),
        state=np.array([states[c[1]] for c in cells]),
        access=access,
        elsewhere=np.array(["e" in c[5:] for c in cells]),
        hint=np.full(len(cells), NEVER),
    )


def _truth(ledger: Ledger) -> Truth:
    return Truth(ledger.state, ledger.access, ledger.exit, ledger.event, 0, 0, 0)


def test_where_all_was_seen_every_figure_is_the_one_counted_and_chance_alone_spreads_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(unseen, "beliefs_of", lambda _: replace(NO_ERROR, done_by_others=Fixed(0)))
    main, found = found_in(practice(2), "some", draws=3)
    assert (found.openings.low, found.before_seat.high, found.failures.high) == (0, 0, 0)
    assert (found.draws, found.impossible) == (3, 0)
    ratio = [e for e in main.estimates if e.contrast == "through_crown vs before_seat"][-1]
    chance = norm.ppf((np.arange(40) + 0.5) / 40)
    to_shown = {"per_100": lambda v: v, "hazard_ratio": np.exp}
    for name, told, limits in (
        ("per_100", main.difference.per_100, (main.difference.ci_low, main.difference.ci_high)),
        ("hazard_ratio", np.log(ratio.hazard_ratio), np.log((ratio.ci_low, ratio.ci_high))),
    ):
        one, half = moved(found)[name], (limits[1] - limits[0]) / 2
        counted = [to_shown[name](value) for value in (told, told - half, told + half)]
        assert [one.counted, one.counted_low, one.counted_high] == pytest.approx(counted)
        assert [one.systematic.median, one.systematic.low, one.systematic.high] == pytest.approx([counted[0]] * 3)
        by_chance = told + half / norm.ppf(0.975) * chance
        spread = np.percentile(to_shown[name](np.repeat(by_chance, 3)), [50, 2.5, 97.5])
        assert [one.corrected.median, one.corrected.low, one.corrected.high] == pytest.approx(spread)
        assert one.other_sign == pytest.approx(np.mean(np.sign(by_chance) == -np.sign(told)))


def test_what_is_fitted_again_as_counted_is_the_comparison_without_adjustment() -> None:
    p = practice(3)
    main = compare_since_seat(p.crowns, p.patients, ANALYSIS)
    ledger = unseen.ledger_of(unseen.crown_rows(p.crowns, p.patients))
    difference = unseen._difference(ledger, unseen._as_counted(ledger), 1826, main.crude_difference.from_days)
    assert main.crude_difference.years == 5
    assert difference.value == pytest.approx(main.crude_difference.per_100)
    half = (main.crude_difference.ci_high - main.crude_difference.ci_low) / 2
    assert difference.error == pytest.approx(half / norm.ppf(0.975))
    # The ratio is of these two states alone, from the stretches that the comparison itself is made of.
    spells = state_spells(unseen.crown_rows(p.crowns, p.patients)).filter(pl.col("state") != "vital")
    fit = fit_cox(
        (spells["state"] == "through_crown").to_numpy()[:, None].astype(float),
        spells["exit_days"],
        spells["failure"],
        names=["opened"],
        entry_days=np.where(spells["entry_days"] <= 0, -5, spells["entry_days"]),
        cluster=spells["patient_id"].rank("dense"),
    )
    found = unseen._log_ratio(ledger, unseen._as_counted(ledger))
    assert (found.value, found.error) == pytest.approx((fit.coef[0], fit.se()[0]))


def test_the_stretches_in_a_state_by_hand() -> None:
    ledger = ledger_of_rows("""
        0 opened -1  50 90 x
        1 opened 60  50 90
        2 opened  0  90 90
        3 opened 90  50 90
        4 opened  0   0  0
        5 before -1   -  0
        6 before 30   - 30
        7 before  0   -  0
        8 before 30   - 31 x
        9 vital   0   - 40
       10 before  1   -  1
    """)
    opened, before = (unseen._side(ledger, _truth(ledger), state) for state in (OPENED, BEFORE))
    # Opened on the last day, or first seen on it: no time in the state. On day 0 there is one.
    assert opened["cluster"].tolist() == [0, 1]
    assert opened["entry_days"].tolist() == [50, 60]
    assert opened["event"].tolist() == [True, False]
    assert before["cluster"].tolist() == [5, 7, 8]
    assert before["entry_days"].tolist() == [-1, 0, 30]
    assert before["exit_days"].tolist() == [0, 0, 31]


def test_a_ratio_by_hand_and_none_without_failures_on_both_sides() -> None:
    # Days 10 and 20, when one of two opened and one of two others fail, both sides at risk: the ratio is where
    # 1 = r a / (r a + b) + r c / (r c + d) with (a, b) = (2, 2) and (c, d) = (2, 1): r * r = 1 / 2.
    rows = """
        0 before 0  - 10 x
        1 before 0  - 30
        2 opened 0  0 20 x
        3 opened 0  0 30
    """
    ledger = ledger_of_rows(rows)
    assert np.exp(2 * unseen._log_ratio(ledger, _truth(ledger)).value) == pytest.approx(1 / 2)
    # Who is there on day 0 is at risk on it; who enters on day 1 is not at risk on that day.
    early = ledger_of_rows(f"{rows.rstrip()}\n 4 before 0 - 0 x\n 5 before 0 - 1 x\n 6 opened 0 1 30 x")
    found = unseen._log_ratio(early, _truth(early)).value
    assert np.isfinite(found)
    for same in (
        replace(early, entry=np.full(7, -1)),
        replace(early, access=np.where(early.access == 1, 2, early.access)),
    ):
        assert unseen._log_ratio(same, _truth(same)).value == pytest.approx(found)
    for state in (OPENED, BEFORE):
        calm = replace(ledger, event=ledger.event & (ledger.state != state))
        assert np.isnan(unseen._log_ratio(calm, _truth(calm)).value)
        gone = _truth(ledger)
        gone = replace(gone, state=np.where(ledger.state == state, VITAL, ledger.state))
        assert np.isnan(unseen._difference(ledger, gone, 25, 0).value)
    # By day 25 one of two on each side; after day 15 one of two opened, none of the other.
    assert unseen._difference(ledger, _truth(ledger), 25, 0).value == pytest.approx(0)
    assert unseen._difference(ledger, _truth(ledger), 25, 15).value == pytest.approx(50)


def test_the_arms_of_the_decision_by_hand() -> None:
    ledger = ledger_of_rows("""
        0 before 0  - 10 x
        1 before 0  - 30 x
        2 vital  0  - 30 x
        3 opened 0  5 25 x
        4 vital  0  - 40
        5 vital  0  - 25
        6 vital  0  - 15
    """)
    # By day 25, itself counted: one of two treated first, and one of four seated vital and still there.
    found = unseen._arms(ledger, _truth(ledger), 25)
    assert found.value == pytest.approx(100 * (1 / 2 - 1 / 4))
    assert found.error == pytest.approx(100 * np.sqrt(1 / 8 + 3 / 64))
    for alone in (BEFORE, VITAL):
        assert np.isnan(unseen._arms(ledger, replace(_truth(ledger), state=np.full(7, alone)), 25).value)


def test_the_need_of_a_root_canal_by_hand() -> None:
    ledger = ledger_of_rows("""
        0 before 0  - 10 x
        1 opened 0 20 90
        2 opened 0 25 25 x
        3 opened 0 26 90
        4 vital  0  - 12 x
        5 vital  0  - 90 x
        6 vital  0  - 90
        7 vital  0  - 90
        8 vital  0  - 90
        9 vital  0  - 90
    """)
    # By day 25, itself counted: two of nine seated vital; one failed unopened, none left before.
    found = unseen._need(ledger, _truth(ledger), 25)
    assert unseen._shown("need_per_100", found.value) == pytest.approx(100 * 2 / 9)
    # The error of a share of nine, by the slope of the scale.
    near = [np.log(-np.log(1 - share)) for share in (2 / 9 - 1e-6, 2 / 9 + 1e-6)]
    assert found.error == pytest.approx(np.sqrt(2 * 7 / 9**3) * (near[1] - near[0]) / 2e-6, rel=1e-6)
    assert np.isnan(unseen._need(ledger, _truth(ledger), 19).value)
    # One leaves on day 15: of ten one has failed by then; on days 20 and 25 one of eight and of seven is opened.
    ledger_left = replace(ledger, exit=np.where(ledger.patient == 0, 15, ledger.exit))
    left = replace(_truth(ledger_left), state=np.where(ledger.patient == 0, VITAL, ledger.state))
    left = replace(left, event=ledger.event & (ledger.patient != 0))
    assert unseen._shown("need_per_100", unseen._need(ledger_left, left, 25).value) == pytest.approx(100 * 0.9 * 2 / 8)
    all_opened = replace(ledger, state=np.where(ledger.state == VITAL, BEFORE, ledger.state))
    assert np.isnan(unseen._need(all_opened, _truth(all_opened), 26).value)


def test_the_teeth_of_the_decision_as_a_ledger() -> None:
    rows = pl.DataFrame(
        [
            ("a", "endo_first", None, True, 900, "vital"),
            ("b", "endo_first", 40, False, 901, "vital"),
            ("c", "seat_vital", 50, False, 902, "vital"),
            ("d", "seat_vital", None, True, 903, "vital"),
            ("e", "seat_vital", None, False, 904, "before_seat"),
            ("f", "either", 60, False, 905, "vital"),
        ],
        schema=["crown_id", "arm", "access_days", "given_up", "exit_days", "endo_timing"],
        orient="row",
    ).with_columns(
        patient_id="crown_id",
        tooth_fdi=pl.lit(16),
        seat_date=pl.date(2020, 1, 1),
        entry_days=pl.lit(0),
        failure=pl.lit(value=False),
    )
    ledger = unseen._trial_ledger(rows, None)
    places = [int(np.flatnonzero(ledger.exit == leave)[0]) for leave in range(900, 905)]
    assert ledger.state[places].tolist() == [BEFORE, BEFORE, OPENED, OPENED, VITAL]
    assert ledger.access[places].tolist() == [NEVER, NEVER, 50, 903, NEVER]
    asked: list[Ledger] = []
    figures: list[set[str]] = []
    stated: list[float] = []

    def no_draw(ledger: Ledger, of: Any, **_: object) -> None:
        asked.append(ledger)
        figures.append(set(of(_truth(ledger))))

    def not_moved(counted: dict[str, unseen.Figure], *_: object) -> tuple[()]:
        stated.append(counted["per_100"].value)
        return ()

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(unseen, "_draw", no_draw)
        patch.setattr(unseen, "_moved", not_moved)
        told = ("crown_failure", Difference("", "", 5, 0, 3.0, 1.0, 5.0, ""))
        for differences in ((), (told,)):
            trial: Any = SimpleNamespace(id="t", differences=differences, everyday_curves=())
            assert unseen.unseen_in_trial(rows, trial, ANALYSIS, setting="some", seed=1).moved == ()
    # Teeth that went neither way for certain are in no arm.
    assert [sorted(ledger.exit.tolist()) for ledger in asked] == [[900, 901, 902, 903, 904]] * 2
    assert figures == [{"need_per_100"}, {"need_per_100", "per_100"}]
    assert stated == pytest.approx([NAN, 3.0], nan_ok=True)


def test_the_need_as_counted_has_the_limits_that_the_decision_shows() -> None:
    spread = unseen.Spread(1.0, 1.0, 1.0)
    need, other = (unseen.Moved(name, 20.0, 1.0, 2.0, spread, spread, None) for name in ("need_per_100", "per_100"))
    points = [SimpleNamespace(years=y, ci_low=y / 100, ci_high=y / 50) for y in (4, 5)]

    def shown(arm: str, years: float) -> list[tuple[float, float]]:
        trial: Any = SimpleNamespace(everyday_curves=(SimpleNamespace(arm=arm, points=points),))
        return [(m.counted_low, m.counted_high) for m in unseen._with_limits_shown((need, other), trial, years)]

    assert shown("hyperemic", 5) == [(5, 10), (1, 2)]
    assert shown("hyperemic", 6) == shown("other", 5) == [(1, 2), (1, 2)]


@pytest.mark.parametrize(("crowns", "asked", "draws"), [(1, 0, 80), (8_000, 0, 50), (50_000, 0, 30), (8_000, 3, 3)])
def test_how_many_draws_there_are(monkeypatch: pytest.MonkeyPatch, crowns: int, asked: int, draws: int) -> None:
    monkeypatch.setattr(unseen, "chances_of", lambda _: None)
    truth = SimpleNamespace(openings=1, before_seat=2, failures=3)
    monkeypatch.setattr(unseen, "draw_truths", lambda *_, draws, **__: [truth] * (draws - 2))
    ledger: Any = SimpleNamespace(state=np.full(crowns, OPENED))
    drawn = unseen._draw(ledger, lambda _: {"x": unseen.Figure(1.0, 2.0)}, setting="some", seed=1, draws=asked or None)
    assert [of[0] for of in drawn.figures["x"]] == [1.0, 2.0]
    assert (drawn.draws, drawn.impossible, len(drawn.openings)) == (draws, 2, draws - 2)
    assert (drawn.openings[0], drawn.before_seat[0], drawn.failures[0]) == (1, 2, 3)
    nobody: Any = SimpleNamespace(state=np.array([VITAL, BEFORE]))
    assert unseen._draw(nobody, lambda _: {}, setting="some", seed=1, draws=None) is None


def test_draws_without_a_figure_are_left_out_and_a_figure_without_an_error_is_not_moved() -> None:
    def drawn(values: list[float], errors: list[float]) -> unseen.Drawn:
        none = np.zeros(len(values))
        return unseen.Drawn(none, none, none, {"per_100": (np.array(values), np.array(errors))}, len(values), 0)

    def found(of: unseen.Drawn, stated: unseen.Figure, base: unseen.Figure) -> list[tuple[float, float, float]]:
        told = unseen._moved({"per_100": stated}, {"per_100": base}, of, 0.95)
        return [(m.systematic.low, m.systematic.median, m.systematic.high) for m in told]

    stated, base = unseen.Figure(5.0, 2.0), unseen.Figure(4.0, 1.0)
    some = drawn([6.0, NAN, 9.0, 6.0], [1.0, 1.0, NAN, 1.0])
    assert found(some, stated, base) == [(7, 7, 7)]
    assert found(drawn([NAN], [1.0]), stated, base) == []
    for broken in (unseen.Figure(5.0), unseen.Figure(NAN, 1.0)):
        assert found(some, broken, base) == found(some, stated, broken) == []
    # Twice the error of the draw, twice that of the figure.
    twice = unseen._moved({"per_100": stated}, {"per_100": base}, drawn([4.0], [2.0]), 0.95)[0]
    once = unseen._moved({"per_100": stated}, {"per_100": base}, drawn([4.0], [1.0]), 0.95)[0]
    assert twice.corrected.high - 5 == pytest.approx(2 * (once.corrected.high - 5))


def test_what_the_ledger_holds_is_counted() -> None:
    ledger = ledger_of_rows("""
        0 opened 0 5 90 e
        1 opened 0 5 90
        2 before 0 - 90 e
        3 before 0 - 90
        4 before 0 - 90
        5 undated 0 - 90
        6 vital 0 - 90
    """)
    ledger = replace(ledger, hint=np.array([NEVER, 9, NEVER, 9, NEVER, NEVER, 9]))
    told = unseen._result(ledger, None, (), id="x", setting="some", confidence=0.95)
    assert (told.seen, told.seen_elsewhere, told.seen_before_seat, told.undated, told.hinted) == (2, 1, 3, 1, 1)
    assert (told.openings, told.before_seat, told.failures, told.draws, told.impossible) == (None, None, None, 0, 0)
    none = np.zeros(0)
    empty = unseen._result(
        ledger, unseen.Drawn(none, none, none, {}, 4, 4), (), id="x", setting="some", confidence=0.95
    )
    assert (empty.openings, empty.before_seat, empty.failures, empty.impossible) == (None, None, None, 4)
    one = np.ones(1)
    full = unseen._result(
        ledger, unseen.Drawn(one, 2 * one, 3 * one, {}, 4, 3), (), id="x", setting="some", confidence=0.95
    )
    assert (full.openings.median, full.before_seat.median, full.failures.median) == (1, 2, 3)


def test_the_ratio_stated_is_that_of_the_last_model() -> None:
    models: Any = [
        SimpleNamespace(contrast=contrast, hazard_ratio=2.0 + n, ci_low=1.0 + n, ci_high=4.0 + n)
        for n, contrast in enumerate([unseen.CONTRAST, "another", unseen.CONTRAST, unseen.CONTRAST, "another"])
    ]
    found = unseen._of_ratio(models, ANALYSIS)
    assert np.exp(found.value) == pytest.approx(5)
    assert found.error == pytest.approx(np.log(7 / 4) / 2 / norm.ppf(0.975))
    assert np.isnan(unseen._of_ratio(models[1:2], ANALYSIS).value)
