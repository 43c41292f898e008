"""Rows that stand in a section whose name says whether they were done: a sheet, table, file, folder, or a line above.

See `pipeline.sources.sections` for which section a row stands in.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.doubts.doubt import Doubt, accept
from pipeline.sources.sections import SECTION
from pipeline.sources.standing_names import COMPLETED, REVERSAL, VOID, Named, named, titled
from pipeline.suggest.toml_quote import quoted

_MOST_SHOWN = 12


@dataclass
class SectionsSeen:
    """Rows with a procedure code in sections of which PRACTICE.toml says nothing, by the name of the section and
    whether they have a status of their own."""

    untold: Counter[tuple[str, bool]] = field(default_factory=Counter)

    def add(self, section: pl.Series, coded: pl.Series, status: pl.Series, told: pl.Series | None) -> None:
        """Take in a batch: of each row its section, whether it has a code, its status, and whether it is told."""
        frame = pl.DataFrame({"section": section, "has_status": status.is_not_null()})
        is_asked = coded & section.is_not_null() & (~told if told is not None else True)
        # What a row got from the name itself, as by `sheet_name` or `group_lines`, is told too.
        low = pl.DataFrame({"section": section, "status": status}).select(pl.all().str.to_lowercase())
        is_asked &= ~low.select(
            pl.col("section").str.contains(pl.col("status"), literal=True).fill_null(False)
        ).to_series()
        counts = frame.filter(is_asked).group_by("section", "has_status").len()
        self.untold.update({(name, has): n for name, has, n in counts.iter_rows()})


def section_doubts(
    where: str, seen: SectionsSeen, accepted: Sequence[str], *, n_rows: int, has_fee: bool
) -> list[Doubt]:
    """Sections whose names say that what stands in them may be no work done, and that nothing reads."""
    rows: Counter[tuple[str, str, str]] = Counter()
    for (name, has_status), n in seen.untold.items():
        said = _said(name)
        # A row's own status says more than the plan that it stands in; but what was deleted had one before.
        if said.words and said.word != COMPLETED and not (has_status and said.word not in (VOID, REVERSAL)):
            rows[_shown(name, said), said.pattern, said.word] += n
    if not rows:
        return []
    listed = sorted(rows.items(), key=lambda item: (-item[1], item[0]))
    each = ", ".join(f'"{shown}" ({n:,})' for (shown, _, _), n in listed[:_MOST_SHOWN])
    more = f" and {len(listed) - _MOST_SHOWN} more" if len(listed) > _MOST_SHOWN else ""
    made = {pattern: VOID if word == REVERSAL and not has_fee else word for (_, pattern, word), _ in listed}
    line = ", ".join(f'{quoted(pattern)} = "{word}"' for pattern, word in made.items())
    n = sum(rows.values())
    return [
        Doubt(
            "status_in_titles",
            where,
            f"{n:,} of {n_rows:,} rows stand under a name that says whether they were done, and nothing reads it: "
            f"{each}{more}. Such a name is a line above the rows, a sheet or table, a file, or a folder.",
            f"Was this work done here, or is it planned, done elsewhere (existing), or void?{_other(n_rows - n)}",
            (
                (
                    "tables.procedures",
                    f"status_from.{quoted(SECTION)} = {{ {line} }}",
                    "the rows under each of these names, and what they are; correct the words, and add these to such a "
                    "line that is there",
                ),
                accept("status_in_titles", accepted, "no: every row is work done"),
            ),
        )
    ]


def _said(name: str) -> Named:
    found = named(name)
    return found if found.words else titled(name)


def _shown(name: str, said: Named) -> str:
    """The name as it may be shown: what else stands in it may be anyone's."""
    return name if said.pattern == name else said.pattern.replace("*", "…")


def _other(n: int) -> str:
    return f" Of the other {n:,} nothing is asked here." if n > 0 else ""
