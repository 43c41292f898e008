"""What the ledger may not hold, under a comparison or the trial: its sentences, the figures with it, the numbers."""

import math
from collections.abc import Sequence
from typing import Any

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.formats import DASH, count, decimal, known, percent, plural, range_more_or_fewer, ratio, whole
from dashboards.tables import NumberTable, between, table_of
from dashboards.theme import Chart
from pipeline.results.unseen import Moved, Spread, Unseen

CAPTION = (
    "The dotted range is the figure as counted, by its standard error, so that its ends may differ from those told "
    "elsewhere; the solid one holds what may be unseen, and chance."
)
BEYOND = 0.025  # of the draws, those outside each end of a 95 % range
NAMES = {
    "per_100": "Difference in failures per 100, more on the right",
    "hazard_ratio": "Hazard ratio, opened against treated before the seat",
    "need_per_100": "Came to need a root canal, of 100 seated vital",
}


def unseen_block(found: Sequence[Unseen], id: str, place: str) -> dict[str, Any]:
    """The parts of a section on what is unseen; empty where nothing was said of the question `id`."""
    unseen = next((u for u in found if u.id == id), None)
    if unseen is None:
        return {}
    shown = [m for m in unseen.moved if m.name != "hazard_ratio"]
    return {
        "unseen": unseen,
        "unseen_charts": [_chart(m, f"{place}-unseen-{m.name.replace('_', '-')}") for m in shown],
        "unseen_caption": CAPTION,
        "unseen_note": _note(unseen),
        "unseen_short": _short(unseen),
        "unseen_counts": counts_table(unseen),
        "unseen_figures": figures_table(unseen),
    }


def counts_table(unseen: Unseen) -> NumberTable:
    """How many were seen, and how many more there may be."""
    rows = (
        ("Openings", whole(unseen.seen), *_spread(unseen.openings)),
        ("Root canals before the seat", whole(unseen.seen_before_seat), *_spread(unseen.before_seat)),
        ("Failures of crowns", DASH, *_spread(unseen.failures)),
    )
    return NumberTable("How many may be unseen", ("Of", "Seen", "Unseen, middle of the draws", "95 % range"), rows)


def figures_table(unseen: Unseen) -> NumberTable:
    """Every figure as counted, with what may be unseen, and with chance."""
    return table_of("How the figures move", (m for m in unseen.moved if m.name in NAMES), {
        "Figure": lambda m: NAMES[m.name],
        "As counted": lambda m: _number(m, m.counted),
        "95 % range": lambda m: between(_number(m, m.counted_low), _number(m, m.counted_high)),
        "With what may be unseen": lambda m: _number(m, m.corrected.median),
        "Range of the draws": lambda m: between(_number(m, m.systematic.low), _number(m, m.systematic.high)),
        "With chance": lambda m: between(_number(m, m.corrected.low), _number(m, m.corrected.high)),
        "Draws on the other side": lambda m: DASH if m.other_sign is None else percent(m.other_sign, 1),
    })  # fmt: skip


def assumptions_table(found: Sequence[Unseen]) -> NumberTable:
    """What was assumed, once for all questions, since they share it."""
    rows = dict.fromkeys((a.name, a.value, a.reason) for u in found for a in u.assumptions)
    heads = ("What was assumed", "Drawn from", "Why")
    return NumberTable(
        "What was assumed of root canals and failures that the ledger does not hold", heads, tuple(rows), heads[1:]
    )


def draws_sentence(found: Sequence[Unseen]) -> str:
    """How many draws were made, and how many contradicted the records."""
    told = [f"{whole(u.draws)} draws, {whole(u.impossible)} of them discarded" for u in found if u.draws]
    if not told:
        return "Nothing was drawn."
    rest = f"; of the decision on a hyperemic tooth {told[1]}" if len(told) > 1 else ""
    return (
        f"Of the main comparison {told[0]}{rest}. A draw is discarded where it contradicts the records: where others "
        "would have done fewer openings than were charted of them, or more crowns would have to be opened, failed or "
        "not, than count as vital."
    )


def _short(unseen: Unseen) -> str:
    """`: 3 fewer to 8 more of 100`: the difference with what may be unseen and chance; empty where none is known."""
    ends = next(((m.corrected.low, m.corrected.high) for m in unseen.moved if m.name == "per_100"), ())
    return f": {range_more_or_fewer(*map(round, ends))} of 100" if ends and all(map(known, ends)) else ""


def _note(unseen: Unseen) -> str:
    return (
        "Crowns that count as vital were opened, or treated before the seat, at random in each of "
        f"{whole(unseen.draws)} draws, and compared again; {whole(unseen.impossible)} of the draws contradicted the "
        f"records and {plural(unseen.impossible, 'was')} discarded. {_ends(unseen.draws)} What was assumed, and why, "
        "stands on the page on methods."
    )


def _ends(draws: int) -> str:
    """On how few draws an end of what they range over rests; chance is added to each of them by the normal law."""
    beyond = max(1, round(BEYOND * draws))
    return f"Each end of how many may be unseen rests on the {count(beyond, 'outermost draw')}, so it is rough."


def _spread(spread: Spread | None) -> tuple[str, str]:
    if spread is None:
        return DASH, DASH
    return whole(round(spread.median)), between(whole(round(spread.low)), whole(round(spread.high)))


def _number(m: Moved, value: float) -> str:
    if not known(value):
        return DASH
    return ratio(value) if m.name == "hazard_ratio" else decimal(value, 0)


def _chart(m: Moved, id: str) -> Chart:
    """Two rows: as counted, hollow, and with what may be unseen."""
    look = theme.Look(theme.INK, "solid", "none", "diamond")
    hover, c = "%{x:.0f} per 100", m.corrected
    rows = [
        Row("As counted", (Mark(m.counted, m.counted_low, m.counted_high, look, hover, hollow=True),)),
        Row("With what may be unseen", (Mark(c.median, c.low, c.high, look, hover),)),
    ]
    ends = (m.counted_low, m.counted_high, c.low, c.high)
    if m.name == "need_per_100":
        figure, height = rows_figure(rows, title=NAMES[m.name], span=(0, min(nice_top(ends), 100.0)))
    else:
        reach = math.ceil((max(abs(v) for v in ends) + 1) / 5) * 5
        step = 5 if reach <= 25 else 10 * math.ceil(reach / 50)
        ticks = [t for t in range(-reach, reach + 1) if t % step == 0]
        figure, height = rows_figure(rows, title=NAMES[m.name], span=(-reach, reach), line=0, ticks=ticks)
    counted, low, high = (_number(m, v) for v in (m.counted, m.counted_low, m.counted_high))
    moved, least, most = (_number(m, v) for v in (c.median, c.low, c.high))
    said = f"as counted {counted} ({low} to {high}), with what may be unseen {moved} ({least} to {most})"
    return theme.chart(figure, id=id, label=f"{NAMES[m.name]}: {said}", height=height)
