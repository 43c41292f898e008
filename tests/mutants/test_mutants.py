"""Which mutants are made of what, that one which lives is told, and that the lists are not stale."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.mutants.exchange import exchanged, live_functions
from tests.mutants.fresh import draw_fresh, told
from tests.mutants.make import Key, draw, read_source
from tests.mutants.passed import PASSED as PASSED_LINES
from tests.mutants.passed import left_out, parsed
from tests.mutants.scores import Score, add_outcome, equivalents, keep, outcomes_in, stale
from tests.mutants.targets import PASSED, TARGETS
from tests.mutants.wider import wider_kinds

ROOT = Path(__file__).parents[2]
# Source, what is changed, what becomes of it; where nothing is named there is no mutant at all.
_MADE = """
    a < b                              ; < to <=                      ; a <= b
    a == b                             ; == to !=                     ; a != b
    a + b                              ; + to -                       ; a - b
    a * b                              ; * to /                       ; a / b
    a and b                            ; and to or                    ; a or b
    not a                              ; not gone                     ; a
    -a                                 ; minus gone                   ; a
    ~a                                 ; ~ gone                       ; a
    a | b                              ; | to &                       ; a & b
    f(90)                              ; 90 to 91                     ; f(91)
    f(True)                            ; True to False                ; f(False)
    a if b else c                      ; if turned                    ; c if b else a
    a.min()                            ; min to max                   ; a.max()
    max(a, b)                          ; max to min                   ; min(a, b)
    a.any()                            ; any to all                   ; a.all()
    a.is_null()                        ; is_null to is_not_null       ; a.is_not_null()
    sorted(a)                          ; sorted descending            ; sorted(a, reverse=True)
    a.sort('b')                        ; sorted descending            ; a.sort('b', descending=True)
    a.sort('b', descending=c)          ;                              ;
    a.join(b, on=c, how='left')        ; how left to inner            ; a.join(b, on=c, how='inner')
    a.join_asof(b, strategy='forward') ; strategy forward to backward ; a.join_asof(b, strategy='backward')
    a.unique(keep='first')             ; keep first to last           ; a.unique(keep='last')
    pl.coalesce(a, b)                  ; coalesce turned              ; pl.coalesce(b, a)
    a.filter(b)                        ; filter gone                  ; a
    a.filter(b, c)                     ; filter without argument 1    ; a.filter(c)
    a.filter(b, c)                     ; filter without argument 2    ; a.filter(b)
    a & b                              ; & without its left term      ; b
    a & b                              ; & without its right term     ; a
    a & b                              ; & to |                       ; a | b
    a.is_between(b, c)                 ; upper edge left out          ; a.is_between(b, c, closed='left')
    a.is_between(b, c)                 ; lower edge left out          ; a.is_between(b, c, closed='right')
    a.is_in(['b', 'c'])                ; 'b' left out                 ; a.is_in(['c'])
    WORDS = ('b', 'c')                 ; 'c' left out                 ; WORDS = ('b',)
    __all__ = ['b', 'c']               ;                              ;
    zip(a, b, strict=True)             ;                              ;
    say(1 + 2)                         ;                              ;
    f'{a + 1}'                         ;                              ;
    raise ValueError(1 + a)            ;                              ;
    a: f(1) = b                        ;                              ;
"""


def _made_of(source: str) -> dict[str, str]:
    read = read_source(source, "toy.py")
    return {one.key.kind: read.text(one) for one in read.mutants}


@pytest.mark.parametrize("row", _MADE.strip().splitlines())
def test_what_is_made_of_what(row: str) -> None:
    source, kind, new = (cell.strip() for cell in row.split(";"))
    made = _made_of(source)
    assert made.get(kind) == new if kind else made == {}


def test_keys_follow_a_line_wherever_it_moves_and_tell_equal_changes_apart() -> None:
    text = "def f(a, b):\n    return a < b < 3 < a\n"
    keys = [one.key for one in read_source(text, "toy.py").mutants]
    assert [key.kind for key in keys] == ["< to <=", "< to <= #2", "< to <= #3", "3 to 4"]
    assert {(key.file, key.function, key.line) for key in keys} == {("toy.py", "f", "return a < b < 3 < a")}
    assert [one.key for one in read_source(f"# moved\n\n{text}", "toy.py").mutants] == keys


def test_what_is_drawn_stays_when_another_line_changes() -> None:
    lines = [f"x{n} = {n} < y" for n in range(40)]
    before = {one.key for one in draw(read_source("\n".join(lines), "toy.py").mutants, 30)}
    lines[7] = "x7 = 7"
    after = {one.key for one in draw(read_source("\n".join(lines), "toy.py").mutants, 30)}
    assert len(before) == len(after) == 30
    assert len(before - after) <= sum(key.line.startswith("x7 ") for key in before)


_TOY = """
def is_late(days, limit=30):
    return days > limit and days - limit != 1


def forever(n):
    while n > 0:
        n = n - 1
    return n
"""
_TOY_TEST = """
from toy import forever, is_late


def test_late():
    assert is_late(32) and not is_late(31)
    assert not is_late(30 + 1)


def test_ends():
    assert forever(3) == 0
"""
_RUN = """
from pathlib import Path
from tests.mutants.run import Target, outcomes
target, root = Target("toy", "toy.py", ("test_toy.py",)), Path.cwd()
source = target.source(root)
tried = [one for one in source.mutants if one.key.kind in ("> to >=", "- to +", "30 to 31")]
for one in outcomes(target, source, tried, root=root, cpu_seconds=1):
    print(f"{one.mutant.number} {one.mutant.key.kind}: {one.by or 'lives'}")
"""


def _run_toy(folder: Path, test: str) -> subprocess.CompletedProcess[str]:
    (folder / "toy.py").write_text(_TOY)
    (folder / "test_toy.py").write_text(test)
    return subprocess.run(
        [sys.executable, "-c", _RUN],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.thorough
def test_what_lives_is_told_and_what_does_not_end_is_killed(tmp_path: Path) -> None:
    done = _run_toy(tmp_path, _TOY_TEST)
    assert done.returncode == 0, done.stderr
    # Whether day 30 is late no test asks.
    assert sorted(done.stdout.splitlines()) == [
        "2 30 to 31: test_toy.py::test_late",
        "3 - to +: test_toy.py::test_late",
        "3 > to >=: lives",
        "7 > to >=: test_toy.py::test_ends",
        "8 - to +: time limit",
    ]
    assert (tmp_path / "toy.py").read_text(encoding="utf-8") == _TOY


def test_nothing_is_measured_where_the_tests_fail_by_themselves(tmp_path: Path) -> None:
    done = _run_toy(tmp_path, _TOY_TEST.replace("forever(3) == 0", "forever(3) == 1"))
    assert done.returncode != 0
    assert done.stdout == ""
    assert "toy.py: tests fail without a mutant" in done.stderr


_LIVE = """
from functools import cache

LIMIT = 30


@cache
def is_late(days, limit=LIMIT):
    return days > limit


def both():
    return sum(d < 4 for d in (3, 5)), sum(d < 4 for d in (3, 5))


pair = [lambda d: d < 7, lambda d: d < 8]
"""


def test_code_is_exchanged_where_a_mutant_changes_only_functions_that_can_be_told_apart(tmp_path: Path) -> None:
    source, file, held = read_source(_LIVE, "toy.py"), str(tmp_path / "toy.py"), dict[str, Any]()
    exec(source.code(None, file), held)
    plain, live, new = source.code(None, file), live_functions(file), {}
    for one in source.mutants:
        new[one.number, one.key.kind] = exchanged(plain, source.code(one, file), live)
    assert [where for where, found in new.items() if not found] == [
        (4, "30 to 31"),  # what runs on import
        *((16, kind) for kind in ("< to <=", "7 to 8", "< to <= #2", "8 to 9")),  # two of one line
    ]
    for function, code in (*new[9, "> to >="], *new[13, "< to <= #2"], *new[13, "4 to 5"]):
        function.__code__ = code
    assert held["is_late"](30)
    assert held["both"]() == (1, 1)


def test_every_module_and_test_of_the_list_is_there() -> None:
    files = [file for target in TARGETS for file in (target.file, *(t.partition("::")[0] for t in target.tests))]
    assert [file for file in files if not (ROOT / file).is_file()] == []
    assert len({target.file for target in TARGETS}) == len(TARGETS)


def test_of_every_module_a_score_is_kept() -> None:
    with (ROOT / "tests" / "mutants" / "scores.csv").open(encoding="utf-8") as scores:
        assert {row["file"] for row in csv.DictReader(scores)} == {target.file for target in TARGETS}


def test_of_every_module_that_a_figure_passes_mutants_are_made_or_it_is_said_why_not() -> None:
    passed = list(csv.DictReader(PASSED_LINES.read_text(encoding="utf-8").splitlines()))
    scored, drawn = ({target.file for target in of} for of in (TARGETS, PASSED))
    assert not scored & drawn
    for row in passed:
        file = row["file"]
        made = "scored" if file in scored else "drawn" if file in drawn else left_out(file)
        assert row["mutants"] == made != "", file
        assert (ROOT / file).exists()
    assert drawn <= {row["file"] for row in passed}


def test_fresh_ones_are_of_lines_that_are_passed_and_were_not_tried() -> None:
    target = next(target for target in TARGETS if target.file.endswith("verdict.py"))
    source = target.source(ROOT)
    lines = {one.number for one in source.mutants[:40]}
    drawn = draw_fresh([target], {target.file: lines}, set(), root=ROOT, number=12, seed=5)
    mutants = [one for *_, mutants in drawn for one in mutants]
    assert len(mutants) == 12
    parser = parsed(ROOT / target.file)
    assert {parser.first_line(one.number) for one in mutants} <= lines
    tried = {one.key for one in draw(source.mutants, 15)}
    assert not tried & {one.key for one in mutants}
    again = draw_fresh([target], {target.file: lines}, {mutants[0].key}, root=ROOT, number=12, seed=5)
    assert mutants[0].key not in {one.key for *_, found in again for one in found}
    assert told(3, 4) == "3 of 4 noticed, 75% (standard error 21.7%)"


def test_equivalent_mutants_are_in_the_source_and_have_a_reason() -> None:
    known = equivalents()
    files = {key.file for key in known}
    made = [
        one
        for target in (*TARGETS, *PASSED)
        if target.file in files
        for kinds in (None, wider_kinds)
        for one in target.source(ROOT, kinds).mutants
    ]
    assert stale(known, made) == []
    assert [key for key, reason in known.items() if len(reason) < 10] == []
    gone = Key("pipeline/transforms/timing.py", "nearest", "no such line", "< to <=")
    assert stale([gone], made) == [gone]


def test_scores_of_other_modules_are_kept(tmp_path: Path) -> None:
    keep([Score("a", "a.py", 40, 30, 2, 27, 1)], [Key("a.py", "f", "x < y", "< to <=")], tmp_path)
    keep([Score("b", "b.py", 4, 4, 0, 4, 0)], [], tmp_path)
    keep([Score("a", "a.py", 40, 30, 2, 28, 0)], [], tmp_path)
    assert (tmp_path / "scores.csv").read_text(encoding="utf-8").splitlines() == [
        "group,file,mutants,drawn,equivalent,killed,lived,percent",
        "a,a.py,40,30,2,28,0,100",
        "b,b.py,4,4,0,4,0,100",
    ]
    assert (tmp_path / "survivors.csv").read_text(encoding="utf-8") == "file,function,line,kind\n"


def test_what_became_of_a_mutant_is_kept(tmp_path: Path) -> None:
    kept, one, other = tmp_path / "kept.csv", Key("a.py", "f", "x < y, z", "< to <="), Key("a.py", "g", "x", "x to y")
    assert outcomes_in(kept) == {}
    add_outcome(kept, one, "tests/test_a.py::test_f")
    add_outcome(kept, other, "")
    assert outcomes_in(kept) == {one: "tests/test_a.py::test_f", other: ""}


# As above, of the kinds that no score is kept of.
_WIDER = """
    a < b                     ; comparison turned            ; not a < b
    a - b                     ; sides swapped                ; b - a
    a - b                     ; without left term            ; -b
    a * b                     ; without right term           ; a
    a | b                     ; without left term            ; b
    a and b and c             ; without term 2               ; a and c
    f(90)                     ; 90 to 89                     ; f(89)
    f(365.25)                 ; 365.25 to 365                ; f(365)
    f(low, high)              ; arguments 1 and 2 swapped    ; f(high, low)
    f(low, high)              ; low to high                  ; f(high, high)
    f('entry', 'exit')        ; 'exit' to 'entry'            ; f('entry', 'entry')
    a = f('entry')            ;                              ;
    a.sum()                   ; sum to mean                  ; a.mean()
    np.sqrt(a)                ; sqrt gone                    ; a
    a.over('b', 'c')          ; argument 2 left out          ; a.over('b')
    f(a, strata=b)            ; strata not given             ; f(a)
    PAIR = ('b', 'c')         ; pair swapped                 ; PAIR = ('c', 'b')
    a[1:]                     ; slice without lower bound    ; a[:]
    [a for a in b if a]       ; comprehension without if     ; [a for a in b]
    a += b                    ; statement gone               ; pass
    a.append(b)               ; statement gone               ; pass
"""


@pytest.mark.parametrize("row", _WIDER.strip().splitlines())
def test_what_is_made_of_what_by_the_wider_kinds(row: str) -> None:
    source, kind, new = (cell.strip() for cell in row.split(";"))
    read = read_source(source, "toy.py", wider_kinds(source))
    made = {one.key.kind: read.text(one) for one in read.mutants}
    assert made.get(kind) == new if kind else made == {}
