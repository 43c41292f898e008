"""Run one target under a coverage-guided fuzzer: `python run_atheris.py TARGET CORPUS_FOLDER [libFuzzer options]`."""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]
with atheris.instrument_imports(
    include=["pipeline.reading.sources.x12", "pipeline.transforms", "pipeline.practice.teeth"]
):
    import fuzz_targets


def main() -> None:
    """Write the seeds into the corpus folder and fuzz until the options say stop."""
    name, folder = sys.argv[1], Path(sys.argv[2])
    for number, seed in enumerate(fuzz_targets.SEEDS[name]):
        (folder / f"seed{number}").write_bytes(seed)
    atheris.Setup([sys.argv[0], *sys.argv[2:]], fuzz_targets.TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
