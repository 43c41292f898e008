"""What is looked at in one opened file, under what PRACTICE.toml tells of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.codes import built_in, normal_code
from pipeline.practice.settings import Settings
from pipeline.reading.doubts.answers import answers_for
from pipeline.reading.doubts.cells import headed
from pipeline.reading.doubts.days import day_of_export
from pipeline.reading.doubts.entries import MOST_HELD
from pipeline.reading.doubts.other_numbers import merged_patients
from pipeline.reading.doubts.row_sums import RowSums
from pipeline.reading.doubts.rows_held import MOST_OF_ALL, OfFiles, RowsHeld
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.doubts.texts_beside import DoubledWork
from pipeline.reading.doubts.tooth_numbers import classes_of
from pipeline.reading.doubts.whole_export import Counted
from pipeline.reading.doubts.work_seen import WorkSeen, kinds_of
from pipeline.reading.set_aside import MendedFile
from pipeline.reading.sources import Source
from pipeline.reading.sources.excel_file import ALREADY_KNOWN
from pipeline.reading.sources.joined import prefix
from pipeline.reading.sources.made_columns import TEXT, WORDS, headings_of
from pipeline.reading.sources.source import SHEET


@dataclass
class OfTable:
    """Rows that are held of all files of a table together."""

    rows: OfFiles = field(default_factory=lambda: OfFiles(MOST_OF_ALL))
    keys: OfFiles = field(default_factory=lambda: OfFiles(MOST_HELD))

    def begin(self, seen: Seen) -> None:
        """Hold rows of one more file."""
        self.keys.begin(seen.file, seen.row_ids)
        if seen.held is not None:
            self.rows.begin(seen.file, seen.held.held)


def seen_of(
    settings: Settings,
    table: str,
    source: Source,
    columns: Mapping[str, str],
    codes: pl.DataFrame,
    *,
    file: str,
) -> Seen:
    """A look that has seen nothing yet. In our own worksheet every cell means one thing."""
    ours = source.spoken.fields or ALREADY_KNOWN in source.headings
    # Mended rows are of the file that they stood in.
    of = source.root_name if isinstance(source, MendedFile) else file
    called: Mapping[str, str] = getattr(source, "called", {})
    merged, told = merged_patients(settings), settings.tables[table]
    answers = answers_for(
        settings, table, columns, source.headings, file=file, of=of, ours=ours, merged=merged, called=called
    )
    known = codes["code"] if table == "procedures" else None
    parts = headings_of([one for one in told.made if one.how not in (TEXT, WORDS)])
    kinds = kinds_of(codes) if table == "procedures" else None
    # What a code of the practice's own stands for is told: a seat stands beside the preparation, and is no second work.
    system = settings.practice.code_system
    own = {normal_code(code, system=system) for code in settings.codes} - set(built_in(system)["code"])
    above = [*source.spoken.above, *(line for lines in getattr(source, "titles", {}).values() for line in lines)]
    of_quadrants = [prefix(join) for join in told.joined if headed([join.on], "quadrant")]
    return Seen(
        table,
        file,
        source.headings,
        answers,
        known,
        classes_of(codes) if table == "procedures" else None,
        is_mended=of != file,
        is_ours=ours,
        made=frozenset(one.field for one in told.made),
        parts=frozenset([*parts, SHEET] if told.sheet_name else parts),
        exported_on=day_of_export(above, of),
        work=None if kinds is None else WorkSeen(kinds),
        doubled=None if kinds is None else DoubledWork(kinds.filter(~pl.col("code").is_in(list(own))), codes["code"]),
        sums=None if kinds is None else RowSums(kinds),
        held=None if kinds is None or ours or of != file else RowsHeld(kinds),
        counted=Counted(above),
        quadrant_lists=[h for start in of_quadrants for h in source.headings if h.startswith(start)],
    )
