"""The methods behind a run's figures, each with the module that holds it and its sources; and what each setting does.

`pipeline/data/methods.csv` lists them, so that the methods page names only what a run used. Their sources, by author
and year, are named in the docstrings of the modules too; a test compares.
"""

from dataclasses import dataclass

from pipeline.machine.data_tables import data_rows
from pipeline.machine.declared import meanings
from pipeline.practice.settings import AnalysisSettings, Borrowing, Practice, Rules
from pipeline.results import Results
from pipeline.results.references import cited

REMEMBERED = "from memory"  # what stands beside a source whose details nobody has looked up


@dataclass(frozen=True)
class Method:
    """One method: what it is for, the module of `pipeline` that holds it, its sources, and the part that needs it."""

    name: str
    purpose: str
    module: str
    sources: tuple[str, ...]
    needs: str  # a name of `parts_of`

    @property
    def checked(self) -> tuple[str, ...]:
        """The sources that readers are shown: those whose details were not only remembered."""
        return tuple(source for source in self.sources if REMEMBERED not in source)


METHODS = tuple(
    Method(**(row | {"sources": tuple(cited(one) for one in row["sources"].split(" | ") if one)}))  # type: ignore[arg-type]
    for row in data_rows("methods")
)

_OF_PRACTICE = ("crown_date", "root_canals_elsewhere", "film_readers")
RULES = meanings(Rules) | {name: meanings(Practice)[name] for name in _OF_PRACTICE}
ANALYSIS = meanings(AnalysisSettings) | meanings(Borrowing)


def methods_of(results: Results) -> tuple[Method, ...]:
    """The methods that this run's figures rest on, in the order of `METHODS`."""
    parts = parts_of(results)
    return tuple(m for m in METHODS if m.needs in parts)


def parts_of(results: Results) -> frozenset[str]:
    """The parts of a run that are there, by the names that `Method.needs` uses."""
    comparisons = results.comparisons
    honest = [c.robustness for c in comparisons if c.robustness is not None]
    weighted = [r for t in results.trials for r in t.balance if r.after is not None]
    there = {
        "curves": bool(comparisons or results.rates),
        "comparisons": bool(comparisons),
        "models": any(c.estimates for c in comparisons),
        "penalised": any(e.model == "cox_penalised" for c in comparisons for e in c.estimates),
        "naive": any(c.naive for c in comparisons),
        "landmark": any(c.clock == "since_landmark" for c in comparisons),
        "standardised": any("standardised" in c.difference.method for c in comparisons if c.difference),
        "steady": any(c.steady for c in comparisons),
        "within_patient": any(c.within_patient for c in comparisons),
        "balance": any(h.balance for h in honest) or any(t.balance for t in results.trials),
        "honesty": bool(honest),
        "e_value": any(h.e_value is not None for h in honest),
        "leaving": any(h.leaving is not None and h.leaving.tipping for h in honest),
        "weighed": any(h.leaving is not None and h.leaving.weighed is not None for h in honest),
        "states": results.states is not None,
        "choices": any(c.choices for c in comparisons),
        "incidence": bool(results.trials or results.losses),
        "clones": bool(results.trials),
        "weights": bool(weighted),
        "followup": bool(results.followup),
        "recalls": bool(results.recalls),
        "lesion_healing": results.lesion_healing is not None and bool(results.lesion_healing.points),
        "agreement": bool(results.agreement),
        "losses": bool(results.losses),
        "checks": bool(results.checks),
        "monitoring": any(m.funnel or m.running for m in results.monitoring),
        "techniques": any(a.contrasts for a in results.techniques),
        "doses": any(a.dose for a in results.techniques),
        "planning": bool(results.planning),
        "unseen": any(u.moved for u in results.unseen),
        "evidence": results.evidence is not None and bool(results.evidence.rows),
    }
    return frozenset(name for name, is_there in there.items() if is_there)
