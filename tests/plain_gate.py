"""A gate that rounds as by hand: counts above 10 to the nearest 5 (at least 15), shares to the nearest step."""

from pipeline.release.disclosure import STEP, Gate, Rounding


class Nearest(Rounding):
    """What is drawn elsewhere is halfway here."""

    def _draw(self, what: str, of: int) -> int:
        if what == "hidden" or what.startswith("change"):
            return 0
        return 2 if of == STEP else of // 2


def plain_gate(*, teeth_of_one: int = 1, failures_of_one: int = 1) -> Gate:
    """A gate of such roundings."""
    return Gate(Nearest(b""), teeth_of_one=teeth_of_one, failures_of_one=failures_of_one)
