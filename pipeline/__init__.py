"""From a practice's procedure records to linked teeth and compared survival."""

import gc
import os

# Sums here are too short for a second thread inside each to gain anything: waiting for one another costs more than the
# work. It must be said before numpy is loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Stages are done on threads of Polars (`machine/query_thread.py`), which need as much stack as those of Python have.
os.environ.setdefault("RUST_MIN_STACK", str(8 << 20))

# What loading makes stays to the end: to look for rubbish in it after every 700 objects took a tenth of each start.
gc.set_threshold(50_000, 20, 50)
