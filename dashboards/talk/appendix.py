"""`study_club_appendix.pptx`: all that stands behind the talk, to be shown when asked.

Who was counted, every other comparison, the hyperemic tooth year by year, healing, losses, breakdowns, all techniques,
how it was counted, the items of two checklists, the papers, and the cautions.
"""

import datetime as dt
from collections.abc import Sequence
from functools import partial

from dashboards import reporting_items, terms
from dashboards.answers import sentences
from dashboards.formats import DASH, listing, lower_first, plural, sentence_case, spread, years
from dashboards.pages.study_club import everyday_table, groups_table, healing_table, loss_table, worth_showing
from dashboards.release.rates import ReleasedRates
from dashboards.release.released import Released, ReleasedComparison, ReleasedEstimate, require
from dashboards.tables import NumberTable
from dashboards.talk import words
from dashboards.talk.deck import Deck
from dashboards.talk.notes import notes
from dashboards.talk.scenes import Told, curves_scene, opening, source, waiting
from dashboards.talk.story import deck_of
from dashboards.words import shared as words_shared
from dashboards.words import technique as words_technique
from pipeline.practice.talk import Talk

SMALL = (16, 14)
MOST_RATIOS, UNDER_GROUPS = 6, 2


def render(released: Released, talk: Talk | None = None, *, day: dt.date | None = None) -> bytes:
    """`study_club_appendix.pptx` as bytes, cited as made on `day`. Refuses anything but a released result."""
    require(released)
    told = Told(released, talk or Talk(), day=day)
    deck = deck_of(released, told.talk, of=": appendix")
    scene = opening(told, of="Appendix: ")
    scene.draw(deck, notes("Show these slides when asked how it was done.", source(released)))
    for c in released.comparisons:
        _comparison(deck, c, told)
    _tables(deck, told)
    for t in released.rates:
        if t.outcome == released.rates[0].outcome and t.by in ("tooth_group", "provider_id") and worth_showing(t):
            _breakdown(deck, t, released)
    _techniques(deck, released)
    _how_counted(deck, released)
    _items(deck, released)
    papers = [str(r) for r in words_shared.references(released)]
    deck.text(f"The methods are those of {len(papers)} published papers", [*papers, told.cited],
              notes("Say which of them a question is about.", claim="that they say anything of this practice"),
              sizes=(16, 14))  # fmt: skip
    deck.text(
        "An association in one practice’s records is not advice for a patient",
        terms.CAUTIONS,
        notes("Read the first two lines aloud."),
    )
    return deck.save()


def _comparison(deck: Deck, c: ReleasedComparison, told: Told) -> None:
    """Who was counted, the curves that the talk does not show, what may be said, and the hazard ratios.

    One or two ratios stand under the groups; more of them on a slide of their own.
    """
    counted, ratios = groups_table(c), [_ratio(c, e) for e in c.estimates[:MOST_RATIOS]]
    below = 0 < len(ratios) <= UNDER_GROUPS
    said = [f"{contrast}, {how}: ratio {ratio} ({span})." for contrast, how, ratio, span in ratios] if below else []
    deck.table(words_shared.counted_title(c), counted.heads, counted.rows, notes("Read the sizes of the groups."),
               alt=f"Table. {counted.caption}. {words_shared.counted_title(c)}.",
               lines=[f"{words_shared.model_title(c)}.", *said] if below else ())  # fmt: skip
    if c is not told.main and any(map(words.drawn, c.groups)):
        curves_scene(told, c).draw(deck, notes(words_shared.curves(c)))  # how to read one, the talk has told
    rows = [
        ("Question", c.question),
        ("Result", words_shared.result(c)),
        ("Range", words_shared.reach(c) or DASH),
        *([("Counted in other ways", words_shared.choices(c))] if c.choices else []),
        ("Too small to matter", words_shared.zone(c)),
        ("Reason to doubt", words_shared.doubt(c)),
        ("What would settle it", words_shared.next_step(c)),
    ]
    deck.table(words_shared.asked_and_said(c), ("Part", "What these records say"), rows,
               notes(f"{words_shared.result(c)} {words_shared.reach(c)}"),
               alt=" ".join(f"{k}: {v}" for k, v in rows))  # fmt: skip
    if len(ratios) > UNDER_GROUPS:
        deck.table(words_shared.model_title(c), ("Contrast", "How", "Hazard ratio", "95 % range"), ratios,
                   notes("A ratio of 2 means twice as fast. The range matters more than the figure."),
                   alt="Table of hazard ratios. " + "; ".join(" ".join(r) for r in ratios))  # fmt: skip


def _ratio(c: ReleasedComparison, e: ReleasedEstimate) -> tuple[str, str, str, str]:
    how = words_shared.how(e.adjusted_for)
    return words_shared.contrast(c, e), how, f"{e.hazard_ratio:g}", f"{e.low:g} to {e.high:g}"


def _tables(deck: Deck, told: Told) -> None:
    """The decision in sentences, the need of a root canal year by year, healing and losses."""
    released = told.released
    if released.decision:
        deck.text(words.decision_title(released.decision), words_shared.decision(released),
                  notes("Read the three together.", claim="that one way is right for any one tooth"))  # fmt: skip
    scene = waiting(told)
    if scene is not None:
        scene.draw(deck, notes(scene.say, claim=scene.claim))
    if (table := everyday_table(released)).rows:
        title = words_shared.everyday(released.everyday[-1]).rstrip(".")
        _table(deck, title, table, notes("Read the years that were asked for."))
    if (table := healing_table(released)).rows:
        _table(deck, words.healing_title(released.healing[0]), table,
               notes("Shares are of those who came back for a film."))  # fmt: skip
    for losses in released.losses:
        _table(deck, words.loss_title(losses), loss_table(losses),
               notes("Causes are the reasons written at the extraction. What is hidden may not be small, but give a "
                     "small one away."))  # fmt: skip


def _table(deck: Deck, title: str, table: NumberTable, said: str) -> None:
    deck.table(title, table.heads, table.rows, said, alt=f"Table. {table.caption}. {title}.")


def _breakdown(deck: Deck, t: ReleasedRates, released: Released) -> None:
    say = terms.outcome(t.outcome)
    rows = [r for r in t.rows if r.in_place is not None and r.low is not None and r.high is not None]
    values = [r.in_place for r in rows if r.in_place is not None]
    what = {"tooth_group": "across tooth groups", "provider_id": "from clinician to clinician"}[t.by]
    title = (
        f"Of 100 {say.many}, {spread(min(values), max(values)) if min(values) != max(values) else min(values)} were "
        f"{say.good} after {years(rows[0].years)} {what}"
    )
    body = [
        (sentence_case(r.name), str(r.teeth), str(r.failures), str(r.in_place), f"{r.low} to {r.high}") for r in rows
    ]
    hidden = len(rows) < len(t.rows)
    others = "Others, with the letters left out" if t.by == "provider_id" else "Others"
    body += [(others, DASH, DASH, DASH, "not shown")] if hidden else []
    heads = ("Clinician" if t.by == "provider_id" else "Tooth group", plural(2, say.noun).capitalize(),
             say.bad.capitalize(), "Of 100 " + say.good, "95 % range")  # fmt: skip
    claim = "that one clinician is better than another: the teeth were not alike and chance alone moves these figures"
    why = "Those not listed have too few teeth, or would give a hidden count away. "
    said = f"{why if hidden else ''}Compare the ranges, not the figures."
    deck.table(title, heads, body, notes(said, claim=claim),
               alt="Table. " + "; ".join(f"{r[0]} {r[3]} ({r[4]})" for r in body))  # fmt: skip


def _techniques(deck: Deck, released: Released) -> None:
    """What may be named of the technique questions, and every comparison as a native table."""
    found = released.techniques
    if not found.contrasts:
        return
    title, claim = words_technique.headline(found), "that a technique causes teeth to last or to fail"
    deck.text(title, [*words_technique.named(found), *sentences(words_technique.looks(found))],
              notes(words_technique.looks(found), claim=claim), sizes=(18, 16, 14))  # fmt: skip
    # What is settled and what is open stand apart, each under how many there are.
    told = {c.code for c in found.contrasts}
    for code in (code for code in (*terms.VERDICTS, *terms.OF_A_TECHNIQUE) if code in told):
        table = words_technique.contrasts_table(found.answers, code=code)
        said = words_technique.with_reason(code)
        named = f"{sentence_case(said)} in {len(table.rows)} of {len(found.contrasts)} technique comparisons"
        deck.table(named if len(found.contrasts) > 1 else title, table.heads[:5], [row[:5] for row in table.rows],
                   notes("Read the ranges, not the figures; most hold no difference as well.", claim=claim),
                   alt=f"Table. {named}.", shares=(0.23, 0.19, 0.29, 0.19, 0.1), sizes=(14,),
                   left=(0, 1, 2),
                   parts=partial(_asked, said))  # fmt: skip


def _asked(said: str, part: Sequence[Sequence[str]]) -> str:
    """What is said of the questions of some rows, in order; of more than three, the third and later are counted."""
    first, *rest = dict.fromkeys(row[0] for row in part)
    told = [first, *map(lower_first, rest)]
    return f"{listing(told if len(told) < 4 else [*told[:2], f'{len(told) - 2} more questions'])}: {said}"


def _how_counted(deck: Deck, released: Released) -> None:
    lines = ["Follow-up ends at the last contact, at death or at the end of the data, whichever is first."]
    if released.comparisons:
        main = released.comparisons[0]
        lines = [terms.outcome(main.outcome).definition, words_shared.naive_why(main), *lines]
    deck.text("Each tooth counts from the day it could be counted, until its last contact", lines,
              notes("Explain when the clock starts; it decides the answer."),
              sizes=(18, 16, 14))  # fmt: skip
    if released.rules:
        rows = words_shared.linking_rules(released)
        title = "Each rule for linking rows has a number, and the practice can change it"
        deck.table(title, words_shared.RULE_HEADS, rows,
                   notes("A number is in days unless the words say otherwise."),
                   alt=f"Table of {len(rows)} rules with the number in force.", shares=(0.83, 0.17),
                   sizes=SMALL)  # fmt: skip
    if released.not_run:
        needs = [f"{t}: needs {listing(list(n))}" for t, n in released.not_run]
        deck.text("Some questions need fields that these records lack", needs,
                  notes("Ask who records these fields, and how."))  # fmt: skip
    deck.text(
        "Small counts are hidden, and no name or day is shown",
        [f"{text.rstrip(chr(46))}." for text in words_shared.RULES.split(". ")],
        notes("Others may use these slides as they are.", claim="more precision than the slides show"),
    )


def _items(deck: Deck, released: Released) -> None:
    """The items of the two checklists as a native table, over as many slides as they need."""
    found: Sequence[reporting_items.Item] = reporting_items.items(released)
    rows = [(f"{i.checklist} {i.number}", i.asks, i.state, i.text) for i in found]
    deck.table(reporting_items.summary(tuple(found)), ("Item", "Asks for", "State", "What this run says"), rows,
               notes(f"{reporting_items.INTRO} Show these slides when asked how it was done.",
                      claim="that this meets a standard"),
               alt=f"Table of reporting items. {reporting_items.summary(tuple(found))}.",
               shares=(0.13, 0.23, 0.11, 0.53), sizes=(14,), left=(0, 1, 2, 3),
               parts=lambda part: f"{part[0][0]} to {part[-1][0]}: this run fills "
               f"{sum(row[2] == 'filled' for row in part)} of {len(part)}")  # fmt: skip
