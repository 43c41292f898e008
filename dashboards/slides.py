"""The study club's slides: titles that are findings, native charts and tables, notes on what to say and not to claim.

Made from a released result only; each number comes from it by the sentences of `words_shared`.
"""

from __future__ import annotations

from dashboards import reporting_items, terms, theme, words_shared, words_technique
from dashboards.deck import Deck, Series, on_grid
from dashboards.formats import DASH, listing, phrase, plural, spread, years
from dashboards.pages.study_club import everyday_table, groups_table, worth_showing
from dashboards.release import Released, ReleasedComparison, ReleasedRates, require
from dashboards.release_curve import GRID_MONTHS

MOST_ROWS = 9
PAD = "\u00a0"  # keeps programs that choose their own labels from crowding them
ERROR_BAR_MONTHS = (12, 36, 60, 96)


def render(released: Released) -> bytes:
    """`study_club.pptx` as bytes. Refuses anything but a released result. At least six slides, whatever the data."""
    require(released)
    main = released.comparisons[0] if released.comparisons else None
    title = words_shared.verdict(main) if main else "These records allow no comparison that may be shown"
    deck = Deck(title="What one practice’s crowns and root canals show", footer=words_shared.footer(released))
    question = [main.question] if main else []
    opening = [*question, words_shared.scope(released), "One practice’s own records, not a trial."]
    deck.opening(title, opening, _notes("Say what the question was and whose records these are.", released))
    _how_teeth_do(deck, released)
    if main is not None:
        _comparison(deck, main, released)
    else:
        deck.text(
            "No comparison can be shown from these records yet",
            ["Too few teeth, or a field that the comparison needs is not recorded.", words_shared.scope(released)],
            _notes("Say what is recorded and what is not.", released),
        )
    for other in (c for c in released.comparisons[1:] if any(g.points for g in c.groups)):
        _curves(deck, other, released)
    _decision(deck, released)
    _everyday(deck, released)
    _technique(deck, released)
    _breakdowns(deck, released)
    _how_counted(deck, main, released)
    if released.not_run:
        lines = [f"{t}: needs {listing(list(n))}" for t, n in released.not_run[:MOST_ROWS]]
        deck.text("Some questions need fields that these records lack", lines,
                  _notes("Ask who records these fields, and how.", released))  # fmt: skip
    deck.text(
        "Small counts are hidden, and no name or day is shown",
        [f"{text.rstrip(chr(46))}." for text in words_shared.RULES.split(". ")],
        _notes("Others may use these slides as they are.", released, "more precision than the slides show"),
    )
    _appendix(deck, released)
    _technique_table(deck, released)
    _references(deck, released)
    deck.text(
        "An association in one practice’s records is not advice for a patient",
        terms.CAUTIONS,
        _notes("Read the first two lines aloud.", released),
    )
    return deck.save()


def _notes(say: str, released: Released, claim: str = "that one way of treating causes the other result") -> str:
    return (
        f"Say: {say}\n\nDo not claim: {claim}.\n\nWhere it comes from: {words_shared.scope(released)} "
        "Small counts are hidden and others rounded to 5."
    )


def _how_teeth_do(deck: Deck, released: Released) -> None:
    lines = words_shared.overall(released)
    if not lines:
        deck.text("Too few teeth have been followed to show how they do", [words_shared.scope(released)],
                  _notes("There is nothing to show yet.", released))  # fmt: skip
        return
    rest = [*lines[1:], *dict.fromkeys(terms.outcome(t.outcome).definition for t in released.rates)]
    deck.text(lines[0].rstrip("."), rest, _notes(lines[0], released, "that another practice would find the same"))


def _comparison(deck: Deck, c: ReleasedComparison, released: Released) -> None:
    """The main comparison: who, curves, difference, the misleading count, the model."""
    table = groups_table(c)
    deck.table(words_shared.counted_title(c), table.heads, table.rows,
               _notes("Read the sizes of the groups and who was left out.", released),
               alt=f"Table. {words_shared.curves(c)}")  # fmt: skip
    _curves(deck, c, released)
    rows = [
        ("Result", words_shared.result(c)),
        ("Range", words_shared.reach(c) or DASH),
        *([("Counted in other ways", words_shared.choices(c))] if c.choices else []),
        ("Too small to matter", words_shared.zone(c)),
        ("Reason to doubt", words_shared.doubt(c)),
        ("What would settle it", words_shared.next_step(c)),
    ]
    title = words_shared.result(c).rstrip(".") if c.difference else words_shared.verdict(c)
    deck.table(title, ("Part", "What these records say"), rows,
               _notes(f"{words_shared.result(c)} {words_shared.reach(c)}", released),
               alt=" ".join(f"{k}: {v}" for k, v in rows))  # fmt: skip
    if c.naive is not None:
        _naive(deck, c, released)
    if c.estimates:
        labels = {g.name: g.label for g in c.groups}
        body = [
            (
                terms.contrast(e.contrast, labels),
                "adjusted" if e.adjusted_for else "unadjusted",
                f"{e.hazard_ratio:g}",
                f"{e.low:g} to {e.high:g}",
            )
            for e in c.estimates[:6]
        ]  # fmt: skip
        deck.table(words_shared.model_title(c), ("Contrast", "How", "Hazard ratio", "95 % range"), body,
                   _notes("A ratio of 2 means twice as fast. The range matters more than the figure.", released),
                   alt="Table of hazard ratios. " + "; ".join(" ".join(r) for r in body))  # fmt: skip


def _curves(deck: Deck, c: ReleasedComparison, released: Released) -> None:
    """The failure curves as a native line chart on the monthly grid."""
    shown = [(i, g) for i, g in enumerate(c.groups) if g.points]
    title = words_shared.curves_title(c)
    if not shown:
        deck.text(title, [c.question, words_shared.result(c)], _notes("There is no curve to show yet.", released))
        return
    last = min(max(p.months for _, g in shown for p in g.points), round(24 * c.horizon_years))
    grid = range(0, last + 1, GRID_MONTHS)
    series = [
        on_grid(
            g.label,
            theme.look(g.name, index),
            {p.months: (float(p.failed), _end(p.low), _end(p.high)) for p in g.points},
            grid,
            bars=ERROR_BAR_MONTHS,
        )
        for index, g in shown
    ]
    nouns = plural(2, terms.outcome(c.outcome).noun)
    axes = (f"Months since {terms.clock(c.clock)}", f"Failed, of 100 {nouns}")
    say = f"{words_shared.curves(c)} The bars are 95 % ranges; each step rests on 5 or more failures."
    deck.lines(title, [f"{PAD}{m}{PAD}" for m in grid], series, axes, _notes(say, released),
               alt=f"Line chart. {words_shared.curves(c)}", every=12 // GRID_MONTHS)  # fmt: skip


def _end(value: int | None) -> float | None:
    return None if value is None else float(value)


def _naive(deck: Deck, c: ReleasedComparison, released: Released) -> None:
    """The misleading count beside the other, as columns."""
    if c.naive is None:
        return
    place = {g.name: i for i, g in enumerate(c.groups)}
    series = []
    for name, failed in c.naive.failed:
        group = next((g for g in c.groups if g.name == name), None)
        point = words_shared.horizon_point(c, group) if group else None
        follow = float(point.failed) if point else None
        series.append(Series(c.label(name), theme.look(name, place.get(name, 0)), (float(failed), follow)))
    nouns = plural(2, terms.outcome(c.outcome).noun)
    deck.columns(
        words_shared.naive(c),
        ("By label from the seat: misleading", "From the day each could be counted"),
        series,
        ("", f"Failed by {years(c.horizon_years)}, of 100 {nouns}"),
        _notes(words_shared.naive_why(c), released, "that the left-hand columns compare the two ways of treating"),
        alt=f"Column chart. {words_shared.naive(c)}. {words_shared.curves(c)}",
    )


def _decision(deck: Deck, released: Released) -> None:
    """The decision on a hyperemic tooth: a sentence on the crown, on the tooth and on the need of a root canal."""
    lines = words_shared.decision(released)
    if not lines:
        return
    shown = sum(o.per_100 is not None for o in released.decision)
    title = (
        "Hyperemic tooth: root canal before the seat, or a vital seat and waiting"
        if shown
        else "Too few hyperemic teeth to compare a root canal before the seat with waiting"
    )
    deck.text(title, lines,
              _notes("Read the three together: what is gained for the crown or the tooth is paid in root canals.",
                     released, "that one way is right for any one tooth"))  # fmt: skip


def _everyday(deck: Deck, released: Released) -> None:
    """How many teeth crowned vital came to need a root canal: sentences, and the last years as a table."""
    table = everyday_table(released)
    if not table.rows:
        return
    lines = [words_shared.everyday(c) for c in released.everyday]
    last = [row for c in released.everyday for row in table.rows if row[0].lower() == c.label]
    deck.table(lines[0].rstrip("."), table.heads, last,
               _notes(" ".join(lines), released, "that waiting is right or wrong for any one tooth"),
               alt=f"Table. {' '.join(lines)}", shares=(0.44, 0.1, 0.18, 0.14, 0.14))  # fmt: skip


def _technique(deck: Deck, released: Released) -> None:
    """What may be named of the technique questions, and every comparison as a native table."""
    found = released.techniques
    if not found.contrasts:
        return
    title, claim = words_technique.headline(found), "that a technique causes teeth to last or to fail"
    deck.text(title, [*words_technique.named(found), words_technique.looks(found)],
              _notes(words_technique.looks(found), released, claim))  # fmt: skip


def _technique_table(deck: Deck, released: Released) -> None:
    """Every technique comparison that may be shown, as a native table, for the questions after the talk."""
    found = released.techniques
    if not found.contrasts:
        return
    title, claim = words_technique.headline(found), "that a technique causes teeth to last or to fail"
    table = words_technique.contrasts_table(found.answers)
    rows = [row[:5] + row[6:] for row in table.rows]
    heads = table.heads[:5] + table.heads[6:]
    deck.table(f"Technique: all {len(rows)} comparisons that may be shown" if len(rows) > 1 else title, heads, rows,
               _notes("Read the ranges, not the figures; most hold no difference as well.", released, claim),
               alt=f"Table. {title}.", shares=(0.2, 0.17, 0.26, 0.1, 0.14, 0.13), sizes=(12,),
               left=(0, 1, 2, 5))  # fmt: skip


def _breakdowns(deck: Deck, released: Released) -> None:
    """The first outcome by tooth group and by clinician, where enough may be shown."""
    for t in released.rates:
        if t.outcome == released.rates[0].outcome and t.by in ("tooth_group", "provider_id") and worth_showing(t):
            _breakdown(deck, t, released)


def _breakdown(deck: Deck, t: ReleasedRates, released: Released) -> None:
    say = terms.outcome(t.outcome)
    rows = [r for r in t.rows if r.in_place is not None and r.low is not None and r.high is not None]
    values = [r.in_place for r in rows if r.in_place is not None]
    what = {"tooth_group": "across tooth groups", "provider_id": "from clinician to clinician"}[t.by]
    title = (
        f"Of 100 {say.many}, {spread(min(values), max(values)) if min(values) != max(values) else min(values)} were "
        f"{say.good} after {years(rows[0].years)} {what}"
    )
    body = [(r.name, str(r.teeth), str(r.failures), str(r.in_place), f"{r.low} to {r.high}") for r in rows]
    heads = ("Clinician" if t.by == "provider_id" else "Tooth group", plural(2, say.noun).capitalize(),
             say.bad.capitalize(), "Of 100 " + say.good, "95 % range")  # fmt: skip
    claim = "that one clinician is better than another: the teeth were not alike and chance alone moves these figures"
    deck.table(title, heads, body, _notes("Compare the ranges, not the figures.", released, claim),
               alt="Table. " + "; ".join(f"{r[0]} {r[3]} ({r[4]})" for r in body))  # fmt: skip


def _how_counted(deck: Deck, main: ReleasedComparison | None, released: Released) -> None:
    lines = ["Follow-up ends at the last contact, at death or at the end of the data, whichever is first."]
    if main is not None:
        lines = [
            terms.outcome(main.outcome).definition,
            words_shared.naive_why(main),
            *lines,
        ]
    settings = [f"{phrase(k)} = {v}" for k, v in released.rules]
    if settings:
        lines.append(f"Rules in force: {'; '.join(settings)}.")
    lines.append(words_shared.scope(released))
    deck.text("Each tooth counts from the day it could be counted, until its last contact", lines,
              _notes("Explain when the clock starts; it decides the answer.", released))  # fmt: skip


def _appendix(deck: Deck, released: Released) -> None:
    """The items of the two checklists as a native table, over as many slides as they need."""
    found = reporting_items.items(released)
    rows = [(f"{i.checklist} {i.number}", i.asks, i.state, i.text) for i in found]
    deck.table(reporting_items.summary(found), ("Item", "Asks for", "State", "What this run says"), rows,
               _notes(f"{reporting_items.INTRO} Show these slides when asked how it was done.", released,
                      "that this meets a standard"),
               alt=f"Table of reporting items. {reporting_items.summary(found)}.",
               shares=(0.11, 0.24, 0.11, 0.54), sizes=(12,), left=(0, 1, 2, 3))  # fmt: skip


def _references(deck: Deck, released: Released) -> None:
    papers = [str(r) for r in words_shared.references(released)]
    memory = sum(r.from_memory for r in words_shared.references(released))
    deck.text(f"The methods are those of {len(papers)} published papers", papers,
              _notes(f"Of these papers, {memory} are cited from memory: check them before printing.", released,
                     "that these papers say anything of this practice"), sizes=(14,))  # fmt: skip
