"""Claims are a log, not a table: a later claim may replace an earlier one or take it back."""

import polars as pl

# Parts of the keys in `claim` (billing provider, number) and `line` (control number, digest of the row).
UNIT = "\x1f"
# Sums of charges below half a cent are nothing.
_NOTHING = 0.005
_RETURNED = ["load_id", "row_number"]


def taken_back(claims: pl.DataFrame) -> pl.DataFrame:
    """Which rows of claim files no longer stand.

    `claims` has one row per row of a claim file, and per line of a remittance: load_id, row_number and the columns of
    `CLAIM_SCHEMA`. `claim` is billing provider and claim number, `line` of a claim's row the line's
    control number and a digest of all that the row says, each joined by `UNIT`; rows with equal digests are the same
    row sent again. `line` of a remittance is the control number, null where it speaks of the whole claim. `replaces`
    is the number that a replacement or void refers to, and in a remittance the payer's own number of the claim.

    A row no longer stands if

    - its claim is a void, or
    - a replacement or void of its claim was sent later, or one of a claim that it is bound to by replacements, or
    - remittances took its line back and no correction followed.

    The reference of a replacement is looked up as a payer's number, then as a claim number; where it is neither, or
    there is none, the claim of the same number is meant. An original that is sent again after a void stands again.
    The paid amount plays no part: work that a payer does not pay for was done all the same.

    Files may be loaded in any order. Two originals under one number with different rows both stand: some practices
    use one number for all claims of a patient, so the number alone does not prove that the second corrects the first.

    Returns `load_id, row_number`, each once.

    References
    ----------
    X12 requests for interpretation 791, 1429 and 1733: a reversal negates the original's charge, paid amount and
    adjustments at the original's level of detail, and precedes its correction.
    """
    claims = _with_provider(claims)
    is_remittance = pl.col("action").is_in(["payment", "reversal"])
    remittances = claims.filter(is_remittance)
    rows = _with_last_copy(claims.filter(~is_remittance))
    gone = pl.concat([_replaced(rows, remittances), _reversed(rows, remittances)])
    return gone.unique().sort(_RETURNED)


def _with_provider(claims: pl.DataFrame) -> pl.DataFrame:
    """A claim whose billing provider is not told is that of the only provider who uses its number."""
    number = pl.col("claim").str.split(UNIT).list.last()
    split = claims.with_columns(number.alias("number"), pl.col("claim").str.starts_with(UNIT).alias("is_bare"))
    known = split.filter(~pl.col("is_bare")).group_by("number").agg(pl.col("claim").unique().alias("found"))
    only = known.filter(pl.col("found").list.len() == 1).select("number", pl.col("found").list.first().alias("whole"))
    return split.join(only, on="number", how="left").with_columns(
        pl.when("is_bare").then(pl.coalesce("whole", "claim")).otherwise("claim").alias("claim")
    )


def _with_last_copy(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows sent several times count as sent the last time, each copy of them: one copy is kept elsewhere."""
    same = ["claim", "line", "action", "replaces"]
    return rows.with_columns(pl.col("sent").max().over(same))


def _replaced(rows: pl.DataFrame, remittances: pl.DataFrame) -> pl.DataFrame:
    """Rows before the last replacement or void of their family of claims, and the voids themselves."""
    acts = rows.filter(pl.col("action").is_in(["replacement", "void"])).with_columns(_target(rows, remittances))
    links = acts.select("claim", "target").unique()
    family = _families(links)
    grouped = rows.join(family, on="claim", how="inner")
    last = acts.join(family, on="claim", how="inner").group_by("family").agg(pl.col("sent").max().alias("last_act"))
    found = grouped.join(last, on="family", how="inner").filter(
        (pl.col("sent") < pl.col("last_act")) | (pl.col("action") == "void")
    )
    return found.select(_RETURNED)


def _target(rows: pl.DataFrame, remittances: pl.DataFrame) -> pl.Expr:
    """The claim that a replacement or void refers to."""
    pairs = remittances.drop_nulls("replaces").select("replaces", "claim").unique()
    by_payer = pairs.group_by("replaces").agg(pl.col("claim")).filter(pl.col("claim").list.len() == 1)
    meant = dict(by_payer.with_columns(pl.col("claim").list.first()).iter_rows())
    provider = pl.col("claim").str.split(UNIT).list.first()
    own = pl.concat_str(provider, pl.lit(UNIT), "replaces")
    return pl.coalesce(
        pl.col("replaces").replace_strict(meant, default=None, return_dtype=pl.String),
        pl.when(own.is_in(rows["claim"].unique().implode())).then(own),
        "claim",
    ).alias("target")


def _families(links: pl.DataFrame) -> pl.DataFrame:
    """Claims bound to one another by replacements: claim, family; one row per claim."""
    parent: dict[str, str] = {}

    def root(claim: str) -> str:
        parent.setdefault(claim, claim)
        while parent[claim] != claim:
            parent[claim] = parent[parent[claim]]
            claim = parent[claim]
        return claim

    for claim, target in links.iter_rows():
        parent[root(claim)] = root(target)
    found = [(claim, root(claim)) for claim in list(parent)]
    return pl.DataFrame(found, schema={"claim": pl.String(), "family": pl.String()}, orient="row")


def _reversed(rows: pl.DataFrame, remittances: pl.DataFrame) -> pl.DataFrame:
    """Rows whose line has no charge left after all payments, reversals and corrections.

    A reversal of which no payment was seen has taken back one that was made before the first file; what is left never
    falls below zero, so that the correction after it counts. Where a remittance speaks of the whole claim anywhere,
    the whole claim is netted, for levels cannot be mixed.
    """
    told = _once(remittances).with_columns(
        line=pl.when(pl.col("line").is_not_null().all().over("claim")).then("line"),
        signed=pl.when(pl.col("action") == "reversal").then(-pl.col("charge").abs()).otherwise(pl.col("charge").abs()),
    )
    net = (
        told.sort("sent", "row_number")
        .group_by("claim", "line", maintain_order=True)
        .agg(
            total=pl.col("signed").sum(),
            lowest=pl.col("signed").cum_sum().min(),
            was_reversed=(pl.col("action") == "reversal").any(),
        )
        .filter("was_reversed", pl.col("total") - pl.min_horizontal("lowest", 0.0) < _NOTHING)
    )
    control = rows.with_columns(pl.col("line").str.split(UNIT).list.first())
    lines = control.join(net.drop_nulls("line"), on=["claim", "line"], how="semi")
    whole = control.join(net.filter(pl.col("line").is_null()), on="claim", how="semi")
    return pl.concat([lines, whole]).select(_RETURNED)


def _once(remittances: pl.DataFrame) -> pl.DataFrame:
    """Each line of a remittance once, though the remittance was sent several times.

    The n-th equal line in one file is the n-th in another.
    """
    same = ["claim", "line", "action", "charge", "sent"]
    copy = pl.col("row_number").rank("ordinal").over([*same, "load_id"])
    return remittances.with_columns(copy.alias("copy")).sort("row_number").unique([*same, "copy"], keep="first")
