"""The floor of any such work: DuckDB reads the ledger's CSV files into typed columns of a database file, and no more.

Dates are parsed, teeth are numbers of their own type and fees are decimals; nothing is checked, linked or compared.

`python floor.py PRACTICE_FOLDER --scratch FOLDER`
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import duckdb

TYPED = """
CREATE OR REPLACE TABLE procedures AS
SELECT
    "Entry No"::INTEGER AS procedure_id,
    "Chart No" AS patient_id,
    TRY_STRPTIME("Date", '%m/%d/%Y')::DATE AS service_date,
    "Code" AS code,
    CASE WHEN regexp_full_match("Th", '[0-9]{1,2}') THEN "Th"::UTINYINT END AS tooth,
    "Surf" AS surface,
    "Prov" AS provider_id,
    "Status" AS status,
    "Clinic" AS site_id,
    "Amount"::DECIMAL(9, 2) AS fee,
    "Why" AS reason
FROM read_csv(?, header = true, all_varchar = true)
"""


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("folder", type=Path)
    options.add_argument("--scratch", type=Path, required=True)
    asked = options.parse_args()
    wall, cpu = time.perf_counter(), time.process_time()
    path = asked.scratch / "floor.duckdb"
    path.unlink(missing_ok=True)
    with duckdb.connect(str(path)) as database:
        database.execute("SET preserve_insertion_order = false")
        database.execute(TYPED, [str(asked.folder / "exports" / "ledger-*.csv")])
        found = database.execute("SELECT count(*) FROM procedures").fetchone()
        rows = found[0] if found else 0
    step = {"step": "read", "wall_s": time.perf_counter() - wall, "cpu_s": time.process_time() - cpu, "rows": rows}
    print(json.dumps(step), flush=True)
    path.unlink()


if __name__ == "__main__":
    main()
