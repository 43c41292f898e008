"""What pooling writes: `pooled.html` to read, `pooled.pptx` to show, `pooled.json` for machines, of one object."""

import json
from pathlib import Path

from dashboards import pooled_deck
from dashboards.pages import pooled as page
from pipeline.machine.private_files import private_folder, write_private_files
from pipeline.results import to_plain
from pipeline.results.pooled import PooledResults


def write_pooled(pooled: PooledResults, out: Path) -> Path:
    """Write the files into `out`, none before all are complete; return the page's path."""
    target = private_folder(out) / "pooled.html"
    write_private_files(
        {
            out / "pooled.json": as_bytes(pooled),
            out / "pooled.pptx": pooled_deck.render(pooled),
            target: page.render(pooled).encode(),
        }
    )
    return target


def as_bytes(pooled: PooledResults) -> bytes:
    """The machine's file: UTF-8, one key a line, every field of the object."""
    return (json.dumps(to_plain(pooled), ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()
