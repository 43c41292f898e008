"""Amounts in another column than that of fees, on rows without a fee: what was credited, and what was estimated."""

from pipeline.reading.doubts.doubt import Doubt, ask
from pipeline.reading.doubts.seen import Seen
from pipeline.reading.suggest.toml_quote import quoted


def credits_beside(where: str, seen: Seen) -> list[Doubt]:
    """A column of credits that is not read: a charge that was taken back would count as work done."""
    n = seen.counts["credit"]
    if not n:
        return []
    heading, rows = seen.credits[0], seen.counts["rows"]
    fee = "" if "fee" in seen.answers.columns else " Name the column of charges as columns.fee too."
    return ask(
        "credits",
        where,
        f'{n:,} of {rows:,} rows have an amount in the column "{heading}", a procedure code and no charge.',
        (f"tables.{seen.table}", f'credit = "{heading}"', "yes: such a row takes back what it matches"),
        fee=fee,
    )


def estimates_beside(where: str, seen: Seen) -> list[Doubt]:
    """Rows with an amount under a heading of estimates and none in the column of fees: they may be plans."""
    n = seen.counts["estimate"]
    fee = seen.answers.columns.get("fee")
    if not n or fee is None or any(heading == fee for heading, _, _ in seen.answers.marks):
        return []
    heading, rows = seen.estimates[0], seen.counts["rows"]
    return ask(
        "estimates",
        where,
        f'{n:,} of {rows:,} rows have a procedure code, an amount in the column "{heading}" and none in "{fee}".',
        (
            f"tables.{seen.table}",
            f'status_from.{quoted(fee)} = {{ "" = "planned" }}',
            "yes: a row without a charge is planned",
        ),
    )
