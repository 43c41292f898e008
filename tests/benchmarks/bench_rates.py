"""How fast the parts are that someone waits for: `python tests/benchmarks/bench_rates.py` (2 minutes, a quiet machine).

Each line: what was done, how long it took, and the bar that it is held to. Nothing here fails: a clock says as much
about the machine as about the program, so that no test looks at one.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "suggest"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "recovery"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "dashboards"))

import headless
import invented_ledgers
import sample_results
import technique_null

from dashboards.write import write_all
from pipeline.questions.crown_longevity import Analysis
from pipeline.reading.suggest.propose import suggest
from synthetic_data.followup import simulate_followup
from synthetic_data.generate import simulate


def timed(what: str, bar: str, work: Callable[[], object]) -> None:
    start, cpu = time.perf_counter(), time.process_time()
    work()
    spent, cpu = time.perf_counter() - start, time.process_time() - cpu
    print(f"{spent:8.2f} s {cpu:8.2f} s of processor   {what} (bar: {bar})", flush=True)


def million_rows(folder: Path) -> Path:
    part = invented_ledgers.write(invented_ledgers.LEDGERS[1], folder / "part.csv", rows=20_000)
    top, _, body = part.read_text(encoding="utf-8").partition("\n")
    with (folder / "ledger.csv").open("w", encoding="utf-8") as stream:
        stream.write(top + "\n")
        for _ in range(50):
            stream.write(body)
    return folder / "ledger.csv"


def draw(pages: list[Path]) -> None:
    with headless.Browser() as browser:
        for page in pages:
            timed(f"{page.name} drawn in a browser", "1.5 s", lambda page=page: browser.open(page))


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        timed("20,000 crowns simulated", "200,000 rows a second", lambda: simulate(folder / "p", crowns=20_000, seed=1))
        timed("follow-up of 40,000 crowns drawn", "2 s", lambda: simulate_followup(crowns=40_000, seed=1))
        ledger = million_rows(folder)
        timed("a million rows looked at by suggest", "3 s", lambda: suggest([ledger], folder=folder))
        tables = technique_null.null_practice(3, teeth=10_000)
        timed("all technique questions on 10,000 teeth", "60 s", lambda: technique_null.claims(tables, Analysis()))
        timed("pages and slides of the sample", "5 s", lambda: write_all(sample_results.differs(), folder / "out"))
        draw(sorted((folder / "out").glob("*.html")))


if __name__ == "__main__":
    main()
