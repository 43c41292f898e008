"""What the name of a sheet or of the file says of all its rows: whose they are, most often.

The name is read by a template, as lines above rows are: `sheet_name = "{patient_id}"`,
`file_name = "chart-{patient_id}"`. A row of a sheet or file whose name has another form lacks the field, and is set
aside for that.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.machine.errors import DataError
from pipeline.reading.sources.group_lines import Template
from pipeline.reading.sources.source import SHEET, Around, Batch


@dataclass
class NamedParts(Around):
    """A source with the fields that names say as columns; see `pipeline.reading.sources.source.Source`."""

    sheet_name: Template | None
    file_name: Template | None
    file: str

    def __post_init__(self) -> None:
        there = self.source.headings
        if self.sheet_name and SHEET not in there:
            raise DataError(f"{self.file}: sheet_name is told, and this file has no sheets. Take it out of the TOML.")
        if twice := [name for name in self.added if name in there]:
            raise DataError(
                f'{self.file}: has a column "{twice[0]}", and a name is said to hold it. Keep one of the two in '
                "the TOML."
            )

    @property
    def added(self) -> Sequence[str]:
        """The fields that names say."""
        told = [name for template in (self.sheet_name, self.file_name) if template for name in template.fields]
        return list(dict.fromkeys(told))

    def batches(self, headings: Sequence[str] | None = None) -> Iterator[Batch]:
        """See `Source.batches`."""
        named = ((self.sheet_name, pl.col(SHEET)), (self.file_name, pl.lit(stem(self.file))))
        told = [template.value(text, f).alias(f) for template, text in named if template for f in template.fields]
        for batch in self.source.batches():
            yield replace(batch, rows=batch.rows.with_columns(told)).only(headings)


def stem(file: str) -> str:
    """The name of a file without its ending."""
    name = file.removesuffix(".gz")
    return name.rpartition(".")[0] or name
