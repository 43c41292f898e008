"""What we take for the one question that the rivals answer: the main comparison alone, on what is linked.

`python one_question.py PRACTICE_FOLDER`
"""

from __future__ import annotations

import sys
from pathlib import Path

from pipeline.questions.crown_longevity import Analysis, compare_since_seat
from pipeline.store import open_store
from pipeline.tables import CROWNS, PATIENTS


def main() -> None:
    with open_store(Path(sys.argv[1]) / "practice.duckdb", read_only=True, must_exist=True) as store:
        crowns, patients = store.read(CROWNS), store.read(PATIENTS)
    print(compare_since_seat(crowns, patients, Analysis()).verdict)


if __name__ == "__main__":
    main()
