"""A curve as it may leave the practice: on a monthly grid, with no step that rests on a few failures."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards.release_count import SMALLEST, ReleasedCount, release_count
from dashboards.release_percent import percent_step, share_range
from pipeline.disclosure import EVENTS_PER_CHANGE
from pipeline.results import DAYS_PER_YEAR, Group

GRID_MONTHS = 1


@dataclass(frozen=True)
class ReleasedPoint:
    """Failed of 100 at a month, with the range, in percent on the group's step; the same value until it changes.

    The range is None as long as too few failures have happened for a first change.
    """

    months: int
    failed: int
    low: int | None
    high: int | None
    followed: ReleasedCount

    def __post_init__(self) -> None:
        if not isinstance(self.months, int) or self.months < 0:
            raise ValueError("released curves have points at whole months")
        if any(v is not None and v not in range(101) for v in (self.failed, self.low, self.high)):
            raise ValueError("released curves are in whole percent")
        if self.followed.value is None:
            raise ValueError("released curves stop where too few are followed")


def release_curve(group: Group) -> tuple[ReleasedPoint, ...]:
    """The curve of a group on the grid.

    A point is released only while at least 11 are followed there. The value changes only when at least 5 failures have
    happened since it last changed; else the former value stands. Failures between two points of the exact curve follow
    from the curve itself: at risk times the relative drop. Values stand on `percent_step` of the group's teeth; a group
    too small for any step has no curve.
    """
    step = percent_step(group.crowns)
    if step is None:
        return ()
    failures, before, total = [], 1.0, 0
    for point in group.curve:
        drop = 1 - point.survival / before if before > 0 else 0.0
        total += round(point.at_risk * drop)
        failures.append(total)
        before = point.survival
    released: list[ReleasedPoint] = []
    held: tuple[int, int | None, int | None] = (0, None, None)
    behind = 0
    for months in range(0, _last_month(group) + 1, GRID_MONTHS):
        days = months * DAYS_PER_YEAR / 12
        if days < group.starts_at_days:
            continue
        followed = _followed(group, days)
        if followed < SMALLEST:
            if released:
                break
            continue
        passed = sum(p.days <= days for p in group.curve)
        if passed and failures[passed - 1] - behind >= EVENTS_PER_CHANGE:
            point, behind = group.curve[passed - 1], failures[passed - 1]
            kept = share_range(point.survival, point.ci_low, point.ci_high, step)
            held = (100 - kept[0], 100 - kept[2], 100 - kept[1])
        released.append(ReleasedPoint(months, *held, release_count(followed)))
    return tuple(released)


def _last_month(group: Group) -> int:
    """The last month that could be drawn: where the curve stops, or the last milestone it reaches."""
    if group.stops_at_days is not None:
        return int(12 * group.stops_at_days / DAYS_PER_YEAR)
    reached = [m.years for m in group.milestones if m.survival is not None]
    days = max([p.days for p in group.curve], default=0)
    return int(max(12 * max(reached, default=0.0), 12 * days / DAYS_PER_YEAR))


def _followed(group: Group, days: float) -> int:
    """The least that the results allow for the number followed at `days`: from the last figure before and the next."""
    known = [(p.days, p.at_risk) for p in group.curve]
    known += [(round(m.years * DAYS_PER_YEAR), m.followed) for m in group.milestones]
    before = [n for d, n in sorted(known) if d <= days]
    after = [n for d, n in sorted(known) if d >= days]
    return min(before[-1], after[0]) if before and after else 0
