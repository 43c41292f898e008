"""Headings of columns that no field takes and that yet tell what a row means.

English, German, French, Spanish, Dutch, Portuguese, Italian; from memory: common practice, no source.
"""

from collections.abc import Sequence

from pipeline.reading.headings import plain_heading, word_list


def headed(headings: Sequence[str], what: str) -> list[str]:
    """The headings of a kind: first_name, name, account, born, age, dependant, merged, quadrant, jaw, side, estimate or
    credit."""
    words = word_list(what.replace("_", " "))
    return [h for h in headings if plain_heading(h) in words]


_OTHERS = word_list("headings of other people")


def is_of_others(heading: str) -> bool:
    """Whether a column with the number of another patient names a relative, an account or who referred them."""
    return bool(_OTHERS & set(plain_heading(heading).split()))
