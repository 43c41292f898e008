"""What is hidden does not say why: the same is told whether a small group holds nobody or up to ten.

A large count that is hidden can have no reason but a small one beside it. Were it hidden where that one holds somebody
and told where it is empty, whoever sees it hidden knew of one patient: a locum's one tooth, the one whose sex was not
recorded.
"""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Callable

import pytest
import sample_results as samples

from dashboards.release.healing import release_healing
from dashboards.release.methods import release_methods
from dashboards.release.rates import release_rates
from dashboards.release.released import release
from dashboards.release.table1 import release_table1
from pipeline.release.disclosure import SMALLEST, Gate, Rounding
from pipeline.results import BalanceRow, FlowStep, RateRow, RateTable
from pipeline.results.records import Records

FEW = (0, 1, 4, 10)
KEYS = [f"practice {i}".encode() for i in range(12)]
COMPARED = {"before_seat", "through_crown"}


def alike(told: Callable[[Gate, int], object]) -> bool:
    """Whether the same is told, in practice after practice, however few of the small group there are."""
    for key in KEYS:
        found = set()
        for n in FEW:
            gate = Gate(Rounding(key))
            out, settled = None, False
            while not settled:
                gate.walk()
                out, settled = told(gate, n), gate.settled
            found.add(repr(out))
        if len(found) > 1:
            return False
    return True


@pytest.mark.parametrize("rows", [1, 2, 3, 5])
def test_a_table_is_the_same_beside_a_row_of_few_or_of_none(rows: int) -> None:
    rng = random.Random(rows)
    for _ in range(20):
        large = [rng.randint(16, 300) for _ in range(rows)]
        names = [*"abcde"[:rows], "few"]
        assert alike(lambda gate, n, large=large, names=names: gate.table(names, [*large, n]))
        assert alike(lambda gate, n, large=large, names=names: gate.table(names[:-1], large, left_out=[n]))


def test_no_table_by_clinician_tells_of_a_locum() -> None:
    """Of one who treated a tooth or ten, of which none failed or all: not that he was there, nor any failure."""

    def rates(gate: Gate, teeth: int, failures: int) -> object:
        rows = [("Ashby", 280, 45), ("Crane", 270, 31), ("Dean", 300, 60), ("Elm", 120, 12)]
        rows += [("Locum", teeth, failures)] if teeth else []
        made = tuple(RateRow(name, n, n, f, 5.0 * n, n // 2, f, 0.9, 0.86, 0.93) for name, n, f in rows)
        table = RateTable("crowns", "", "crown_survival", "provider_id", made)
        results = dataclasses.replace(samples.differs(), rates=(table,), records=Records("x"))
        return release_rates(gate, results)

    assert alike(lambda gate, n: rates(gate, n, 0))
    assert alike(lambda gate, n: rates(gate, n, n))


def test_the_flow_does_not_say_whether_a_step_lost_anybody() -> None:
    steps = ("Single crowns of the practice on permanent teeth", "Order of root canal and seat known")
    main = samples.differs().comparisons[0]

    def flow(gate: Gate, lost: int) -> object:
        made = tuple(FlowStep(s, n, 0, "", "crowns") for s, n in zip(steps, (679, 679 - lost), strict=True))
        shown = dataclasses.replace(samples.differs(), comparisons=(dataclasses.replace(main, flow=made),))
        return release_methods(gate, shown).flow

    assert alike(flow)
    assert len(flow(Gate(Rounding(b"x")), 100)) == 2  # type: ignore[arg-type]


def test_table_one_does_not_say_whether_the_sex_of_somebody_is_not_recorded() -> None:
    main = samples.differs().comparisons[0]
    assert main.robustness is not None

    def table1(gate: Gate, unknown: int, name: str, words: tuple[str, ...]) -> object:
        # Of 900 and 640 crowns; those of whom it is not known are taken from the first.
        counts = [{words[0]: 400 - unknown, "unknown": unknown} | ({words[1]: 300} if words[1:] else {})]
        counts.append({words[0]: 300, "unknown": 0} | ({words[1]: 250} if words[1:] else {}))
        rows = tuple(
            BalanceRow(f"{name}_{w}", "", 0.1, None, counts[0][w] / 900, counts[1][w] / 640)
            for w in counts[0]
            if w != "unknown" or unknown
        )
        robustness = dataclasses.replace(main.robustness, balance=rows)
        found = release_table1(gate, dataclasses.replace(main, robustness=robustness), COMPARED)
        return [(line.label, line.of_group is None, line.of_reference is None) for line in found]

    assert alike(lambda gate, n: table1(gate, n, "sex", ("female", "male")))
    assert alike(lambda gate, n: table1(gate, n, "bruxism", ("true",)))


def test_lines_of_healing_do_not_say_whether_a_lesion_was_not_recorded() -> None:
    rows = {r.name: r for r in samples.differs().recalls}
    whole = rows["all"]

    def healing(gate: Gate, unknown: int) -> object:
        made = [whole]
        for what, n, healed in (
            ("a lesion", 200, 130),
            ("no lesion", 300, 240),
            ("not recorded", unknown, unknown // 2),
        ):
            counts = {"recalled": n, "patients": n, "successes": healed, "healed_patients": healed}
            made.append(dataclasses.replace(whole, name=f"before treatment: {what}", **counts))
        return release_healing(gate, made)

    assert alike(healing)
    assert len(healing(Gate(Rounding(b"x")), 90)) == 4  # type: ignore[arg-type]


def test_the_root_canals_told_are_those_counted_whether_or_not_others_were_begun() -> None:
    results = dataclasses.replace(samples.differs(), records=Records("x"))
    begun = results.counts.endo_courses
    told = [
        release(dataclasses.replace(results, counts=dataclasses.replace(results.counts, endo_courses=begun + n)))
        for n in FEW
    ]
    assert told[0].endo_courses.value is not None
    assert all(t == told[0] for t in told)


def test_what_a_lone_hidden_row_may_be_is_open_in_one_release_and_in_six() -> None:
    """Three rows told and their total leave a fourth open; one row told, as it once was, did not."""

    def pinned(rows: int, releases: int) -> int:
        rng = random.Random(5)
        roundings = [Rounding(f"{i}".encode()) for i in range(60)]
        found = 0
        for _ in range(400):
            few, large = rng.randint(1, 10), [rng.randint(20, 300) for _ in range(rows)]
            low, high = 0, 14
            for rounding in rng.sample(roundings, releases):
                large = [n + rng.randint(0, 8) for n in large]
                told = [rounding.count(n) or 0 for n in large]
                whole = rounding.count(sum(large) + few) or 0
                low = max(low, whole - 4 - sum(n + 4 for n in told))
                high = min(high, whole + 4 - sum(max(SMALLEST, n - 4) for n in told))
            found += low >= 1 and high < SMALLEST
        return found

    assert [pinned(3, releases) for releases in (1, 6)] == [0, 0]
    assert pinned(1, 6) > 20
