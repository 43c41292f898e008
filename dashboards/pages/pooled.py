"""Several practices together: the page `pooled.html`, made of what practices let out only, so it may be shown."""

from collections.abc import Sequence
from typing import Any

from dashboards import page, terms, theme
from dashboards.answers import Answer, Answers, first_sentence, kept
from dashboards.charts.pooled import LOST, at, pooled_curves, pooled_forest, technique_forest, years
from dashboards.formats import (
    DASH,
    count,
    decimal,
    listing,
    lower_first,
    month,
    more_or_fewer,
    phrase,
    plural,
    ratio,
    sentence_case,
    whole,
)
from dashboards.pages.comparison import place
from dashboards.tables import NumberTable, UnderGroup, UnderTable, between, table_of
from pipeline.results.pooled import KEY, MEMBER, NOBODY, PooledComparison, PooledResults, PooledValue

NOTE = "Records of several practices, not a trial: association, not cause."
HIDDEN = "hidden"
TOOTH_GROUPS = ("Front teeth", "Premolars", "Molars")
KINDS = {
    "crude": "Hazard ratio with the fewest adjustments",
    "adjusted": "Hazard ratio, adjusted",
    "difference": "Failures per 100 more than the reference",
}
SIGNED = {
    MEMBER: "by a member's key",
    KEY: "yes, whose key it is was not checked",
    NOBODY: "no: anyone may have made it",
}
METHODS = {"DL": "DerSimonian and Laird", "PM": "Paule and Mandel"}
SHOWN = ("difference", "adjusted")
FEW = 5
CAPTION = "Squares are practices with their own 95 % range, the diamond is all of them together."
FURTHER = " The dotted line holds what one further practice may have."


def render(pooled: PooledResults) -> str:
    """The page: one section a comparison, then the technique questions together."""
    compared = [c for c in pooled.comparisons if not c.technique]
    sections = [_section(c, f"q{i}") for i, c in enumerate(compared)]
    asked = [c for c in pooled.comparisons if c.technique]
    # No zone is drawn as too small to matter under a measure of safety: those stand in the table alone.
    forest = technique_forest([c for c in asked if not c.safety], id="techniques")
    return page.render(
        "pooled.html",
        title="Several practices together",
        audience="shared",
        usual=pooled.cautions,
        picture_note=NOTE,
        answers=_answers(pooled, compared, asked),
        few=_few(pooled),
        sections=sections,
        techniques={
            "forest": forest,
            "table": _techniques(asked),
            "heading": _named(asked),
            "text": _family(asked),
            "safety": terms.safety_sentence([c.title for c in asked if c.safety]),
        }
        if asked
        else None,
        practices=_practices(pooled),
        rules=NumberTable(
            "Rules that all practices share",
            ("Rule", "Value"),
            tuple((sentence_case(phrase(name)), value) for name, value in pooled.rules),
        ),
    )


def _answers(pooled: PooledResults, compared: Sequence[PooledComparison], asked: Sequence[PooledComparison]) -> Answers:
    """What the practices say together of each question, then how many of their technique comparisons differ."""
    n = len(pooled.practices)
    if not pooled.comparisons:
        return Answers((Answer(f"{count(n, 'practice')}, but no question that two of them answer."),))
    who = f"{count(n, 'practice')}, {count(len(pooled.comparisons), 'question')} that at least two of them answer."
    given = [Answer(who, asked="Who?", link="#practices")]
    given += [
        Answer(first_sentence(c.verdict.sentence), asked=c.title, link=f"#{place(c.id)}", code=c.verdict.code)
        for c in compared
    ]
    if asked:
        given.append(Answer(f"{_named(asked)}.", asked="Techniques", link="#technique"))
    return Answers(kept(given))


def _few(pooled: PooledResults) -> str:
    n = len(pooled.practices)
    hidden = "Each practice is a letter; who holds the files can tell whose."
    if n >= FEW or not pooled.comparisons:
        return hidden
    few = f"{sentence_case(count(n, 'practice'))} are few: how far practices differ can hardly be told"
    return f"{hidden} {few}, so every range is wide."


def _named(asked: Sequence[PooledComparison]) -> str:
    """How many of the pooled technique comparisons name a difference."""
    looks = [c for c in asked if c.p_family is not None]
    claimed = sum(c.verdict.code == "differs" for c in looks)
    of = count(len(looks), "technique comparison")
    return f"{whole(claimed) if claimed else 'None'} of {of} {'name' if claimed > 1 else 'names'} a difference"


def _heading(c: PooledComparison) -> str:
    """The finding as a heading: what was asked in short, and what can be told of it."""
    asked, said = c.title.partition(":")[0], lower_first(terms.verdict(c.verdict.code))
    gap = next((v for v in c.values if v.kind == "difference"), None)
    if c.verdict.code == "differs" and gap is not None:
        group, _ = c.groups
        said = f"{more_or_fewer(round(gap.value))} of 100 failed with {lower_first(group.label)}"
    return f"{asked}: {said}"


def _family(asked: Sequence[PooledComparison]) -> str:
    """What stands above the technique questions."""
    looks = [c for c in asked if c.p_family is not None]
    claimed = sum(c.verdict.code == "differs" for c in looks)
    named = f"{whole(claimed) if claimed else 'none'} {'shows' if claimed < 2 else 'show'}"
    return (
        f"{count(len(asked), 'comparison')} of one way of working with another, from adjusted models. "
        f"{whole(len(looks))} {plural(len(looks), 'has')} a pooled difference and count as one family of looks; "
        f"{named} a difference that may then be named."
    )


def _techniques(asked: Sequence[PooledComparison]) -> NumberTable:
    """One row a pair of groups: practices, pooled ratio and difference, how far practices disagree, the verdict."""
    rows = []
    for c in asked:
        ratio_, gap = (next((v for v in c.values if v.kind == kind), None) for kind in ("adjusted", "difference"))
        group, reference = c.groups
        rows.append(
            (
                f"{c.title}: {lower_first(group.label)} or {lower_first(reference.label)}",
                LOST[c.outcome],
                whole(max((len(v.parts) for v in c.values), default=0)),
                _with_range(ratio_),
                _with_range(gap),
                f"{100 * gap.i2:.0f} %" if gap is not None and len(gap.parts) > 2 else DASH,
                terms.verdict(c.verdict.code),
            )
        )
    heads = ("Question: group or reference", "Outcome", "Practices", "Hazard ratio", "Failures per 100 more", "I2",
             "What may be said")  # fmt: skip
    return NumberTable("Technique questions over all practices", heads, tuple(rows), (heads[1], heads[6]))


def _with_range(value: PooledValue | None) -> str:
    return f"{say_value(value, value.value)} ({say_range(value, value.low, value.high)})" if value is not None else DASH


def _section(c: PooledComparison, id: str) -> dict[str, Any]:
    """Everything that the template shows of one question."""
    say = terms.outcome(c.outcome)
    noun = plural(2, say.noun)
    drawn = sorted((v for v in c.values if v.kind in SHOWN), key=lambda v: SHOWN.index(v.kind), reverse=c.ratio_leads)
    values = drawn or list(c.values)
    return {
        "c": c,
        "place": place(c.id),
        "heading": _heading(c),
        "definition": say.definition,
        "parts": [("Range", c.verdict.range), ("Doubt", c.verdict.doubt), ("Next", c.verdict.next_step)],
        "legend": [theme.LegendItem(g.label, theme.look(g.name, i)) for i, g in enumerate(c.groups) if g.points],
        "curves": pooled_curves(c, id=f"{id}-curves", noun=noun, since=terms.clock(c.clock)),
        "under": _under(c),
        "curve_table": _curve_table(c, noun),
        "values": [
            {
                "title": KINDS[v.kind],
                "forest": pooled_forest(v, id=f"{id}-{v.kind}", smallest=c.smallest_difference_per_100),
                "caption": CAPTION + (FURTHER if len(v.parts) > 2 else ""),
                "table": parts_table(v),
                "says": [*v.heterogeneity, v.leave_one_out, *_adjusted(v)],
            }
            for v in values
        ],
        "summary": _summary(c),
        "mix": _mix(c, noun),
    }


def _adjusted(value: PooledValue) -> list[str]:
    """What the ratios of all practices are adjusted for."""
    return [f"All practices adjust for {listing(value.adjusted_for)}."] if value.adjusted_for else []


def parts_table(value: PooledValue, *, further: bool = True) -> NumberTable:
    """One row a practice: its value, weight, and the pooled one without it; with what one `further` may have."""
    rows = [
        (
            f"Practice {p.letter}",
            say_value(value, p.value),
            say_range(value, p.low, p.high),
            f"{100 * p.weight:.0f} %",
            say_value(value, p.without),
            say_range(value, p.without_low, p.without_high),
        )
        for p in value.parts
    ]
    pooled = (say_value(value, value.value), say_range(value, value.low, value.high))
    rows.append(("All together", *pooled, "100 %", "", ""))
    if further and len(value.parts) > 2:
        predicted = say_range(value, value.predicted_low, value.predicted_high)
        rows.append(("One further practice", "", predicted, "", "", ""))
    heads = ("Practice", "Value", "95 % range", "Weight", "Pooled without it", "Its range")
    return NumberTable(f"{KINDS[value.kind]}, by practice", heads, tuple(rows))


def _summary(c: PooledComparison) -> NumberTable:
    """Every pooled value by every method, with how far practices disagree."""
    rows = []
    for v in c.values:
        i2 = f"{100 * v.i2:.0f} ({100 * v.i2_low:.0f} to {100 * v.i2_high:.0f}) %"
        spread = (i2, f"{v.tau2:.3f}", between(f"{v.tau2_low:.3f}", f"{v.tau2_high:.3f}"))
        q = (decimal(v.q), f"{v.q_p:.3f}")
        rows.append(
            (KINDS[v.kind], "restricted likelihood", say_value(v, v.value), say_range(v, v.low, v.high), *spread, *q)
        )
        usual = say_range(v, v.usual_low, v.usual_high)
        rows.append((KINDS[v.kind], "the same, usual range", say_value(v, v.value), usual, "", "", "", "", ""))
        rows += [
            (KINDS[v.kind], METHODS[m], say_value(v, value), say_range(v, low, high), "", "", "", "", "")
            for m, value, low, high in v.others
        ]
    heads = (
        *("What", "Method", "Pooled", "95 % range", "I2", "Variance between practices", "Its range"),
        *("Q", "p of Q"),
    )
    return NumberTable("Pooled values by method", heads, tuple(rows), ("Method",))


def _under(c: PooledComparison) -> UnderTable | None:
    """How many teeth of all practices are still followed, under each tick of the curves; a dash where no curve is."""
    found = [(i, g) for i, g in enumerate(c.groups) if g.points]
    columns = years(c)
    if not found or not columns:
        return None
    groups = []
    for i, g in found:
        points = [at(g, year) for year in columns]
        cells = tuple(DASH if p is None else whole(p.followed) for p in points)
        groups.append(UnderGroup(g.label, theme.look(g.name, i), (("followed", cells),)))
    return UnderTable("How many were still followed, about, in all practices together", columns, tuple(groups))


def _curve_table(c: PooledComparison, noun: str) -> NumberTable:
    """Failed of 100 at each year of the axis; the numbers behind it are rounded."""
    rows = []
    for g in c.groups:
        for year in years(c):
            p = at(g, year)
            if p is not None and year:
                failed, spread = decimal(p.failed, 0), between(decimal(p.low, 0), decimal(p.high, 0))
                rows.append((g.label, f"{year:g}", failed, spread, f"about {whole(p.followed)}", whole(p.practices)))
    heads = ("Group", "Years", "Failed", "95 % range", "Still followed", "Practices")
    return NumberTable(f"Failed of 100 {noun}, all practices together", heads, tuple(rows))


def _mix(c: PooledComparison, noun: str) -> NumberTable:
    labels = {g.name: g.label for g in c.groups}
    rows = []
    for m in c.mix:
        groups = m.tooth_groups or (None,) * len(TOOTH_GROUPS)
        cells = tuple(HIDDEN if n is None else whole(n) for n in (m.teeth, m.patients, m.failures, *groups))
        rows.append((f"Practice {m.letter}: {labels[m.group]}", *cells))
    heads = ("Practice and group", sentence_case(noun), "Patients", "Failures", *TOOTH_GROUPS)
    return NumberTable("Who was counted, in steps of 5; small counts hidden", heads, tuple(rows))


def _practices(pooled: PooledResults) -> NumberTable:
    texts = ("Data until", "Made by", "Signed", "File's SHA-256 begins with")
    return table_of("Files that were pooled", pooled.practices, {
        "Practice": lambda p: f"Practice {p.letter}",
        "Data until": lambda p: month(f"{p.data_until}-01"),
        "Questions": lambda p: whole(p.questions),
        "Made by": lambda p: p.software,
        "Signed": lambda p: SIGNED[p.signed_by],
        "File's SHA-256 begins with": lambda p: p.digest[:16],
    }, texts)  # fmt: skip


def say_value(value: PooledValue, number: float | None) -> str:
    """A ratio with two decimals, or a whole difference."""
    if value.kind == "difference":
        return decimal(number, 0)
    if number is not None and number >= 100:
        return "over 100"
    return "under 0.01" if number is not None and number < 0.01 else ratio(number)


def say_range(value: PooledValue, low: float | None, high: float | None) -> str:
    """The two ends of a range as `say_value` writes them."""
    return between(say_value(value, low), say_value(value, high))
