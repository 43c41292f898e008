"""Which told counts of a contribution are parts of others: what two files of one practice are watched for."""

from pipeline.release.pool.contribution import Contribution
from pipeline.release.side_by_side import Part

# Of the same teeth what the first counts is among what the second does.
_LOST, _FAILED = "_tooth_loss", "_endo_failure"
_AMONG = {"tooth_survival_by_crown_after_endo": "endo_free_of_intervention_by_crown"}


def parts_of(given: Contribution) -> dict[str, Part]:
    """Each part with its whole, by a name: teeth lost among those that failed, of one group; else failures alone."""
    sides = {(c.asked.compared, s.name): s for c in given.contrasts for s in (c.group, c.reference)}
    out: dict[str, Part] = {f"{compared} {name}": (side.failures, None) for (compared, name), side in sides.items()}
    for (compared, name), side in sides.items():
        among = _AMONG.get(compared) or (compared.replace(_LOST, _FAILED) if compared.endswith(_LOST) else None)
        whole = sides.get((among, name)) if among else None
        if whole is not None:
            out[f"{compared} {name}"] = (side.failures, whole.failures)
    return out
