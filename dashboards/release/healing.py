"""Healing at recall and losses by cause, as they may leave the practice: known words, counts by rule, whole steps."""

from collections.abc import Sequence
from dataclasses import dataclass

from dashboards.formats import known
from dashboards.release.count import ReleasedCount
from dashboards.release.percent import release_share, share_range, share_step
from pipeline.release.disclosure import FAILURES, Gate
from pipeline.release.gates import ALL_LOSSES
from pipeline.results.healing import CountedShare, LossByCause, LossGroup, LossTable, RecallRow

# The only lines and causes that pass, in our own words, whatever the results call them.
HEALING = {
    "all": "All root canals judged",
    "before treatment: a lesion": "A lesion before treatment",
    "before treatment: no lesion": "No lesion before treatment",
    "before treatment: not recorded": "Lesion before not recorded",
}
STATES = ("healed", "healing", "not healed")
CAUSES = {
    "endodontic": "endodontic",
    "periodontal": "periodontal",
    "fracture": "fracture",
    "caries": "caries",
    "other": "other",
    "unknown": "not recorded",
}
ENDO_LOSSES = "endo_tooth_loss_by_cause"
TEETH = {ENDO_LOSSES: "root-filled teeth", "crowned_tooth_loss_by_cause": "crowned teeth"}
YEARS = (1, 5, 10)


@dataclass(frozen=True)
class ReleasedShare:
    """Teeth counted, and of 100 with the range on the step of the teeth they are part of; None where too few."""

    teeth: ReleasedCount
    of_100: int | None = None
    low: int | None = None
    high: int | None = None

    def __post_init__(self) -> None:
        shown = (self.of_100, self.low, self.high)
        if any(v is not None and v not in range(101) for v in shown):
            raise ValueError("released shares are in whole percent")
        if any(v is not None for v in shown) and self.teeth.value is None:
            raise ValueError("a share is released only with the count behind it")


@dataclass(frozen=True)
class ReleasedHealing:
    """One line of healing: those judged, and how many of them are in each of `STATES`, or in the first alone."""

    name: str
    judged: ReleasedCount
    states: tuple[ReleasedShare, ...]

    def __post_init__(self) -> None:
        if self.name not in HEALING:
            raise ValueError("healing is released by known names only")

    @property
    def label(self) -> str:
        """The line in words."""
        return HEALING[self.name]


@dataclass(frozen=True)
class ReleasedLoss:
    """Teeth lost to one cause (`all`: to any), and of 100 within each of `YEARS`; None where too few are behind it."""

    cause: str
    losses: ReleasedCount
    within: tuple[ReleasedShare | None, ...]

    def __post_init__(self) -> None:
        if self.cause not in (*CAUSES, "all"):
            raise ValueError("losses are released by known causes only")

    @property
    def label(self) -> str:
        """The cause in words."""
        return CAUSES.get(self.cause, "all causes")


@dataclass(frozen=True)
class ReleasedLosses:
    """Losses of one kind of teeth by cause, with the total last."""

    id: str
    teeth: ReleasedCount
    causes: tuple[ReleasedLoss, ...]

    def __post_init__(self) -> None:
        if self.id not in TEETH:
            raise ValueError("losses are released for known kinds of teeth only")

    @property
    def noun(self) -> str:
        """The teeth in words."""
        return TEETH[self.id]


def release_healing(gate: Gate, rows: Sequence[RecallRow]) -> tuple[ReleasedHealing, ...]:
    """Healing overall, in three states, and how many healed by the lesion before treatment; all else stays inside.

    The three states add up to those judged: all are told, or of two or one the largest alone. The lines by lesion
    add up to the whole: they pass together, and only where in each of them enough healed and enough did not, so that
    two lines do not say that there is nobody in the third.
    """
    gate.place = "Healing at recall"
    found = {r.name: r for r in rows if r.name in HEALING}
    whole = found.pop("all", None)
    if whole is None or (judged := gate.teeth(whole.recalled, whole.patients)) is None:
        return ()
    counts = [whole.successes, *(s.count if s else 0 for s in (whole.uncertain, whole.not_healed))]
    shares = (_strict(whole), whole.uncertain, whole.not_healed)
    people = [s.patients if s else None for s in shares]
    told = gate.table([f"recall {s}" for s in STATES], counts, people, kind=FAILURES)
    states = tuple(_share(gate, s, t, judged) for s, t in zip(shares, told, strict=True))
    lines = [ReleasedHealing("all", ReleasedCount(judged), states)]
    parts = list(found.values())
    told_parts = [_line(gate, r) for r in parts]
    enough = all(gate.enough(n) for r in parts for n in (r.successes, r.recalled - r.successes))
    if (
        enough
        and len(parts) == len(HEALING) - 1
        and all(None not in (p.judged.value, p.states[0].teeth.value) for p in told_parts)
    ):
        lines += told_parts
    return tuple(lines)


def _line(gate: Gate, r: RecallRow) -> ReleasedHealing:
    judged = gate.teeth(r.recalled, r.patients, group=r.name)
    healed = gate.failures(r.successes, r.healed_patients, group=r.name)
    share = _share(gate, _strict(r), healed, judged)
    return ReleasedHealing(r.name, ReleasedCount(judged), (share,))


def release_losses(gate: Gate, tables: Sequence[LossTable]) -> tuple[ReleasedLosses, ...]:
    """Losses of all teeth of a kind by cause; groups and pictures stay inside. Causes add up, so they are protected."""
    out = []
    for table in tables:
        group = next((g for g in table.groups if g.name == "all"), None)
        gate.place = f"What {TEETH.get(table.id, 'teeth')} were lost to"
        if table.id in TEETH and group is not None:
            teeth = gate.teeth(group.teeth, group.patients)
            if teeth is not None:
                out.append(ReleasedLosses(table.id, ReleasedCount(teeth), _losses(gate, table.id, group, teeth)))
    return tuple(out)


def _strict(row: RecallRow) -> CountedShare:
    return CountedShare(row.successes, row.recalled, row.success, row.ci_low, row.ci_high, row.healed_patients)


def _share(gate: Gate, share: CountedShare | None, told: int | None, of_told: int | None) -> ReleasedShare:
    if told is None or share is None or share.share is None or share.ci_low is None or share.ci_high is None:
        return ReleasedShare(ReleasedCount(told))
    figures = (share.share, share.ci_low, share.ci_high)
    shown = release_share(gate, figures, of=of_told, behind=share.count, beside=share.of - share.count)
    return ReleasedShare(ReleasedCount(told), *shown) if shown else ReleasedShare(ReleasedCount(told))


def _losses(gate: Gate, id: str, group: LossGroup, teeth: int) -> tuple[ReleasedLoss, ...]:
    known_causes = [c for c in group.causes if c.cause in CAUSES]
    names = [f"{id} {c.cause}" for c in known_causes]
    people = [c.patients for c in known_causes]
    counts = gate.table(names, [c.losses for c in known_causes], people, kind=FAILURES)
    named = [(c.cause, c, n) for c, n in zip(known_causes, counts, strict=True)]
    beside = ALL_LOSSES if id == ENDO_LOSSES else ""
    named.append(("all", group.total, gate.failures(group.total.losses, group.total.patients, group=beside)))
    return tuple(ReleasedLoss(name, ReleasedCount(n), _within(gate, c, n, teeth)) for name, c, n in named)


def _within(gate: Gate, cause: LossByCause, told: int | None, teeth: int) -> tuple[ReleasedShare | None, ...]:
    """The share by each of `YEARS` while enough are followed, and at least 11 teeth were lost since the last shown.

    A share that stood still in a table would be read as that year's, so there is none instead. The results hold no
    events: between two points at least (the fewest followed up to then) times (the rise) have happened.
    """
    if told is None or (step := share_step(gate, teeth)) is None:
        return (None,) * len(YEARS)
    out: list[ReleasedShare | None] = []
    behind = 0.0
    for year in YEARS:
        point = next((p for p in cause.points if p.years == year), None)
        if point is None or gate.rounding.count(point.at_risk) is None or not known(point.estimate):
            break
        fewest = min(p.at_risk for p in cause.points if p.years <= year)
        moved = gate.enough(fewest * (point.estimate - behind))
        shown = share_range(gate, point.estimate, point.ci_low, point.ci_high, step) if moved else None
        out.append(ReleasedShare(ReleasedCount(told), *shown) if shown else None)
        behind = point.estimate if moved else behind
    return (*out, *(None for _ in YEARS[len(out) :]))
