"""What two practices with no patient in common must say as one.

Counts and times add up, crude rates and shares lie between those of the two, and every failure of a curve is one of the
two curves' failures on that day. Curves themselves need not lie between: where one practice fails early and the other
late, and their patients leave at different times, the curve of both can leave the space between them.
"""

from __future__ import annotations

import fnmatch
import math
from collections.abc import Iterator

from figures import Gap, Json, by_name

# Paths as `by_name` calls them; what only one of the two has counts as 0 in the other.
SUMS = (
    "/counts/*",
    *(f"/comparisons/*/groups/*/{n}" for n in ("crowns", "patients", "failures", "tooth_years")),
    *(f"/comparisons/*/milestones/*/{n}" for n in ("entered", "followed", "failed", "ended")),
    *(f"/comparisons/*/flow/*/{n}" for n in ("left", "removed")),
    *(f"/rates/*/rows/*/{n}" for n in ("teeth", "patients", "failures", "tooth_years", "followed")),
    *(f"/own_cases/*/{n}" for n in ("teeth", "patients", "failures", "followed")),
    "/quality/quarantine/*/rows",
    *(f"/quality/filled_in/*/{n}" for n in ("rows", "filled")),
    "/quality/links/*/count",
    *(f"/quality/unknown_codes/*/{n}" for n in ("rows", "teeth")),
    *(f"/quality/flow/*/{n}" for n in ("left", "removed")),
    "/followup/*/teeth",
    *(f"/recalls/*/{n}" for n in ("completed", "due", "recalled", "patients", "successes", "count", "of")),
    "/trade_checks/*/checked",  # some tell their rows only where more than half are unusual
    *(f"/unseen/*/{n}" for n in ("seen", "seen_elsewhere", "seen_before_seat", "undated", "hinted")),
)
BETWEEN = (
    "/comparisons/*/groups/*/rate_per_100_tooth_years",
    "/recalls/*/success",
    "/recalls/*/share",
    "/followup/*/clark_c",
)
SAME = ("/rules/*", "/analysis/*", "/versions/*", "/cautions/*", "/schema", "/data_cutoff")


def _like(path: str, patterns: tuple[str, ...]) -> bool:
    return any(fnmatch.fnmatchcase(path, pattern) for pattern in patterns)


def unlike_sums(one: Json, other: Json, both: Json) -> tuple[int, list[Gap]]:
    """How many figures were held against those of the two, and which do not follow from them."""
    a, b, m = (dict(by_name(figures)) for figures in (one, other, both))
    held, out = 0, []
    for path in dict.fromkeys([*a, *b, *m]):
        x, y, z = (side.get(path) for side in (a, b, m))
        if not all(v is None or (isinstance(v, (int, float)) and not isinstance(v, bool)) for v in (x, y, z)):
            if _like(path, SAME):
                held += 1
                out += [Gap(path, x, z)] if not x == y == z else []
            continue
        if _like(path, SUMS) and (x, y, z) != (None, None, None):
            expected = (x or 0) + (y or 0)
            held += 1
            out += [] if math.isclose(expected, z or 0, rel_tol=1e-9) else [Gap(path, expected, z)]
        elif _like(path, BETWEEN) and None not in (x, y, z):
            held += 1
            near = 1e-9 * max(abs(x), abs(y))
            out += [] if min(x, y) - near <= z <= max(x, y) + near else [Gap(path, (x, y), z)]
    for more, gap in _unlike_curves(one, other, both):
        held += more
        out += gap
    return held, out


def _unlike_curves(one: Json, other: Json, both: Json) -> Iterator[tuple[int, list[Gap]]]:
    """Failures of the main curves by day: those of both practices together, as long as each of the three is drawn."""
    for id, groups in both["curves"].items():
        for name, curve in groups.items():
            sides = [figures["curves"].get(id, {}).get(name, []) for figures in (one, other)]
            if not all(sides) or any(points[0]["survival"] != 1 for points in (*sides, curve)):
                continue
            last = min(points[-1]["days"] for points in (*sides, curve))
            first = max(points[0]["days"] for points in (*sides, curve))
            failed, at_risk = _failures(curve)
            parts = [_failures(points) for points in sides]
            for day in sorted({*failed, *parts[0][0], *parts[1][0]}):
                if not first < day <= last:
                    continue
                expected = sum(part[0].get(day, 0.0) for part in parts)
                path = f"/curves/{id}/{name}/{day}"
                found = failed.get(day, 0.0)
                yield 1, [] if math.isclose(expected, found, abs_tol=1e-6) else [Gap(path, expected, found)]
                if all(day in part[1] for part in parts) and day in at_risk:
                    expected = sum(part[1][day] for part in parts)
                    yield 1, [] if expected == at_risk[day] else [Gap(f"{path}/at_risk", expected, at_risk[day])]


def _failures(points: list[Json]) -> tuple[dict[int, float], dict[int, int]]:
    """Failures and numbers at risk by day, from a curve's points."""
    failed, before = {}, 1.0
    for point in points:
        if point["survival"] < before:
            failed[point["days"]] = point["at_risk"] * (1 - point["survival"] / before)
        before = point["survival"]
    return failed, {point["days"]: point["at_risk"] for point in points}
