"""An attacker with the same records rounded twice: under other settings, and under another key.

A count told in two ways is known to within 4 and not 9. Where a few are all that a part lacks to its whole (root canals
that failed and were not lost), two roundings may name them, which one never does.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from attacker import Attacker

from pipeline.release.disclosure import Rounding
from pipeline.results.records import NEW
from tests.releases.test_release_memory import Practice, crowns, results

PRACTICES = range(20)


def pinned(seed: int, roundings: Sequence[Rounding]) -> int:
    """Of how many of ten wholes of a practice it is sure that a part lacks somebody, and fewer than 11."""
    rng = np.random.default_rng(seed)
    wholes, lacking = rng.integers(30, 400, 10).tolist(), (rng.permutation(10) + 1).tolist()
    a = Attacker()
    for i, rounding in enumerate(roundings):
        a.under = str(i)
        for j, (whole, few) in enumerate(zip(wholes, lacking, strict=True)):
            a.within(a.cell(f"part {j}", rounding.count(whole - few)), a.cell(f"whole {j}", rounding.count(whole)))
    return len(a.pinned())


def shared(folder: Path, settings: Sequence[str]) -> list[Rounding]:
    """How figures of the same records are rounded, shared under one setting after the other."""
    practice = Practice(folder)
    out = []
    for i, years in enumerate(settings):
        day = dt.date(2026, 1, 1) + dt.timedelta(200 * i)
        assert practice.share(crowns(range(40)), day=day, of=results(horizon_years=years)).standing == NEW
        out.append(Rounding(practice.rounded_by.encode()))
    return out


def test_other_settings_of_the_same_records_name_no_few(tmp_path: Path) -> None:
    """Twenty practices share three times, with another horizon each time: as one release to whoever has all three.

    Rounded apart, as they once were, three releases named the few in 76 of 200 pairs.
    """
    alike = shared(tmp_path, ["5", "10", "3"])
    apart = [Rounding(f"{i}".encode()) for i in range(3)]
    assert sum(pinned(seed, alike) for seed in PRACTICES) == 0
    assert sum(pinned(seed, apart) for seed in PRACTICES) > 60
