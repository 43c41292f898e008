"""Four invented practices before and after a change of the program that is to change no answer.

    python tests/relations/before_after.py write FOLDER        # in the state before, and in the state after
    python tests/relations/before_after.py compare BEFORE AFTER

`write` simulates the practices, runs each whole and keeps every figure of `results.json`, every sentence of every page
and slide, and the processor time of the comparing stage. `compare` tells what differs: sentences by the letter, numbers
beyond `NEAR`. With the names of practices after the folder, `write` makes those alone.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import difflib
import hashlib
import html
import json
import re
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from figures import Json, gaps, leaves
from pptx import Presentation

from dashboards.write import write_all
from pipeline.practice.own_question import from_options
from pipeline.practice.pseudonyms import key_path
from pipeline.practice.settings import Settings
from pipeline.reading.config import load_settings
from pipeline.stages import run
from synthetic_data.generate import simulate
from synthetic_data.truth import DEFAULT

TODAY = dt.date(2025, 6, 30)
NEAR = 1e-9
KEY = hashlib.sha256(b"before and after").hexdigest()
# Digests of files differ with any byte, and versions are not figures.
MAY = ("/quality/loads/*/hash", "/versions/*")
ASKS = (
    from_options(population="endo_courses,tooth_group=molar", groups="obturation", outcome="tooth_loss", horizon=3),
    from_options(population="crowns", groups="material", outcome="crown_failure", adjust=["nothing"]),
)


@dataclasses.dataclass(frozen=True)
class Case:
    """A practice: what is simulated, its settings, and into how many parts its comparison goes (0: whole)."""

    crowns: int
    seed: int
    referred: float = 0.1
    charted: str = "mixed"
    practice: dict[str, Json] = dataclasses.field(default_factory=dict)
    analysis: dict[str, Json] = dataclasses.field(default_factory=dict)
    asked: bool = False
    parts: int = 0


CASES = {
    "ordinary": Case(3000, 3, asked=True),
    "few failures": Case(300, 11, analysis={"min_failures": 2, "horizon_years": 3, "confidence": 0.9}),
    "referred": Case(
        1500, 7, referred=0.5, charted="undated", practice={"root_canals_elsewhere": "some", "crown_date": "prep"},
        analysis={"min_stratum_failures": 2, "min_at_risk": 5, "smallest_difference_per_100": 2.0},
    ),
    "in parts": Case(1500, 3, analysis={"horizon_years": 8}, parts=3),
}  # fmt: skip


def settings_of(case: Case, folder: Path) -> Settings:
    """Simulate a practice and read its settings."""
    truth = DEFAULT.with_referrals(case.referred, case.charted)
    settings = load_settings(simulate(folder, crowns=case.crowns, seed=case.seed, truth=truth))
    return dataclasses.replace(
        settings,
        practice=dataclasses.replace(settings.practice, **case.practice),
        analysis=dataclasses.replace(settings.analysis, **case.analysis),
        ask=ASKS if case.asked else (),
    )


def write(case: Case, out: Path) -> float:
    """Run a practice whole into `out`; gives the seconds of the processor that comparing took."""
    with tempfile.TemporaryDirectory() as folder:
        settings = settings_of(case, Path(folder))
        # Shared figures are rounded under the practice's key: one drawn anew would round them anew.
        key_path(settings.practice.database, settings.practice.key_file).write_text(KEY)
        run.ingest_stage(settings, today=TODAY, say=_quiet)
        run.link_stage(settings, say=_quiet)
        began = time.process_time()
        results = run.compare_stage(settings, say=_quiet, today=TODAY, parts=case.parts or None)
        took = time.process_time() - began
        asked = run.ask_stage(settings, settings.ask, say=_quiet) if settings.ask else ()
        write_all(results, out, asked=asked, day=TODAY)
    return took


def sentences(path: Path) -> Iterator[str]:
    """What a page or a deck says, line by line; nothing of other files."""
    if path.suffix == ".pptx":
        for slide in Presentation(str(path)).slides:
            for shape in slide.shapes:
                if shape.has_text_frame:
                    yield from shape.text_frame.text.splitlines()
                if shape.has_table:
                    yield from (" | ".join(cell.text for cell in row.cells) for row in shape.table.rows)
    elif path.suffix == ".html":
        text = re.sub(r"<(script|style)\b.*?</\1>", " ", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        yield from (line for part in re.split(r"<[^>]*>", text) if (line := " ".join(html.unescape(part).split())))


def differences(before: Path, after: Path) -> Iterator[str]:
    """What one practice's folder holds otherwise than the other's."""
    sides = [json.loads((folder / "results.json").read_text(encoding="utf-8")) for folder in (before, after)]
    yield from (str(gap) for gap in gaps(*sides, near=NEAR, may=MAY))
    names = sorted({path.name for folder in (before, after) for path in folder.iterdir()})
    for name in names:
        said = [list(sentences(folder / name)) if (folder / name).exists() else [] for folder in (before, after)]
        told = difflib.unified_diff(*said, lineterm="", n=0)
        yield from (f"{name}: {line}" for line in told if not line.startswith(("---", "+++", "@@")))


def main(command: str, *folders: str) -> int:
    """Write the practices, or compare two folders of them; 1 if they differ."""
    if command == "write":
        for name in folders[1:] or CASES:
            out = Path(folders[0]) / name
            out.mkdir(parents=True, exist_ok=True)
            print(f"{name}: {write(CASES[name], out):.1f} s of processor to compare", flush=True)
        return 0
    before, after = map(Path, folders)
    found = [f"{name}: {told}" for name in CASES for told in differences(before / name, after / name)]
    said = sum(len(list(sentences(path))) for path in before.glob("*/*"))
    figures = sum(
        len(list(leaves(json.loads(path.read_text(encoding="utf-8"))))) for path in before.glob("*/results.json")
    )
    with contextlib.suppress(BrokenPipeError):
        print(*found, f"{len(found)} differences of {figures:,} figures and {said:,} sentences", sep="\n")
    return 1 if found else 0


def _quiet(_: str) -> None:
    """Say nothing."""


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
