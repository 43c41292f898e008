"""The first rows of a source, made once for all who look for a layout, and the line of the proposal that says it."""

from dataclasses import dataclass
from functools import cached_property

import polars as pl

from pipeline.reading.sources import Batch, ReadOptions, Source
from pipeline.reading.suggest.profile import Column


@dataclass(frozen=True)
class LayoutLine:
    """One line of the proposal: its key, TOML and reason; the field that it makes, and the columns it uses up."""

    key: str
    value: str
    why: str
    makes: str = ""
    uses: tuple[str, ...] = ()


# The options with what a finder found added, and the line that says so; as they were, and None, where it found nothing.
Found = tuple[ReadOptions, LayoutLine | None]


_BATCHES = 2
_LOOK_AT = 20_000


class Looked(list[Batch]):
    """The first batches of a source."""

    def __init__(self, source: Source) -> None:
        super().__init__(batch for batch, _ in zip(source.batches(), range(_BATCHES), strict=False))
        self._names = [h for h in source.headings if not h.startswith("(")]

    @cached_property
    def columns(self) -> list[Column]:
        """The columns that the file itself has, of the first rows of each batch; none where there is no row."""
        frames = [b.rows.head(_LOOK_AT) for b in self if b.rows.height]
        if not frames:
            return []
        cells = [
            pl.concat([f.get_column(n).cast(pl.String).str.strip_chars().replace("", None) for f in frames])
            for n in self._names
        ]
        both = zip(self._names, cells, strict=True)
        return [Column(place, name, name, texts) for place, (name, texts) in enumerate(both, 1)]
