"""Columns under any heading all of whose texts say whether a row stands: `Section` with `Done` and `Planned`.

A column that nothing reads, and that has a dozen different texts at most in the first rows, is looked at; the others
cost nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence

import polars as pl

from pipeline.doubts.doubt import Doubt, accept
from pipeline.doubts.standing import MOST_FLAGS, STATUS_WORDS, word_of
from pipeline.suggest.headings import plain_heading
from pipeline.suggest.toml_quote import quoted

_LOOK_AT = 2_000
# Of these the texts say nothing of the work: a claim, a bill or a patient may be pending or cancelled too.
_OTHER_WORDS = (
    "claim claims insurance ins payer bill billing billed invoice payment paid payments recall referral patient pt "
    "account acct lab plan coverage eligibility preauth statement rechnung kasse zahlung patienten facture paiement "
    "mutuelle factura pago seguro paciente factuur betaling verzekering fattura pagamento paziente fatura convenio"
)
_OTHERS = frozenset(_OTHER_WORDS.split())


def few_texts(rows: pl.DataFrame, headings: Iterable[str]) -> dict[str, Counter[str]]:
    """The headings of those columns that may be such, each with an empty count, from the first rows of a file."""
    found = {}
    for heading in headings:
        if heading.startswith("(") or _OTHERS & set(plain_heading(heading).split()):
            continue
        column = rows.get_column(heading).head(_LOOK_AT)
        if column.dtype == pl.String and 1 <= column.n_unique() <= MOST_FLAGS + 1:
            found[heading] = Counter[str]()
    return found


def status_word_doubts(
    where: str,
    columns: Mapping[str, Counter[str]],
    accepted: Sequence[str],
    *,
    told: Collection[str],
    has_status: bool,
) -> list[Doubt]:
    """Such columns, but for those whose texts all say that the work was done."""
    found = []
    for heading, counts in columns.items():
        said = {text: word_of(text) for text in counts if text}
        if not said or len(said) > MOST_FLAGS or not all(said.values()):
            continue
        made = {text: word for text, word in sorted(said.items()) if word != "completed"}
        if not any(len(text) > 1 for text in made):
            continue
        shown = ", ".join(
            f"{t or 'empty'} ({n:,} rows)" for t, n in sorted(counts.items(), key=lambda c: (-c[1], c[0]))
        )
        each = ", ".join(f'{quoted(text)} = "{word}"' for text, word in made.items())
        again = "; add these to the line that is there" if heading in told else ""
        lines = [("tables.procedures", f"status_from.{quoted(heading)} = {{ {each} }}", f"correct the words{again}")]
        if counts[""] and not has_status:
            lines += [
                (
                    "tables.procedures",
                    f"columns.status = {quoted(heading)}",
                    'with fill_down = ["status"] and values.status, if it stands on the first row of a group only',
                )
            ]
        found.append(
            Doubt(
                "status_not_read",
                where,
                f'column "{heading}" is not read, and all its texts are words for whether work was done: {shown}.',
                f"Do they say it of the row? Any that was not done here is {', '.join(STATUS_WORDS[1:-1])}.",
                (*lines, accept("status_not_read", accepted, "no: every row is work done")),
            )
        )
    return found
