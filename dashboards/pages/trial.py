"""The emulated trial: everyday sentences, incidence, differences and what is behind them."""

from collections.abc import Sequence
from typing import Any

from dashboards import terms
from dashboards.answers import Said
from dashboards.charts.contrasts import apart, difference_chart
from dashboards.charts.incidence import columns_of, drawn, incidence_chart, look_of
from dashboards.formats import DASH, listing, lower_first, plural, sentence_case, spread, whole, years
from dashboards.pages.doubts import balance_parts
from dashboards.tables import NumberTable, UnderGroup, UnderTable, table_of
from dashboards.theme import LegendItem
from dashboards.words import comparisons as words
from dashboards.words import doubt as words_doubt
from dashboards.words import trial as words_trial
from pipeline.results import DiagnosisRow, IncidenceCurve, Trial, TrialArm
from pipeline.results.trial_words import COUNTED_FROM, CROWN, NAMES, NEED

CRUDE = "_crude"
HEADINGS = {"endo_needed": "Who came to need a root canal", "crown_failure": "Failure of the crown",
            "tooth_loss": "Loss of the tooth"}  # fmt: skip


def trial_section(t: Trial, id: str) -> dict[str, Any]:
    """Everything that the template shows of one trial."""
    labels = {c.arm: c.label for c in t.curves}
    met = dict.fromkeys([*(c.outcome for c in t.curves), *(_base(name) for name, _ in t.differences)])
    parts = [_part(t, o, _of(t, o), f"{id}-{o.replace('_', '-')}") for o in met if o != NEED]
    parts.append(_part(t, NEED, _of(t, NEED), f"{id}-need"))
    parts.append(_everyday_part(t, f"{id}-vital"))
    rows = tuple((r.part, r.trial, r.records) for r in t.protocol)
    heads = ("Part", "The trial one would run", "What stands in for it in these records")
    parts = [p for p in parts if p["curves"] or p["difference_text"] or p["table"].rows]
    said = Said()
    found = said.each(o.sentence for o in t.outcomes)
    for p in parts:
        p["definition"], p["zone"] = said.fresh(p["definition"]), said.fresh(p["zone"]) if p["difference"] else ""
        p["difference_text"] = said.each(p["difference_text"])
    return {
        "t": t,
        "parts": parts,
        "first_curves": next((p["curves"].id for p in parts if p["curves"]), ""),
        "heading": _heading(t),
        "behind": _behind(t),
        "judged": [(place(o.outcome), v) for o, v in t.judged if o.outcome != CROWN],
        **balance_parts(t.balance, id, title=t.title),
        "found": found,
        "counted": COUNTED_FROM,
        "copies": words_trial.copies_sentence(t.arms),
        "arms": arms_table(t.arms),
        "diagnoses": diagnoses_table(t.diagnoses, labels),
        "protocol": NumberTable("The protocol of the trial and its stand-in", heads, rows, heads[1:]),
    }


def _heading(t: Trial) -> str:
    """The finding as a heading."""
    tails = terms.TAILS | {"differs": "the two ways differ"}
    told = {NAMES[o.outcome]: tails.get(v.code, "not known yet") for o, v in t.judged}
    if len(set(told.values())) == 1:
        both = sentence_case(listing([lower_first(name) for name in told]))
        return f"{both} after either way: {next(iter(told.values()))}"
    return f"After either way: {'; '.join(f'{lower_first(name)}, {said}' for name, said in told.items())}"


def _behind(t: Trial) -> str:
    """How many teeth the decision stands on, as a heading."""
    told = [f"{whole(a.followed)} with {lower_first(a.label)}" for a in t.arms]
    return f"Behind it: teeth seen to go one way, {listing(told)}" if told else "Behind it: who was counted, and how"


def place(outcome: str) -> str:
    """Where the verdict on an outcome stands on the page: `trial` for the crown, `verdict-tooth-loss` for the tooth."""
    return "trial" if outcome == CROWN else f"verdict-{outcome.replace('_', '-')}"


def _of(t: Trial, outcome: str) -> tuple[IncidenceCurve, ...]:
    # The adjusted ones first: they are what the difference rests on.
    return tuple(sorted((c for c in t.curves if c.outcome == outcome), key=lambda c: not c.adjusted))


def _base(name: str) -> str:
    return name.removesuffix(CRUDE)


def _part(t: Trial, outcome: str, curves: Sequence[IncidenceCurve], id: str) -> dict[str, Any]:
    """One outcome: its curves, and the difference."""
    found = dict(t.differences)
    crude = found.get(f"{outcome}{CRUDE}")
    main = found.get(outcome) or crude
    crude = None if crude is main else crude
    labels = {c.arm: c.label for c in t.curves}
    told = next((o.sentence for o in t.outcomes if o.outcome == outcome), "")
    said = [] if main is not None else [told]
    if main is not None:
        # Where the section opens with the sentences of all outcomes, they are not said again.
        noun = words_trial.outcome_terms(outcome).noun
        said += [] if told else [words.difference_sentence(main, labels, noun)]
        said.append(words_doubt.method_sentence(main))
    if crude is not None:
        said.append(words_trial.crude_sentence(crude, outcome))
    chart = None
    if outcome != NEED and main is not None:
        chart = difference_chart(apart(words.difference_row(main, labels), main, crude), smallest=_smallest(t),
                                 id=f"{id}-difference", label=" ".join(filter(None, (told, *said))))  # fmt: skip
    return {
        "place": outcome.replace("_", "-"),
        "heading": _part_heading(curves, HEADINGS.get(outcome, sentence_case(outcome.replace("_", " ")))),
        **_curves_part(curves, outcome, since="the tooth was prepared", id=id),
        "difference_text": [text for text in said if text],
        "difference": chart,
        "zone": words.zone_sentence(_smallest(t)) if t.verdict else "",
    }


def _part_heading(curves: Sequence[IncidenceCurve], topic: str) -> str:
    """What became of 100 teeth either way, by the last whole year that all tell; the topic alone where none is told."""
    shown = [c for c in curves if c.adjusted] or list(curves)
    told = [{p.years: p.estimate for p in c.points} for c in shown]
    common = set.intersection(*map(set, told)) if told else set()
    by = max((y for y in common if y >= 1 and float(y).is_integer()), default=None)
    if by is None:
        return topic
    say, did = words_trial.outcome_terms(shown[0].outcome), terms.happened(shown[0].outcome)
    parts = [f"{round(100 * at[by])}{f' {did}' if not i else ''} ({lower_first(c.label)})"
             for i, (c, at) in enumerate(zip(shown, told, strict=True))]  # fmt: skip
    return f"By {years(by)}, of 100 {plural(2, say.noun)} {', '.join(parts)}"


def _everyday_part(t: Trial, id: str) -> dict[str, Any]:
    """Teeth seated vital, hyperemic ones beside normal ones, on the clock since the seat."""
    return {
        "place": "everyday",
        "heading": _part_heading(t.everyday_curves, "After a vital seat, hyperemic and normal teeth"),
        **_curves_part(t.everyday_curves, NEED, since="the crown was seated", id=id),
        "difference_text": [],
        "difference": None,
        "zone": "",
    }


def _curves_part(curves: Sequence[IncidenceCurve], outcome: str, *, since: str, id: str) -> dict[str, Any]:
    """Legend, curves with how many were followed under them, and all figures."""
    label = words_trial.incidence_label(curves) if curves else ""
    return {
        "definition": words_trial.outcome_terms(outcome).definition,
        "legend": [LegendItem(words_trial.curve_name(c, curves), look_of(c, curves), True) for c in drawn(curves)],
        "curves": incidence_chart(curves, since=since, id=f"{id}-incidence", label=label),
        "under": _under(curves),
        "table": _table(curves, outcome),
    }


def _smallest(t: Trial) -> float:
    # Without a verdict nothing was fixed beforehand, so there is no zone.
    return t.verdict.smallest_difference_per_100 if t.verdict else 0.0


def _under(curves: Sequence[IncidenceCurve]) -> UnderTable | None:
    """How many are still followed at each whole year, once for each arm."""
    columns = columns_of(drawn(curves))
    if len(columns) < 2:
        return None
    groups: dict[str, UnderGroup] = {}
    for c in curves:
        at = {p.years: whole(p.at_risk) for p in c.points}
        if len(c.points) > 1 and c.arm not in groups:
            cells = tuple(at.get(y, DASH) for y in columns)
            groups[c.arm] = UnderGroup(c.label, look_of(c, curves), (("followed", cells),))
    return UnderTable("How many teeth were still followed", columns, tuple(groups.values()))


def _table(curves: Sequence[IncidenceCurve], outcome: str) -> NumberTable:
    say = words_trial.outcome_terms(outcome)
    rows = tuple(
        (
            words_trial.curve_name(c, curves),
            f"{p.years:g}",
            str(round(100 * p.estimate)),
            spread(round(100 * p.ci_low), round(100 * p.ci_high)),
            whole(p.at_risk),
            f"{whole(c.events)} of {whole(c.teeth)}",
        )
        for c in curves
        for p in c.points
        if p.years > 0 and float(p.years).is_integer()
    )
    heads = ("Teeth", "Years", sentence_case(say.bad), "95 % range", "Still followed", "In all, by the last year")
    return NumberTable(f"{sentence_case(say.bad)}, of 100 {plural(2, say.noun)}", heads, rows)


def arms_table(arms: Sequence[TrialArm]) -> NumberTable:
    """How many teeth each way has, and how many of its copies were taken out."""
    return table_of("Teeth of the two ways", arms, {
        "Way": lambda a: a.label,
        "Seen to go it": lambda a: whole(a.followed),
        "In both ways": lambda a: whole(a.either),
        "Copies taken out": lambda a: whole(a.departed),
        "Largest weight": lambda a: DASH if a.largest_weight is None else f"{a.largest_weight:.2f}",
    })  # fmt: skip


def diagnoses_table(rows: Sequence[DiagnosisRow], labels: dict[str, str]) -> NumberTable:
    """Teeth of each way by pulpal and by apical diagnosis, as known at the decision and as recorded later."""
    arms = list(dict.fromkeys(arm for row in rows for arm, _ in row.teeth))
    body = tuple(
        (words_trial.diagnosis(row), words_trial.WHEN.get(row.when, row.when), *(whole(n) for _, n in row.teeth))
        for row in rows
    )
    heads = ("Diagnosis", "Recorded", *(labels.get(arm, arm) for arm in arms))
    return NumberTable("Teeth of the two ways by recorded diagnosis", heads, body, ("Recorded",))
