from __future__ import annotations

import itertools
import random

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.practice.tables import CLAIM_SCHEMA
from pipeline.transforms.claims import UNIT, taken_back

SCHEMA = {"load_id": pl.Int32(), "row_number": pl.Int64(), **CLAIM_SCHEMA}


def log(text: str) -> tuple[pl.DataFrame, list[str]]:
    """Claims drawn as `load row | claim | line | action | replaces | sent | charge | gone`, and the rows that go.

    `line` is, for a claim's row, control number and a letter for what the row says.
    """
    rows, gone = [], []
    for drawn in text.strip().splitlines():
        place, claim, line, action, replaces, sent, charge, out = (cell.strip() for cell in drawn.split("|"))
        load, row = map(int, place.split())
        provider, _, number = claim.rpartition("/")
        told = line.replace(" ", UNIT) or None
        rows.append(
            (load, row, f"{provider}{UNIT}{number}", told, action, replaces or None, sent, float(charge or 100))
        )
        gone += [f"{load} {row}"] if out else []
    return pl.DataFrame(rows, schema=SCHEMA, orient="row"), gone


def shown(claims: pl.DataFrame) -> list[str]:
    return [f"{load} {row}" for load, row in taken_back(claims).rows()]


def test_a_replacement_and_a_void_take_back_what_was_sent_before():
    claims, gone = log("""
        1 1 | N/A | 1 a | original    |   | 2024-01-01 |  | gone
        1 2 | N/A | 2 b | original    |   | 2024-01-01 |  | gone
        1 3 | N/B | 1 c | original    |   | 2024-01-01 |  |
        1 4 | N/C | 1 d | original    |   | 2024-01-01 |  | gone
        2 1 | N/A | 1 e | replacement |   | 2024-02-01 |  |
        2 2 | N/A | 2 f | replacement |   | 2024-02-01 |  |
        2 3 | N/C | 1 g | void        |   | 2024-02-01 |  | gone
        2 4 | M/B | 1 h | void        |   | 2024-02-01 |  | gone
    """)
    assert shown(claims) == gone


def test_a_void_loaded_before_its_claim_and_a_claim_sent_after_its_void():
    claims, gone = log("""
        1 1 | N/A | 1 v | void     |  | 2024-02-01 |  | gone
        2 1 | N/A | 1 a | original |  | 2024-01-01 |  | gone
        3 1 | N/A | 1 b | original |  | 2024-03-01 |  |
    """)
    assert shown(claims) == gone


def test_the_same_claim_sent_again_after_its_void_stands_in_every_copy():
    # The copies are one row, of which either is kept.
    claims, gone = log("""
        1 1 | N/A | 1 a | original |  | 2024-01-01 |  |
        2 1 | N/A | 1 v | void     |  | 2024-02-01 |  | gone
        3 1 | N/A | 1 a | original |  | 2024-03-01 |  |
    """)
    assert shown(claims) == gone


def test_a_chain_of_replacements_leaves_its_last():
    claims, gone = log("""
        1 1 | N/A | 1 a | original    |   | 2024-01-01 |  | gone
        2 1 | N/B | 1 b | replacement | A | 2024-02-01 |  | gone
        3 1 | N/C | 1 c | replacement | B | 2024-03-01 |  |
        3 2 | N/D | 1 d | original    |   | 2024-03-01 |  | gone
        4 1 | N/E | 1 e | replacement | D | 2024-03-02 |  | gone
        5 1 | N/F | 1 f | replacement | D | 2024-03-03 |  |
    """)
    assert shown(claims) == gone


def test_a_reference_is_the_payers_number_or_a_claims_number_or_nothing():
    claims, gone = log("""
        1 1 | N/A | 1 a | original    |     | 2024-01-01 |  | gone
        1 2 | N/B | 1 b | original    |     | 2024-01-01 |  | gone
        1 3 | N/C | 1 c | original    |     | 2024-01-01 |  | gone
        1 4 | N/D | 1 d | original    |     | 2024-01-01 |  |
        2 1 | N/A | 1   | payment     | P77 | 2024-01-20 |  |
        3 1 | N/X | 1 e | replacement | P77 | 2024-02-01 |  |
        3 2 | N/Y | 1 f | replacement | B   | 2024-02-01 |  |
        3 3 | N/C | 1 g | replacement | P99 | 2024-02-01 |  |
        3 4 | M/Z | 1 h | replacement | D   | 2024-02-01 |  |
    """)
    assert shown(claims) == gone


def test_a_reversal_takes_a_line_back_and_a_correction_restores_it():
    claims, gone = log("""
        1 1 | N/A | 1 a | original |  | 2024-01-01 | 100  |
        1 2 | N/A | 2 b | original |  | 2024-01-01 | 50   | gone
        1 3 | N/A | 2 c | original |  | 2024-01-01 | 50   | gone
        1 4 | N/B | 1 d | original |  | 2024-01-01 | 80   |
        2 1 | N/A | 1   | payment  |  | 2024-02-01 | 100  |
        2 2 | N/A | 2   | payment  |  | 2024-02-01 | 50   |
        2 3 | N/B | 1   | payment  |  | 2024-02-01 | 80   |
        3 1 | N/A | 1   | reversal |  | 2024-03-01 | -100 |
        3 2 | N/A | 2   | reversal |  | 2024-03-01 | -50  |
        3 3 | N/A | 1   | payment  |  | 2024-03-01 | 100  |
    """)
    assert shown(claims) == gone


def test_a_reversal_of_a_payment_from_before_the_first_file():
    claims, gone = log("""
        1 1 | N/A | 1 a | original |  | 2024-01-01 | 100  |
        1 2 | N/B | 1 b | original |  | 2024-01-01 | 100  | gone
        2 1 | N/A | 1   | reversal |  | 2024-03-01 | -100 |
        2 2 | N/A | 1   | payment  |  | 2024-03-01 | 100  |
        2 3 | N/B | 1   | reversal |  | 2024-03-01 | -100 |
    """)
    assert shown(claims) == gone


def test_a_remittance_sent_twice_counts_once():
    claims, gone = log("""
        1 1 | N/A | 1 a | original |  | 2024-01-01 | 100  | gone
        2 1 | N/A | 1   | payment  |  | 2024-02-01 | 100  |
        3 7 | N/A | 1   | payment  |  | 2024-02-01 | 100  |
        4 1 | N/A | 1   | reversal |  | 2024-03-01 | -100 |
    """)
    assert shown(claims) == gone


def test_a_remittance_about_the_whole_claim_or_without_the_provider():
    claims, gone = log("""
        1 1 | N/A | 1 a | original |  | 2024-01-01 | 100  | gone
        1 2 | N/A | 2 b | original |  | 2024-01-01 | 50   | gone
        1 3 | N/B | 1 c | original |  | 2024-01-01 | 50   |
        1 4 | M/B | 1 d | original |  | 2024-01-01 | 50   |
        2 1 | N/A | 1   | payment  |  | 2024-02-01 | 100  |
        2 2 | N/A | 2   | payment  |  | 2024-02-01 | 50   |
        2 3 | /A  |     | reversal |  | 2024-03-01 | -150 |
        2 4 | /B  | 1   | reversal |  | 2024-03-01 | -50  |
    """)
    assert shown(claims) == gone


def test_a_payment_of_nothing_is_no_reversal():
    claims, gone = log("""
        1 1 | N/A | 1 a | original |  | 2024-01-01 | 100 |
        2 1 | N/A | 1   | payment  |  | 2024-02-01 | 100 |
    """)
    assert shown(claims) == gone == []
    assert taken_back(claims.clear()).is_empty()


STEP = st.tuples(
    st.sampled_from("ABC"),
    st.sampled_from(["1 a", "1 b", "2 c"]),
    st.sampled_from(["original", "replacement", "void", "payment", "reversal"]),
    st.sampled_from([None, "A", "B", "P1", "P2"]),
    st.integers(1, 9),
)


def frame(steps: list[tuple[str, str, str, str | None, int]], loads: list[int]) -> pl.DataFrame:
    rows = []
    for number, ((claim, line, action, replaces, month), load) in enumerate(zip(steps, loads, strict=True), 1):
        is_row = action not in ("payment", "reversal")
        told = line.replace(" ", UNIT) if is_row else line[0]
        rows.append((load, number, f"N{UNIT}{claim}", told, action, replaces, f"2024-0{month}-01", 100.0))
    return pl.DataFrame(rows, schema=SCHEMA, orient="row")


@pytest.mark.thorough
@settings(max_examples=150, deadline=None)
@given(st.lists(STEP, max_size=12), st.randoms(use_true_random=False))
def test_neither_the_order_of_loading_nor_of_rows_matters(steps: list[tuple], chance: random.Random):
    loads = [month for *_, month in steps]  # a file for each month
    order = list(range(1, 10))
    chance.shuffle(order)
    expected = {row for _, row in taken_back(frame(steps, loads)).rows()}
    others = frame(steps, [order[load - 1] for load in loads])
    turned = others.sample(fraction=1, shuffle=True, seed=chance.randrange(1000)) if others.height else others
    assert {row for _, row in taken_back(turned).rows()} == expected


@pytest.mark.thorough
@settings(max_examples=100, deadline=None)
@given(st.lists(STEP, max_size=8))
def test_every_void_goes_and_nothing_goes_without_a_reason(steps: list[tuple]):
    claims = frame(steps, [1] * len(steps))
    gone = set(taken_back(claims).rows())
    assert len(gone) == taken_back(claims).height
    for row in claims.iter_rows(named=True):
        place = (row["load_id"], row["row_number"])
        if row["action"] == "void":
            assert place in gone
        if row["action"] in ("payment", "reversal"):
            assert place not in gone
    if not {"replacement", "void", "reversal"} & set(claims["action"]):
        assert not gone


def test_all_orders_of_loading_give_the_same_rows():
    claims, gone = log("""
        1 1 | N/A | 1 a | original    |     | 2024-01-01 |      | gone
        2 1 | N/B | 1 b | replacement | P1  | 2024-02-01 |      | gone
        3 1 | N/A | 1   | payment     | P1  | 2024-01-20 | 100  |
        4 1 | N/B | 1 c | void        |     | 2024-04-01 |      | gone
    """)
    for order in itertools.permutations(range(1, 5)):
        new = dict(zip(range(1, 5), order, strict=True))
        moved = claims.with_columns(pl.col("load_id").replace_strict(new, return_dtype=pl.Int32))
        expected = sorted(f"{new[int(place.split()[0])]} {place.split()[1]}" for place in gone)
        assert shown(moved) == expected
