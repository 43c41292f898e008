"""A first reading of an old or rare kind of workbook in a process of its own, which may die of it.

Such files state the sizes and places of their parts, and the reader believes them: a few wrong bytes make it ask for
more memory than there is, which no error of ours can catch.
"""

import subprocess
import sys
from pathlib import Path

MAX_BYTES = 3_000_000_000
MAX_SECONDS = 120
_READ_ALL = """
import sys
try:
    import resource
    resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[2]), int(sys.argv[2])))
except (ImportError, ValueError, OSError):
    pass  # no such limits on this system
import fastexcel
reader = fastexcel.read_excel(sys.argv[1])
for name in reader.sheet_names:
    reader.load_sheet(name, header_row=None, skip_rows=0, dtypes="string")
"""


def can_be_read(path: Path) -> tuple[bool, str]:
    """Whether every sheet can be read within bounds of memory and time; and what the reader said if not."""
    command = [sys.executable, "-I", "-c", _READ_ALL, str(path.resolve()), str(MAX_BYTES)]
    try:
        done = subprocess.run(command, capture_output=True, timeout=MAX_SECONDS, check=False)
    except subprocess.TimeoutExpired:
        return False, "timeout"
    return done.returncode == 0, done.stderr.decode(errors="replace")
