"""What importing the program must not do."""

import subprocess
import sys
from pathlib import Path

import pytest

IMPORT = """
import pathlib, sys, importlib, polars
for name in sys.argv[1:]:
    importlib.import_module(name)
    print(*(task.joinpath("comm").read_text().strip() for task in pathlib.Path("/proc/self/task").iterdir()), sep="\\n")
"""


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="this system does not tell threads there")
def test_importing_computes_nothing():
    """Threads of Polars begun at import are dead in every process forked afterwards, which then waits for ever."""
    modules = ["pipeline.stages.run", "pipeline.stages.cli", "dashboards.write", "synthetic_data.generate"]
    made = subprocess.run([sys.executable, "-c", IMPORT, *modules], capture_output=True, text=True, check=True)
    threads = made.stdout.split("\n")
    assert threads
    assert not [name for name in threads if name.startswith("polars-") and name[7:].isdigit()]
