"""Numbers that several rows share, with and without files."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.storing.hashes import Sheaves, shared_by_new


def packed(pairs: list[tuple[int, bool]]) -> np.ndarray:
    return np.array([2 * number + new for number, new in pairs], dtype=np.uint64)


def test_several_times_and_once_new():
    rows = [(7, False), (7, True), (3, True), (5, False), (5, False), (9, True), (9, True), (9, False)]
    assert shared_by_new(packed(rows)).tolist() == [7, 9]
    assert shared_by_new(packed([])).tolist() == []


@given(st.lists(st.tuples(st.integers(0, 2**63 - 1) | st.integers(0, 6), st.booleans())), st.integers(1, 5))
def test_any_number_of_files_finds_the_same(tmp_path_factory: pytest.TempPathFactory, rows, sheaves: int):
    told: dict[int, list[bool]] = {}
    for number, new in rows:
        told.setdefault(number, []).append(new)
    wanted = sorted(number for number, marks in told.items() if len(marks) > 1 and any(marks))
    folder = tmp_path_factory.mktemp("hashes") / "sheaves"
    with Sheaves(folder, sheaves) as parted:
        for start in range(0, len(rows), 3):
            parted.add(packed(rows[start : start + 3]))
        found = np.concatenate([shared_by_new(hashes) for hashes in parted.each()])
    assert sorted(found.tolist()) == wanted
    assert not folder.exists()
