"""A file beside the ledger that no table reads and whose name says that its rows were deleted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pipeline.doubts.doubt import Doubt, accept
from pipeline.doubts.seen import Seen
from pipeline.sources.files_beside import taken_back_beside
from pipeline.suggest.headings import plain_heading

if TYPE_CHECKING:
    from pipeline.config import Settings

_MOST_SHOWN = 5


def file_doubts(seen: Sequence[Seen], settings: Settings) -> list[Doubt]:
    """Such files, of which a heading stands in the ledger too; of a file that is no text the name is enough."""
    from pipeline.config import matching_files  # it knows the words of the doubts itself

    ledgers = [one for one in seen if one.table == "procedures" and not one.is_mended]
    if not ledgers:
        return []
    read = [path for table in settings.tables for path in matching_files(settings, table)]
    ours = {plain_heading(heading) for one in ledgers for heading in one.headings}
    told = []
    for path, headings in taken_back_beside(read):
        both = [heading for heading in headings if plain_heading(heading) in ours]
        if both or not headings:
            told.append(path.name + (f' (it has "{both[0]}" in common with the ledger)' if both else ""))
    if not told:
        return []
    more = f" and {len(told) - _MOST_SHOWN} more" if len(told) > _MOST_SHOWN else ""
    return [
        Doubt(
            "files_not_read",
            "procedures",
            f"beside the ledger lies what no table reads, and its name says that it was taken back: "
            f"{', '.join(told[:_MOST_SHOWN])}{more}.",
            "Do the rows that it is about still stand in the ledger? Then export it again without them, or with "
            "a column that says which they are.",
            (accept("files_not_read", settings.practice.accepted, "no: the ledger does not hold them"),),
        )
    ]
