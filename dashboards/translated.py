"""Templates as Python compiled them, kept beside the compiled modules: to translate them anew takes a sixth of drawing.

They are taken where neither the template nor the program that draws has changed, and written where modules are.
"""

import hashlib
import sys
from contextlib import suppress
from pathlib import Path

import jinja2
from jinja2.bccache import Bucket

HERE = Path(__file__).parent


class Translated(jinja2.FileSystemBytecodeCache):
    """Keeps the templates of `folder` in its `__pycache__`; one that cannot be read or written is no error."""

    def __init__(self, folder: Path) -> None:
        super().__init__(str(folder / "__pycache__"), "%s.cache")
        # Filters are applied to what stands in a template while it is translated.
        self._program = jinja2.__version__.encode() + b"".join(p.read_bytes() for p in sorted(HERE.glob("*.py")))

    def get_source_checksum(self, source: str) -> str:
        """A digest of the template and of the program that translates it."""
        return hashlib.sha256(self._program + source.encode()).hexdigest()

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take what was kept, if it is of this very template."""
        with suppress(OSError):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep a template, whole or not at all."""
        if not sys.dont_write_bytecode:
            with suppress(OSError):
                Path(self.directory).mkdir(exist_ok=True)
                super().dump_bytecode(bucket)
