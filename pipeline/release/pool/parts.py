"""Which told counts of a contribution are parts of others: what two files of one practice are watched for."""

from collections.abc import Iterator

from pipeline.release.pool.agreed import TOOTH_GROUPS
from pipeline.release.pool.contribution import Contribution, Side
from pipeline.release.side_by_side import Part

# Of the same teeth what the first counts is among what the second does.
_LOST, _FAILED = "_tooth_loss", "_endo_failure"
_AMONG = {"tooth_survival_by_crown_after_endo": "endo_free_of_intervention_by_crown"}


def parts_of(given: Contribution) -> dict[str, Part]:
    """Every told count by a name, with its whole where that is told: teeth lost are among those that failed."""
    sides = {f"{c.asked.compared} {s.name}": s for c in given.contrasts for s in (c.group, c.reference)}
    out: dict[str, Part] = {f"{of} {what}": (n, None) for of, side in sides.items() for what, n in _counts(side)}
    for of, side in sides.items():
        compared, name = of.split(" ", 1)
        among = _AMONG.get(compared) or (compared.replace(_LOST, _FAILED) if compared.endswith(_LOST) else None)
        whole = sides.get(f"{among} {name}")
        if whole is not None:
            out[f"{of} failures"] = (side.failures, whole.failures)
    return out


def _counts(side: Side) -> Iterator[tuple[str, int | None]]:
    yield from (("teeth", side.teeth), ("patients", side.patients), ("failures", side.failures))
    yield from zip(TOOTH_GROUPS, side.tooth_groups, strict=False)
    for line in side.table:
        yield from ((f"followed {line.months}", line.followed), (f"failures {line.months}", line.failures))
