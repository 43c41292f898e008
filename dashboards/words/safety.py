"""The fixed sentence on measures of safety, for pages and slides that show several questions together."""

from collections.abc import Iterable

from dashboards.formats import listing, lower_first
from pipeline.results.safety import UNMEASURED


def safety_sentence(titles: Iterable[str]) -> str:
    """What the records do not measure of the questions on measures of safety, by title; empty where there is none."""
    named = sorted({lower_first(title.rpartition(": ")[2]) for title in titles})
    return f"Of {listing(named, 'and')}: {lower_first(UNMEASURED)}" if named else ""
