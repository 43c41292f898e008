"""Notes of a fifth to an eighth author: mended on, and sealed ones that no rule was made or changed because of."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.notes.read import read_note
from pipeline.notes.vocabulary import vocabulary
from tests.notes.judge import SECOND_AUTHOR, judge, overall, same, written_notes
from tests.notes.test_second_author import table

DATA = SECOND_AUTHOR.parent
PARTS = {
    "fifth_author_scores.csv": {
        "mended on": "fifth_author.txt",
        "mended on, further": "fifth_author_more.txt",
        "sealed": "fifth_author_sealed.txt",
    },
    "sixth_author_scores.csv": {"mended on": "sixth_author_open.txt", "sealed": "sixth_author_sealed.txt"},
    "seventh_author_scores.csv": {"mended on": "seventh_author_open.txt", "sealed": "seventh_author_sealed.txt"},
    "eighth_author_scores.csv": {"sealed": "eighth_author_sealed.txt"},
}
# As both sets of 150 were first read, before any rule was mended: precision 0.969 and 0.966, recall 0.739 and 0.698.
# The sixth author's open and sealed notes as first read: 0.967 and 0.978, 0.805 and 0.823. After mending on the open
# ones the sealed ones stood where they were (0.976, 0.823); after lists were read in general too, at 0.976 and 0.847.
# The seventh author, an outsider, wrote for none of the rules: 0.969 and 0.984, 0.811 and 0.813 as first read. After
# mending on the open ones the sealed ones stood at 0.982 and 0.844; the counts by field then showed two values of
# hypochlorite lost by a mended rule, which was put right without looking at the notes. Lists of the eight fields that
# its sealed counts showed worst, made without those notes, brought them from 0.849 to 0.862 (precision 0.983).
# The eighth author, an outsider too, wrote 200 notes after that: 0.988 and 0.914 as first read; where the writer found
# seven values that readers could take either way, 0.988 and 0.920. No rule was made because of them.


def scores(kept_in: str) -> pl.DataFrame:
    """Precision and recall by field of each part of one author's notes."""
    return pl.concat(table(judge(written_notes(DATA / name))[0], part) for part, name in PARTS[kept_in].items())


@pytest.mark.thorough
@pytest.mark.parametrize("kept_in", PARTS)
def test_the_table_of_scores_is_what_the_rules_give(kept_in: str) -> None:
    # PYTHONPATH=. python -m tests.notes.test_fifth_author renews it; never look at which sealed notes go wrong.
    assert_frame_equal(scores(kept_in), pl.read_csv(DATA / kept_in), check_dtypes=False)


@pytest.mark.parametrize(
    ("name", "notes", "precision", "recall"),
    [
        ("fifth_author.txt", 150, 0.985, 0.945),
        ("fifth_author_more.txt", 144, 0.98, 0.95),
        ("fifth_author_sealed.txt", 150, 0.97, 0.85),
        ("sixth_author_open.txt", 150, 0.985, 0.95),
        ("sixth_author_sealed.txt", 150, 0.97, 0.86),
        ("seventh_author_open.txt", 150, 0.985, 0.96),
        ("seventh_author_sealed.txt", 150, 0.97, 0.86),
        ("eighth_author_sealed.txt", 200, 0.98, 0.91),
    ],
)
def test_notes_of_sixty_seven_hands_are_read_right(name: str, notes: int, precision: float, recall: float) -> None:
    written = written_notes(DATA / name)
    found = overall(judge(written)[0])
    assert len(written) == notes
    assert found.precision >= precision
    assert found.recall >= recall


def phrases(name: str = "phrases.txt") -> list[tuple[str, dict[str, str]]]:
    """Each phrase of a file and the fields that it says."""
    lines = [line for line in (DATA / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    cut = [line.partition(" |") for line in lines]
    return [(text, dict(pair.split("=") for pair in said.split())) for text, _, said in cut]


@pytest.mark.thorough
def test_the_ways_of_saying_each_field_are_known():
    words, asked, right = vocabulary(), 0, 0
    for text, said in phrases():
        found = {v.field: v for v in read_note(text, words, notation="fdi", tooth=36, day=dt.date(2022, 3, 3))}
        for name, value in said.items():
            asked += 1
            v = found.get(name)
            right += v is not None and v.sure and same(v.value, value)
            assert v is None or not v.sure or same(v.value, value), text
    assert asked >= 490
    assert right >= 0.98 * asked


def test_nothing_is_read_beside_what_the_ways_of_saying_a_field_say():
    words, asked, right = vocabulary(), 0, 0
    for text, said in phrases("seventh_ways.txt"):
        read = read_note(text, words, notation="fdi", tooth=36, day=dt.date(2022, 3, 3))
        found = {v.field: v.value for v in read if v.sure and v.tooth == 36}
        asked += len(said)
        right += sum(same(found.get(name), value) for name, value in said.items())
        assert {n: v for n, v in found.items() if not same(v, said.get(n))} == {}, text
    # 0.83, 0.74, 0.86, 0.86 and 0.82 of the five parts of the list when they were read first.
    assert asked >= 1000
    assert right >= 0.98 * asked


def test_the_fields_that_were_read_worst_are_read_in_many_ways():
    words, asked, right, wrong = vocabulary(), 0, 0, 0
    listed = phrases("eight_fields.txt")
    fields = {name for _, said in listed for name in said}
    for text, said in listed:
        read = read_note(text, words, notation="fdi", tooth=36, day=dt.date(2022, 3, 3))
        found = {v.field: v.value for v in read if v.sure and v.tooth == 36 and v.field in fields}
        asked += len(said)
        right += sum(same(found.get(name), value) for name, value in said.items())
        wrong += sum(not same(value, said.get(name)) for name, value in found.items())
    # 0.78, 0.71 and 0.77 of the three parts of the list when they were read first.
    assert asked >= 480
    assert right >= 0.9 * asked
    assert wrong <= 0.03 * right


def test_each_tooth_of_an_examination_is_given_its_own():
    words, asked, right, wrong = vocabulary(), 0, 0, 0
    lines = (DATA / "examinations.txt").read_text(encoding="utf-8").splitlines()[1:]
    for notation, text, told in (line.split(" | ") for line in lines):
        said = {(int(t), f): v for t, pair in (one.split() for one in told.split("; ")) for f, v in [pair.split("=")]}
        read = read_note(text, words, notation=notation, day=dt.date(2022, 3, 3))
        found = {(v.tooth, v.field): v.value for v in read if v.sure and v.tooth}
        asked += len(said)
        right += sum(found.get(key) == value for key, value in said.items())
        wrong += sum(value != said.get(key) for key, value in found.items())  # type: ignore[call-overload]
    assert asked >= 95
    assert right >= 0.93 * asked
    assert wrong <= 1


if __name__ == "__main__":
    for kept_in in PARTS:
        scores(kept_in).write_csv(DATA / kept_in)
