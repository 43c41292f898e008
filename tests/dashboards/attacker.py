"""A patient attacker: all that is told of one release as linear relations, and what whole numbers fit them.

He knows every rule of the gate but not what was drawn for these records: in steps of 5, up or down, the same number
always alike and a larger one never as less. A group is pinned down if he is sure that it holds somebody, and of how
many at most; `Attacker.smallest` is the smallest such upper limit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_matrix

from dashboards.release.released import Released
from pipeline.release.disclosure import SLACK, SMALLEST, STEP, VERY_MANY

MOST = 100_000
# States that teeth leave for another: more may be followed in one than carry its label in the end.
LEFT = ("vital", "not_crowned")
Sum = Mapping[str, float]


@dataclass
class Attacker:
    """Unknown whole numbers by name, and what is known of them."""

    low: dict[str, float] = field(default_factory=dict)
    high: dict[str, float] = field(default_factory=dict)
    rows: list[tuple[dict[str, float], float, float]] = field(default_factory=list)
    groups: dict[str, Sum] = field(default_factory=dict)
    under: str = ""  # which of several roundings is read
    _fits: list[dict[str, int]] = field(default_factory=list)
    _made: tuple[tuple[int, int], dict[str, int], LinearConstraint] | None = None

    def cell(self, name: str, told: int | None, *, step: int = STEP) -> str:
        """A count: told within `SLACK`, and between the two places where told counts pass into one another.

        Of one that is told on a wider `step` no more is known than that it is less than a step away.
        """
        self._number(name, 0, MOST)
        if told is not None and step != STEP:
            self.low[name] = max(self.low[name], SMALLEST, told - step + 1)
            self.high[name] = min(self.high[name], told + step - 1)
        elif told is not None:
            self.low[name] = max(self.low[name], SMALLEST, told - SLACK)
            self.high[name] = min(self.high[name], told + SLACK)
            self.know({name: 1, self._edge(told): -1}, -math.inf, 0)
            if told > 15:
                self.know({name: 1, self._edge(told - STEP): -1}, 1, math.inf)
        self.groups[name] = {name: 1}
        return name

    def _edge(self, told: int) -> str:
        """The largest number that is told as `told`."""
        return self._number(f"edge {told} {self.under}", told, told + SLACK)

    def _number(self, name: str, low: float, high: float) -> str:
        self.low.setdefault(name, low)
        self.high.setdefault(name, high)
        return name

    def know(self, sums: Sum, low: float, high: float) -> None:
        """A relation: a weighted sum between two values."""
        self.rows.append((dict(sums), low, high))

    def parts(self, whole: str, parts: Sequence[str], *, all_: bool = True) -> None:
        """Parts of a whole, all of them or some; what is left of it is a group too."""
        rest = {whole: 1.0} | dict.fromkeys(parts, -1.0)
        self.know(rest, 0, 0 if all_ else math.inf)
        if not all_:
            self.groups[f"{whole} less {len(parts)} parts"] = rest

    def within(self, part: str, whole: str) -> None:
        """A part of a whole; the others are a group too."""
        self.know({whole: 1, part: -1}, 0, math.inf)
        self.groups[f"{whole} without {part}"] = {whole: 1.0, part: -1.0}

    def limits(self, sums: Sum) -> tuple[float, float]:
        """The least and the most that a weighted sum can be."""
        return self._end(sums, 1), self._end(sums, -1)

    def pinned(self) -> dict[str, tuple[int, int]]:
        """The groups of 10 or fewer of which he is sure that somebody is in them, with their limits."""
        return self._sure(SMALLEST)

    def smallest(self) -> int:
        """The smallest group that can be pinned down: the least upper limit of one that surely holds somebody."""
        return min((high for _, high in self._sure(MOST).values()), default=MOST)

    def _sure(self, below: float) -> dict[str, tuple[int, int]]:
        """Groups that surely hold somebody and fewer than `below`; the smallest ones, where `below` is no bound.

        Whole numbers that fit were found before for other groups: where they leave this one empty, or hold more in it
        than is sought, nothing need be solved.
        """
        out: dict[str, tuple[int, int]] = {}
        self._known()
        for name, sums in self.groups.items():
            seen = [sum(w * x[n] for n, w in sums.items()) for x in self._fits]
            if seen and (min(seen) < 1 or max(seen) >= below):
                continue
            low = self._end(sums, 1)
            if low >= 1 and (high := self._end(sums, -1)) < below:
                out[name] = (round(low), round(high))
                below = below if below == SMALLEST else high
        return out

    def _end(self, sums: Sum, sign: int) -> float:
        names, known = self._known()
        aim = np.zeros(len(names))
        for n, weight in sums.items():
            aim[names[n]] += sign * weight
        bounds = Bounds(list(self.low.values()), list(self.high.values()))
        found = milp(aim, constraints=[known], bounds=bounds, integrality=np.ones(len(names)))
        assert found.success, found.message
        self._fits.append({n: round(found.x[i]) for n, i in names.items()})
        return float(sign * found.fun)

    def _known(self) -> tuple[dict[str, int], LinearConstraint]:
        """The place of each number, and all relations as one; made anew when more is known."""
        if self._made is None or self._made[0] != (len(self.low), len(self.rows)):
            place = {n: i for i, n in enumerate(self.low)}
            where = [(r, place[n], w) for r, (row, _, _) in enumerate(self.rows) for n, w in row.items()]
            rows, columns, weights = zip(*where, strict=True) if where else ((), (), ())
            table = csr_matrix((weights, (rows, columns)), shape=(len(self.rows), len(place)))
            known = LinearConstraint(table, [low for _, low, _ in self.rows], [high for _, _, high in self.rows])
            self._made, self._fits = ((len(self.low), len(self.rows)), place, known), []
        return self._made[1], self._made[2]


def attack(released: Released, *others: Released, sums: bool = True, teeth_of_one: int = 1) -> Attacker:
    """All that the counts of one release say of one another, with those of others of the same records rounded apart.

    Without `sums`, for results made up table by table, nothing is known of what tables sum to. He knows how many teeth
    one patient has at most, and so on which step numbers followed are told.
    """
    step = STEP * math.ceil(2 * teeth_of_one / STEP) if teeth_of_one >= VERY_MANY else STEP
    a = Attacker()
    for i, told in enumerate((released, *others)):
        a.under = str(i)
        _read(a, told, sums=sums, followed_step=step)
    return a


def _read(a: Attacker, released: Released, *, sums: bool, followed_step: int) -> None:
    parts = a.parts if sums else lambda *_, **__: None
    crowns = a.cell("crowns", released.crowns.value)
    courses = a.cell("courses", released.endo_courses.value)
    for c in released.comparisons:
        for g in c.groups:
            teeth, failed = f"{c.id} {g.name}", f"{c.id} {g.name} failed"
            a.cell(teeth, g.crowns.value)
            a.cell(failed, g.failures.value)
            a.within(failed, teeth)
            for p in g.points:
                followed = a.cell(f"{teeth} followed {p.months}", p.followed.value, step=followed_step)
                if g.name not in LEFT:
                    a.within(followed, teeth)
        if c.clock == "since_seat" and c.outcome == "crown_failure":
            parts(crowns, [f"{c.id} {g.name}" for g in c.groups], all_=False)
    for t in released.rates:
        whole = crowns if t.outcome == "crown_survival" else courses
        rows = []
        for r in t.rows:
            # Root canals are counted under two outcomes: the same teeth in the same rows.
            row = a.cell(f"{whole} {t.by} {r.name}" + ("" if sums else t.outcome), r.teeth.value)
            failed = a.cell(f"{row} {t.outcome}", r.failures.value)
            a.within(failed, row)
            rows.append(row)
        # Rows of few are left out, and nothing says whether there are any.
        parts(whole, rows, all_=t.by == "overall")
        if sums and t.outcome == "endo_free_of_intervention":
            for r in rows:
                a.within(a._number(f"{r} endo_tooth_survival", 0, MOST), f"{r} {t.outcome}")
    for found in released.losses:
        teeth = a.cell(found.id, found.teeth.value)
        causes = [a.cell(f"{found.id} {x.cause}", x.losses.value) for x in found.causes]
        parts(causes[-1], causes[:-1], all_=True)
        a.within(causes[-1], teeth)
    for line in released.healing:
        judged = a.cell(f"judged {line.name}", line.judged.value)
        states = [a.cell(f"{judged} {i}", s.teeth.value) for i, s in enumerate(line.states)]
        parts(judged, states, all_=len(states) == 3)
    for answer in released.techniques.answers:
        rows = []
        for group in answer.groups:
            # The same teeth under every outcome, but for those judged at recall.
            judged = " recalled" if answer.outcome == "radiographic_success" or not sums else ""
            teeth = a.cell(f"{answer.title} {group.label}{judged and judged + answer.outcome}", group.teeth.value)
            a.within(a.cell(f"{teeth} {answer.outcome} failed", group.failures.value), teeth)
            rows.append(teeth)
        # What is not named has no value, or is too small: nobody knows how many of either.
        parts(crowns if answer.outcome == "crown_failure" else courses, rows, all_=False)
        if answer.outcome == "crown_failure" and f"{crowns} overall whole practice" in a.low:
            failed = f"{crowns} overall whole practice crown_survival"
            parts(failed, [f"{r} {answer.outcome} failed" for r in rows], all_=False)
    lost = "tooth_survival_by_crown_after_endo not_crowned failed"
    if sums and {lost, free := "endo_free_of_intervention_by_crown not_crowned failed"} <= set(a.low):
        a.within(lost, free)
    for part in [n for n in a.low if sums and n.endswith(" tooth_loss failed")]:
        if (whole := part.replace("tooth_loss", "endo_failure")) in a.low:
            a.within(part, whole)
    before = None
    for step, n in released.methods.flow:
        left = a.cell(f"flow {step}", n.value)
        if before is not None and sums:
            a.within(left, before)
        before = left
