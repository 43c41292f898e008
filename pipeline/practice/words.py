"""Words by which files know our fields and the words of them: `pipeline/data/words_of_fields.csv`, one row a meaning.

| kind | theirs, between bars |
| --- | --- |
| `heading` | what the column is called; without a field, what columns are called that are none of ours |
| `same` | what is read as `ours` without being asked |
| `word` | what stands for `ours` in a column of the field |
| `short` | the same, where a heading of the field stands above it; elsewhere it may mean another thing |
| `pair` | `h/m`: `h` means `ours` where `m` is the only other word of a column (hombre, mujer) |
| `part` | what a heading calls the year, the month or the day of a date in three columns |
| `yes_no` | what stands for `ours` in a column of flags |

English, German, French, Spanish, Dutch, Portuguese, Italian; headings also in Japanese, Chinese, Korean, Russian,
Polish, Czech, Swedish, Danish, Norwegian, Finnish, Hungarian, Turkish, Greek, Hebrew, Arabic, Romanian and others, and
what countries call the number of a person. From memory: common practice, no
source. A word that may mean two things, such as a single letter, is no `word`.
"""

from collections.abc import Mapping
from functools import cache

from pipeline.machine.data_tables import data_rows


def words_of(kind: str, field: str = "") -> Mapping[str, tuple[str, ...]]:
    """Our words of a field, each with the words of files that mean it; a heading stands for no word of ours ("")."""
    return _all().get((kind, field), {})


@cache
def _all() -> dict[tuple[str, str], dict[str, tuple[str, ...]]]:
    found: dict[tuple[str, str], dict[str, tuple[str, ...]]] = {}
    for row in data_rows("words_of_fields"):
        meant = found.setdefault((row["kind"], row["field"]), {})
        meant[row["ours"]] = (*meant.get(row["ours"], ()), *row["theirs"].split("|"))
    return found
