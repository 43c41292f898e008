"""What releases of one practice tell together of the few that came or went between them.

They are rounded apart, so that of two a told count that changed need not have; but of what only grows (failures of the
crowns of one year) every told number bounds all that came before and after, and many releases leave little open.
"""

import itertools
from collections.abc import Mapping, Sequence

from pipeline.release.disclosure import SLACK, SMALLEST, fewest_behind

Told = int | None
Part = tuple[Told, Told]
Release = tuple[str, Mapping[str, Part]]
"""By what a release is rounded, and each part that it tells with its whole, by name."""


def few_between(releases: Sequence[Release]) -> list[str]:
    """The parts of which releases, in the order in which they were made, tell that some but fewer than 11 came or went.

    Only what the last of them adds is looked for: between it and any other, or in the whole series.
    """
    *earlier, (by, now) = releases
    two = [few_of_parts(before, now, alike=how == by) for how, before in earlier]
    told = {name: [(how, parts[name][0]) for how, parts in releases if name in parts] for name in now}
    series = [name for name, numbers in told.items() if few_in_series(numbers) and not few_in_series(numbers[:-1])]
    return [name for name in now if name in {*itertools.chain.from_iterable(two), *series}]


def few_of_parts(before: Mapping[str, Part], now: Mapping[str, Part], *, alike: bool = False) -> list[str]:
    """The parts of which two releases tell that some but fewer than 11 came or went between them.

    Told counts that differ by more than `SLACK` twice surely differ, and where both releases are rounded `alike` those
    that differ at all; the whole changed by no more than its told counts and that, and nothing leaves a whole but what
    leaves the records.
    """
    out = []
    for name, (part, whole) in now.items():
        old_part, old_whole = before.get(name, (None, None))
        if part is None or whole is None or old_part is None or old_whole is None:
            continue
        for sign in (1, -1):
            surely = sign * (part - old_part) - (0 if alike else 2 * SLACK)
            at_most = sign * (whole - old_whole) + 2 * SLACK
            if surely > 0 and at_most < SMALLEST:
                out.append(name)
    return out


def few_in_series(told: Sequence[tuple[str, Told]]) -> bool:
    """Whether a count that only grows, or only falls, is told to have changed by some but fewer than 11.

    `told` are its numbers with what each is rounded by. One that goes both ways bounds nothing.
    """
    known = [(by, n) for by, n in told if n is not None]
    growing = [(by, fewest_behind(n), n + SLACK) for by, n in known]
    return _few_grown(growing) or _few_grown([(by, -high, -low) for by, low, high in growing])


def _few_grown(numbers: Sequence[tuple[str, int, int]]) -> bool:
    """The same of one that only grows, by what rounds it and between which limits it is told."""
    least = list(itertools.accumulate((low for _, low, _ in numbers), max))
    most = list(itertools.accumulate((high for _, _, high in reversed(numbers)), min))[::-1]
    if any(low > high for low, high in zip(least, most, strict=True)):
        return False
    for (i, (by, low, _)), (j, (now_by, now_low, _)) in itertools.combinations(enumerate(numbers), 2):
        surely = max(least[j] - most[i], int(by == now_by and now_low > low))
        if surely > 0 and most[j] - least[i] < SMALLEST:
            return True
    return False
