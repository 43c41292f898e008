from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz_targets import SEEDS, TARGETS
from hypothesis import given, settings
from hypothesis import strategies as st

RUNS = {"x12": 20_000, "x12_segments": 4_000, "dates": 600, "teeth": 3_000, "surfaces": 1_000}
MARKS = "0123456789/-., #TABSURLMODJP*~:>\n"


def mutated(seed: bytes) -> st.SearchStrategy[bytes]:
    """The seed with a piece replaced by other bytes."""
    place = st.integers(0, len(seed))
    piece = st.binary(max_size=6) | st.text(MARKS, max_size=12).map(str.encode)
    return st.builds(lambda at, n, new: seed[:at] + new + seed[at + n :], place, st.integers(0, 20), piece)


@pytest.mark.parametrize("name", TARGETS)
def test_seeds_pass(name: str):
    for seed in SEEDS[name]:
        TARGETS[name](seed)


@pytest.mark.parametrize("name", TARGETS)
def test_hostile_bytes_are_read_or_refused(name: str):
    hostile = st.one_of(st.binary(max_size=200), *(mutated(seed) for seed in SEEDS[name]))

    @settings(max_examples=40 if os.environ.get("THOROUGH") else 8)
    @given(hostile)
    def run(data: bytes) -> None:
        TARGETS[name](data)

    run()


@pytest.mark.slow
@pytest.mark.parametrize("name", TARGETS)
def test_coverage_guided(name: str, tmp_path: Path):
    pytest.importorskip("atheris")
    script = Path(__file__).parent / "run_atheris.py"
    options = [f"-runs={RUNS[name]}", "-max_len=4096", "-timeout=60", "-seed=1", f"-artifact_prefix={tmp_path}/"]
    folder = tmp_path / "corpus"
    folder.mkdir()
    done = subprocess.run(
        [sys.executable, str(script), name, str(folder), *options], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-4000:]
    assert f"Done {RUNS[name]} runs" in done.stderr
