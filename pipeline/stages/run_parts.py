"""The main comparison made part by part from what is stored, for rows too many for the memory, or on a cluster."""

import math
import shutil
from collections.abc import Callable, Sequence

from pipeline.machine.errors import DataError
from pipeline.practice.counts import count
from pipeline.practice.tables import CROWNS
from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_rows import OWN_CROWNS
from pipeline.questions.longevity_passes import COLUMNS
from pipeline.results import Comparison
from pipeline.stages.compare import StoreSummary
from pipeline.stages.run_link import PARTS_ON_A_CLUSTER
from pipeline.stages.scale.compare_partitions import compare_in_parts
from pipeline.stages.scale.run_partitions import workers_for
from pipeline.storing.patients import BESIDE, patient_in_order
from pipeline.storing.store import Store

CROWNS_AT_ONCE = 100_000  # some 400 MB; the sums of much smaller parts cost more than they save


def compare_main_in_parts(
    store: Store,
    told: StoreSummary,
    analysis: Analysis,
    *,
    parts: int | None,
    workers: int,
    cluster: str | None,
    say: Callable[[str], None],
) -> Comparison:
    """The main comparison over parts of whole patients; see `compare_in_parts`.

    Raises DataError where no crown has a known seat; and as `compare_in_parts` does.
    """
    crowns = told.link_counts.get("crowns", 0)
    if not crowns:
        raise DataError("No crown has a known seat, so there is nothing to compare in parts. Leave --parts out.")
    wanted = parts or max(math.ceil(crowns / CROWNS_AT_ONCE), PARTS_ON_A_CLUSTER if cluster else workers)
    folder = store.parts_folder
    written = folder / f"crowns-{wanted}"
    shutil.rmtree(written, ignore_errors=True)
    say(f"parting {count(crowns, 'crown')} into {count(wanted, 'group')} of patients")
    sources = {name: _under_stand_ins(name, columns) for name, columns in COLUMNS.items()}
    sources[CROWNS.name] += f" WHERE {OWN_CROWNS}"
    places = store.linking.write_parts(sources, written, parts=wanted)
    with workers_for(workers, cluster) as executor:
        tasks = workers if cluster is None else None
        found = compare_in_parts(places, analysis, folder=folder, executor=executor, say=say, tasks=tasks)
    shutil.rmtree(folder, ignore_errors=True)
    return found


def _under_stand_ins(table: str, columns: Sequence[str]) -> str:
    wanted = (f"{patient_in_order(table)} AS {c}" if c == "patient_id" else c for c in columns)
    return f"SELECT {', '.join(wanted)} FROM {table} {BESIDE}"  # noqa: S608
