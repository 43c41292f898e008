"""A practice run whole and shared: attacked by integer programming, then shared again with one patient more."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import json
from pathlib import Path

import pytest
from attacker import attack

from dashboards.release.released import Released, as_text, from_text, release
from pipeline.machine.errors import DataError
from pipeline.practice.pseudonyms import key_path
from pipeline.practice.settings import Settings
from pipeline.reading.config import load_settings
from pipeline.release.disclosure import SMALLEST
from pipeline.release.memory import Remembered
from pipeline.release.memory_file import memory_path
from pipeline.results import Results
from pipeline.results.records import NEAR, NEW, SAME
from pipeline.stages import run
from synthetic_data.generate import simulate
from tests.recounts import without_recounts

DAY = dt.date(2026, 11, 29)
ONE_MORE = (
    "Entry No,Chart No,Date,Code,Th,Surf,Prov,Status,Clinic,Amount,Why\n"
    "990001,Z0000001,03/01/2020,D2740,3,,AR6,C,South,1200,\n"
    "990002,Z0000001,05/01/2023,D7140,3,,AR6,C,South,200,CRACK\n"
)


def share(settings: Settings) -> tuple[Results, Released, Remembered, bytes]:
    """What pages and the file for pooling would hold."""
    with without_recounts():
        results = run.everything(settings, today=DAY, say=lambda _: None)
    kept = run.release_stage(
        settings,
        results,
        today=DAY,
        make=lambda told: as_text(release(told)),
        readable=lambda text: from_text(text) is not None,
        say=lambda _: None,
    )
    shown = from_text(kept.figures)
    assert shown is not None
    given = run.contribute_stage(settings, settings.practice.database.parent / "given", today=DAY, say=lambda _: None)
    return results, shown, kept, given.read_bytes()


@pytest.mark.thorough
def test_a_practice_shared_twice_gives_no_group_under_eleven_away(tmp_path: Path) -> None:
    settings = load_settings(simulate(tmp_path / "practice", crowns=600, seed=7))
    results, shown, kept, given = share(settings)
    assert kept.standing == NEW
    assert results.records.digest
    attacker = attack(shown)
    smallest = attacker.smallest()
    print(f"the smallest of {len(attacker.groups)} groups that could be pinned down holds {smallest}")
    assert len(attacker.groups) > 400
    assert attacker.pinned() == {}
    assert smallest >= SMALLEST
    # Nor where the same figures are rounded in two ways.
    apart = (dataclasses.replace(results, records=dataclasses.replace(results.records, rounded_by=by)) for by in "ab")
    assert attack(*map(release, apart)).pinned() == {}
    # The same records again, read from the same files.
    assert share(settings)[2].standing == SAME
    # And with database, key and memory lost: under other pseudonyms, there is nothing to subtract.
    (tmp_path / "again").mkdir()
    elsewhere = load_settings(simulate(tmp_path / "again" / "practice", crowns=600, seed=7))
    _, again, kept, given_again = share(elsewhere)
    assert kept.standing == NEW
    assert again == shown
    assert _figures(given_again) == _figures(given)
    # One patient more.
    (tmp_path / "practice" / "exports" / "ledger-2026.csv").write_text(ONE_MORE)
    more, again, kept, given_again = share(settings)
    assert more.counts.crowns == results.counts.crowns + 1
    assert kept.standing == NEAR
    assert again == shown
    assert _figures(given_again) == _figures(given)
    # The database deleted, and built anew from the same files: the memory lies beside the key.
    settings.practice.database.unlink()
    _, again, kept, given_again = share(settings)
    assert kept.standing == NEAR
    assert again == shown
    assert _figures(given_again) == _figures(given)
    # The memory gone: the database knows that there was one.
    memory_path(key_path(settings.practice.database, None)).unlink()
    with pytest.raises(DataError, match="Put the latest copy in its place"):
        share(settings)
    # Where nobody remembers, they are rounded anew.
    alone = release(more)
    assert alone != shown
    assert attack(alone).pinned() == {}


def skewed(exports: Path, *, joined: int) -> None:
    """One clinician does nine rows of ten, and one patient takes the chart numbers of `joined` others with crowns."""
    paths = sorted(exports.glob("*.csv"))
    rows = [list(csv.reader(path.read_text(encoding="utf-8").splitlines())) for path in paths]
    whose = list(dict.fromkeys(r[1] for of_file in rows for r in of_file[1:] if r[3].startswith("D27") and r[1]))
    his = dict.fromkeys(whose[1 : joined + 1], whose[0])
    for path, (head, *body) in zip(paths, rows, strict=True):
        told = [[r[0], his.get(r[1], r[1]), *r[2:6], "AR1" if i % 10 else r[6], *r[7:]] for i, r in enumerate(body)]
        path.write_text("\n".join(",".join(r) for r in (head, *told)) + "\n")


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("crowns", "seed", "joined"),
    [
        (800, 11, 7),
        *(pytest.param(*case, marks=pytest.mark.slow) for case in ((300, 1, 0), (900, 5, 0), (1200, 13, 7))),
    ],
)
def test_a_practice_of_one_clinician_and_one_patient_gives_no_group_under_eleven_away(
    tmp_path: Path, crowns: int, seed: int, joined: int
) -> None:
    """Four of twenty practices of 300 to 6,000 crowns; of all twenty the smallest group held 13."""
    toml = simulate(tmp_path / "practice", crowns=crowns, seed=seed)
    skewed(tmp_path / "practice" / "exports", joined=joined)
    with without_recounts():
        results = run.everything(load_settings(toml), today=DAY, say=lambda _: None)
    attacker = attack(release(results), teeth_of_one=results.records.teeth_of_one)
    assert len(attacker.groups) > 120
    assert attacker.smallest() >= SMALLEST
    assert attacker.pinned() == {}


def _figures(given: bytes) -> object:
    return json.loads(given)["contrasts"]
