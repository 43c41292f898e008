"""What others found beside ours, as a part of a page: shares on the owner's, ratios on the clinician's."""

from typing import Any

from dashboards.answers import Said
from dashboards.charts.evidence import LOOKS, evidence_chart
from dashboards.formats import DASH, whole
from dashboards.tables import NumberTable
from dashboards.theme import LegendItem
from dashboards.words import evidence as words_evidence
from pipeline.results.evidence import Evidence, EvidenceRow


def evidence_block(found: Evidence | None, kind: str, *, said: Said | None = None) -> dict[str, Any]:
    """Rows of one kind, without a row the one sentence of `nothing`; empty where nothing was asked.

    What the page has `said` is not said again.
    """
    if found is None:
        return {}
    rows = [r for r in found.rows if r.kind == kind]
    chart = evidence_chart(rows, id=f"evidence-{kind}", label=words_evidence.chart_label(rows)) if rows else None
    told = [words_evidence.row_text(r, rows) for r in rows]
    return {
        "heading": words_evidence.heading(rows, kind),
        "nothing": "" if rows else words_evidence.nothing(found, kind),
        "intro": words_evidence.intro(found, rows),
        "legend": [LegendItem(words_evidence.series(who, kind), look) for who, look in LOOKS.items()],
        "chart": chart,
        "list": said.each(told) if said else told,
        "table": _table(rows, kind) if rows else None,
        "left_out": found.left_out if rows and kind == "share" else (),
    }


def _table(rows: list[EvidenceRow], kind: str) -> NumberTable:
    cells = tuple(
        (words_evidence.row_label(r), words_evidence.sources(r),
         *(words_evidence.range_text(x, kind) for x in (r.others, r.ours, r.together)),
         *(DASH if n is None else whole(n) for n in (r.our_teeth, r.our_failures, r.worth)),
         words_evidence.RESTS[r.rests_on])
        for r in rows
    )  # fmt: skip
    heads = ("What was counted", "Found by", "Others alone", "Ours alone", "Together", "Our teeth", "Failed",
             "Theirs is worth", "Rests on")  # fmt: skip
    caption = "Hazard ratios" if kind == "ratio" else "With the event, of 100"
    caption = f"{caption}, with ranges; what theirs is worth, in our teeth, by how much it narrows the range"
    return NumberTable(caption, heads, cells, ("Found by", "Rests on"))
