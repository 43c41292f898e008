"""How every figure was worked out, in one printable page: enough to repeat the run."""

from collections.abc import Mapping

from dashboards import page, terms
from dashboards.answers import Answer, Answers
from dashboards.formats import count, day, listing, phrase, sentence_case, whole
from dashboards.pages import unseen
from dashboards.pages.data_quality import checks_table
from dashboards.tables import NumberTable
from dashboards.words import quality as words_quality
from dashboards.words import trial as words_trial
from pipeline.results import Comparison, Estimate, Results, Trial
from pipeline.results.methods import ANALYSIS, RULES, methods_of


def render(results: Results) -> str:
    """The page `methods.html`, for inside the practice: it holds the names of the files read."""
    methods = methods_of(results)
    return page.inside(
        "methods.html",
        results,
        title="How this was worked out",
        answers=Answers(
            (
                Answer(_repeat(results), asked="Can it be repeated?", link="#files"),
                Answer(words_quality.computed_again(results), asked="Was it checked?", link="#trust"),
                Answer("By rules that the practice can change.", asked="How were rows joined?", link="#linking"),
            )
        ),
        rules=settings_table("Linking rules, with the value in force", results.rules, RULES),
        analysis=settings_table("Settings of the analysis, with the value in force", results.analysis, ANALYSIS),
        outcomes=_outcomes(results),
        comparisons=_comparisons(results),
        models=_models(results),
        methods=methods,
        files=_files(results),
        versions=settings_table("Versions", results.versions, {}),
        checks=checks_table(results),
        checks_heading=words_quality.checks_heading(results),
        calibration=results.calibration,
        unseen=unseen.assumptions_table(results.unseen),
        unseen_draws=unseen.draws_sentence(results.unseen),
        not_run_heading=words_quality.not_run_heading(results.not_run),
        not_run=words_quality.not_run_says(results.not_run),
    )


def settings_table(caption: str, values: Mapping[str, str], meanings: Mapping[str, str]) -> NumberTable:
    """One row a setting: its name as the settings file writes it, its value, and what it does where that is known."""
    if not meanings:
        return NumberTable(caption, ("Name", "Value"), tuple(sorted(values.items())), ("Value",))
    rows = tuple((name, value, meanings.get(name, "")) for name, value in sorted(values.items()))
    return NumberTable(caption, ("Name", "Value", "What it does"), rows, ("Value", "What it does"))


def _outcomes(results: Results) -> NumberTable:
    """What counts as a failure, once for each outcome of the run."""
    met = [
        *(terms.outcome(c.outcome) for c in results.comparisons),
        *(words_trial.outcome_terms(c.outcome) for t in results.trials for c in t.curves),
        *(terms.outcome(t.outcome) for t in results.rates),
    ]
    said = dict.fromkeys((sentence_case(say.many), say.definition) for say in met)
    return NumberTable("What counts as what", ("Of", "What is counted"), tuple(said), ("What is counted",))


def _comparisons(results: Results) -> NumberTable:
    """Each comparison: its groups, its clock and how its difference was worked out."""
    rows = [*map(_comparison, results.comparisons), *map(_trial, results.trials)]
    heads = ("Comparison", "Of", "Clock starts when", "Groups", "How the difference was worked out")
    return NumberTable("Comparisons", heads, tuple(rows), heads[1:])


def _comparison(c: Comparison) -> tuple[str, ...]:
    groups = listing([f"{g.label.rstrip('.')} ({whole(g.crowns)})" for g in c.groups])
    ways = list(dict.fromkeys(d.method for d in (c.difference, c.crude_difference) if d is not None))
    how = sentence_case("; beside it: ".join(ways)) if ways else "No difference could be worked out"
    return c.title, terms.outcome(c.outcome).many, terms.clock(c.clock), groups, f"{how}."


def _trial(t: Trial) -> tuple[str, ...]:
    arms = {c.label: c.teeth for c in t.curves}
    ways = list(dict.fromkeys(d.method for _, d in t.differences))
    of = listing(list(dict.fromkeys(words_trial.outcome_terms(c.outcome).many for c in t.curves)))
    how = sentence_case("; ".join(ways)) if ways else "No difference could be worked out"
    groups = listing([f"{label} ({whole(n)})" for label, n in arms.items()])
    return t.title, of, "the tooth was prepared for its crown", groups, f"{how}."


def _models(results: Results) -> NumberTable:
    """Each hazard ratio’s model, with what it is adjusted for and how many rows it rests on; no ratio here."""
    rows = dict.fromkeys(_model(c, e) for c in results.comparisons for e in c.estimates)
    heads = ("Comparison", "Model", "Adjusted for", "Own baseline for each", "Error grouped by", "Rows", "Failures")
    return NumberTable("Models of the hazard ratios", heads, tuple(rows), heads[1:5])


def _model(c: Comparison, e: Estimate) -> tuple[str, ...]:
    by = (e.adjusted_for, e.stratified_by, (e.clustered_on,) if e.clustered_on else ())
    named = (listing([phrase(a.removesuffix("_id")) for a in names]) or "nothing" for names in by)
    return (c.title, terms.model(e.model), *named, whole(e.rows), whole(e.events))


def _files(results: Results) -> NumberTable:
    """The files read with their whole fingerprint, so that the same files can be told from changed ones."""
    rows = tuple((r.file, r.table, whole(r.rows_read), r.hash) for r in results.quality.loads)
    heads = ("File", "Table", "Rows read", "Fingerprint (SHA-256)")
    return NumberTable("Files read", heads, rows, ("Table", "Fingerprint (SHA-256)"))


def _repeat(results: Results) -> str:
    """What one needs to get the same figures again."""
    files = len(results.quality.loads)
    if not files:
        return "No file has been read, so there is nothing to repeat yet."
    span = f" with records from {day(results.data_from)} to {day(results.data_cutoff)}" if results.data_from else ""
    return (
        f"The same {count(files, 'file') if files > 1 else 'file'}{span}, the same settings and the same versions give "
        "the same figures. Whether a file is the same can be told by its fingerprint."
    )
