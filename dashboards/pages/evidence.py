"""What others found beside ours, as a part of a page: shares on the owner's, ratios on the clinician's."""

from dataclasses import dataclass

from dashboards.charts.evidence import LOOKS, evidence_chart
from dashboards.formats import DASH, whole
from dashboards.pages.legend import LegendItem
from dashboards.tables import NumberTable
from dashboards.theme import Chart
from dashboards.words import evidence as words_evidence
from pipeline.results.evidence import Evidence, EvidenceRow


@dataclass(frozen=True)
class EvidenceBlock:
    """The part as the template shows it; without a row it is the one sentence of `nothing`."""

    heading: str
    nothing: str
    intro: tuple[str, ...]
    legend: tuple[LegendItem, ...]
    chart: Chart | None
    list: tuple[str, ...]
    table: NumberTable | None
    left_out: tuple[str, ...]


def evidence_block(found: Evidence | None, kind: str) -> EvidenceBlock | None:
    """Rows of one kind; None where nothing was asked."""
    if found is None:
        return None
    rows = [r for r in found.rows if r.kind == kind]
    if not rows:
        return EvidenceBlock(
            words_evidence.heading((), kind), words_evidence.nothing(found, kind), (), (), None, (), None, ()
        )
    chart = evidence_chart(rows, id=f"evidence-{kind}", label=words_evidence.chart_label(rows))
    return EvidenceBlock(
        words_evidence.heading(rows, kind),
        "",
        tuple(words_evidence.intro(found, rows)),
        tuple(LegendItem(words_evidence.series(who, kind), look) for who, look in LOOKS.items()) if chart else (),
        chart,
        tuple(words_evidence.row_text(r, rows) for r in rows),
        _table(rows, kind),
        found.left_out if kind == "share" else (),
    )


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
