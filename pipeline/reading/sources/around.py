"""A source around a source: what it does not change is as the one within says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pipeline.reading.sources.source import Source, Spoken


@dataclass
class Around:
    """What sources around a source have in common; see `pipeline.reading.sources.source.Source`."""

    source: Source

    @property
    def headings(self) -> Sequence[str]:
        """See `Source.headings`."""
        return self.source.headings

    @property
    def spoken(self) -> Spoken:
        """See `Source.spoken`."""
        return self.source.spoken

    @property
    def remark(self) -> str | None:
        """What the source within remarks and what was done to it, once all batches have been taken."""
        return "; ".join(t for t in (getattr(self.source, "remark", None), *self.done()) if t) or None

    def done(self) -> Sequence[str | None]:
        """What this one did, in words; None for what it did nowhere."""
        return ()

    @property
    def delimiter(self) -> str:
        """What stands between the fields of a line that is no row."""
        return getattr(self.source, "delimiter", "\t")

    @property
    def sheets(self) -> Sequence[str]:
        """Of a workbook, the sheets that are read."""
        return getattr(self.source, "sheets", ())

    @property
    def dittos(self) -> Mapping[str, int]:
        """Cells of each column, in the last reading of it, that hold a mark for the same again and were not filled."""
        return getattr(self.source, "dittos", {})

    @property
    def called(self) -> Mapping[str, str]:
        """What the file itself calls a column that PRACTICE.toml says is renamed."""
        return getattr(self.source, "called", {})

    @property
    def titles(self) -> Mapping[str, tuple[str, ...]]:
        """Of a workbook, the lines above the headings of each sheet."""
        return getattr(self.source, "titles", {})
