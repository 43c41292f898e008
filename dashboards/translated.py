"""Templates as Python compiled them, kept beside the compiled modules: to translate them anew takes a sixth of the time
in which all pages and slides are drawn.

Like those of Python they are taken only where nothing has changed: the template, the program that draws, Jinja's and
Python's version. Where no compiled module is written, none of them is.
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

import jinja2
from jinja2.bccache import Bucket

HERE = Path(__file__).parent


class Translated(jinja2.BytecodeCache):
    """Keeps the templates of `folder` in its `__pycache__`; one that cannot be read or written is no error."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        # Filters are applied to what stands in a template while it is translated.
        program = b"".join(path.read_bytes() for path in sorted(HERE.glob("*.py")))
        self._by = hashlib.sha256(jinja2.__version__.encode() + program).hexdigest()[:16]

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take what was kept, if it is of this very template."""
        with suppress(OSError), self._path(bucket).open("rb") as kept:
            bucket.load_bytecode(kept)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template, whole or not at all."""
        if sys.dont_write_bytecode:
            return
        path = self._path(bucket)
        with suppress(OSError):
            path.parent.mkdir(exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as made:
                bucket.write_bytecode(made)
            os.replace(made.name, path)
            for former in path.parent.glob(f"{bucket.key}-*"):
                if former != path:
                    former.unlink()

    def _path(self, bucket: Bucket) -> Path:
        return Path(importlib.util.cache_from_source(str(self._folder / f"{bucket.key}-{self._by}.py")))
