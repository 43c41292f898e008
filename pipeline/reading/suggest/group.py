"""Files or sheets of one shape, as `suggest` takes them together."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from pipeline.reading.suggest.match import TableMatch
from pipeline.reading.suggest.pieces import Piece
from pipeline.reading.suggest.profile import Column, FileProfile


@dataclass(frozen=True, eq=False)
class Group:
    """Files or sheets of one shape, their common profile and what they were found to be."""

    pieces: list[Piece]
    file: FileProfile
    match: TableMatch
    encoding: str | None = None
    renamed: Mapping[str, str] = field(default_factory=dict)  # what some files call a column otherwise

    @property
    def rows_seen(self) -> int:
        """Rows of all of them."""
        return sum(p.rows_seen for p in self.pieces)

    @property
    def names(self) -> list[str]:
        """Name of each file, with the sheets where there are several."""
        return [p.path.name + (f" ({', '.join(p.sheets)})" if p.sheets else "") for p in self.pieces]

    def column(self, field: str) -> Column | None:
        """The column of a field; of one that is asked for, the first candidate."""
        for found in self.match.fields:
            if found.field == field:
                return found.column or (found.rivals[0] if found.rivals else None)
        return None
