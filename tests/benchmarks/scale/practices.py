"""The synthetic practices that everything is measured on: made once, kept, and the same bytes on every machine."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

# First crowns of a practice with about so many million ledger rows (48.3 rows a first crown).
CROWNS = {0.1: 2_070, 1.0: 20_700, 10.0: 207_000, 100.0: 2_070_000}
SEED = 7
ROOT = Path(__file__).resolve().parents[3]
_MAKE = "import sys, pathlib; from synthetic_data.generate import simulate; "
_MAKE += "simulate(pathlib.Path(sys.argv[1]), crowns=int(sys.argv[2]), seed=int(sys.argv[3]))"


def practice(work: Path, millions: float) -> tuple[Path, int]:
    """The folder of the practice of about so many million ledger rows, and how many there are; made if need be."""
    crowns = CROWNS.get(millions, round(millions * CROWNS[100.0] / 100))
    folder = work / f"crowns-{crowns}"
    # truth.json is written last: where it stands, the practice is whole.
    if not (folder / "truth.json").exists():
        # A process of its own keeps this one small: a child begins with the memory of its parent on its account.
        subprocess.run([sys.executable, "-c", _MAKE, str(folder), str(crowns), str(SEED)], cwd=ROOT, check=True)
    told = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return folder, told["counts"]["procedures"]["rows_written"]
