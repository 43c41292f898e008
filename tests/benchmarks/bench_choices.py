"""Times the main comparison in every way of counting: `python tests/benchmarks/bench_choices.py [crowns]` (a minute).

A simulated practice of 10,000 first crowns (some 500,000 ledger rows) is read and stored first; timed is what
`explore_choices` does: read the ledger once, link it under 32 sets of rules, fit every different set of crowns twice.
Prints one table; nothing is asserted. The matrices are small: with OPENBLAS_NUM_THREADS=1 it takes half the processor
time, as threads of the linear algebra wait for each other.
"""

import datetime as dt
import os
import sys
import tempfile
import time
from pathlib import Path

from pipeline.machine.query_thread import on_query_thread
from pipeline.practice.tables import CROWN_DETAILS, ELSEWHERE, FINDINGS, PATIENTS, PROCEDURES
from pipeline.questions.analysis import Analysis
from pipeline.questions.choices import explore_choices
from pipeline.reading.config import code_table, load_settings
from pipeline.stages.run import ingest_stage, link_rules
from pipeline.storing.store import open_store
from pipeline.transforms.link import LinkInput, link_ledger, read_ledger
from synthetic_data.generate import simulate


def main(crowns: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        settings = load_settings(simulate(Path(folder), crowns=crowns, seed=3))
        ingest_stage(settings, today=dt.date(2025, 1, 1), say=lambda _: None)
        with open_store(settings.practice.database, must_exist=True) as store:
            patients = store.read(PATIENTS)
            tables = LinkInput(
                procedures=store._frame(f"SELECT {', '.join(PROCEDURES.columns)} FROM _procedures").lazy(),
                patients=patients.lazy(),
                crown_details=store.read(CROWN_DETAILS).lazy(),
                findings=store.read(FINDINGS).lazy(),
                elsewhere=store.read(ELSEWHERE).lazy(),
            )
    codes, rules = code_table(settings), link_rules(settings)
    began = time.perf_counter()
    ledger = read_ledger(tables, codes, rules)
    read = time.perf_counter()
    linked = link_ledger(ledger, rules)
    done = time.perf_counter()
    rows = tables.procedures.collect().height
    print(f"{rows:,} ledger rows, {ledger.events.height:,} rows of teeth linked, {linked.counts['crowns']:,} crowns")
    print(f"{'reading the ledger once':<44}{read - began:>8.2f} s")
    print(f"{'linking it under one set of rules':<44}{done - read:>8.2f} s")
    clock, processor = time.perf_counter(), time.process_time()
    found = on_query_thread(lambda: explore_choices(tables, codes, rules, patients, Analysis(), say=lambda _: None))
    spent = time.perf_counter() - clock, time.process_time() - processor
    print(f"{f'{len(found.rows)} ways of counting':<44}{spent[0]:>8.2f} s   {spent[1]:.2f} s of processor time")
    print(f"load of the machine over the last minute: {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
