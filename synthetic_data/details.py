"""The detail tables: how root canals and crowns were made, and what recalls found. Incomplete on purpose."""

import numpy as np
import polars as pl

from synthetic_data.courses import Columns, stack, take
from synthetic_data.elsewhere import HERE, NOTHING, RETREATMENT, ROOT_CANAL, TABLE
from synthetic_data.hazards import Days, Floats, Ints
from synthetic_data.people import GROUP, NO_DAY, Visits
from synthetic_data.postings import TEETH_AS_WRITTEN
from synthetic_data.tooth_histories import MADE_HERE
from synthetic_data.truth import Truth

TEETH = pl.Series(TEETH_AS_WRITTEN)
# The practice's own words, and ours.
MATERIAL = {"FGC": "metal", "PFM": "metal_ceramic", "ZIR": "zirconia", "GLC": "glass_ceramic", "RES": "resin"}
PULP = {"N": "normal", "H": "hyperemic", "X": "necrotic", "RF": "root_filled"}
MARGIN = {"CH": "chamfer", "SH": "shoulder", "KN": "knife_edge"}
YES_NO = {"Y": "true", "N": "false"}
POST = {"none": "none", "fibre": "fiber", "metal": "prefabricated_metal"}
# In the order of the events of `synthetic_data.elsewhere`.
DONE_ELSEWHERE = {
    "RCT": "root_canal",
    "REDO": "retreatment",
    "CROWN": "crown",
    "CROWN OFF": "crown_removed",
    "OUT": "extraction",
    "NOTHING": "nothing",
}


def words(choices: list[str], index: Ints) -> pl.Series:
    """The chosen word of each row; null where the index is -1."""
    return pl.Series(choices).gather(pl.Series(np.where(index < 0, 0, index))).set(pl.Series(index < 0), None)


def dates(days: Days) -> pl.Series:
    """Dates; null where there is no day."""
    return pl.Series(days.astype(np.int32)).set(pl.Series(days <= NO_DAY), None).cast(pl.Date)


def crown_details(rng: np.random.Generator, crowns: Columns, ids: pl.Series) -> pl.DataFrame:
    """One row a crown whose making was recorded; seat date, material and pulp are missing in some."""
    c = take(crowns, (crowns["origin"] == MADE_HERE) & crowns["detail"])
    n = c["patient"].size
    prep = np.where(c["recorded"] & (rng.random(n) < 0.05), NO_DAY, c["prep"])
    return pl.DataFrame(
        {
            "Chart No": ids.gather(c["patient"]),
            "Th": TEETH.gather(c["tooth"]),
            "Prep": dates(prep),
            "Seat": dates(np.where(c["recorded"], c["seat"], NO_DAY)),
            "Made Of": words(list(MATERIAL), np.where(rng.random(n) < 0.9, c["material"], -1)),
            "Margin": words(list(MARGIN), _some(rng, n, 3, 0.8)),
            "Core": words(["amalgam", "composite", "none"], _some(rng, n, 3, 0.7)),
            "Post": words(["none", "fibre", "metal"], c["post_told"]),
            "Ferrule": pl.Series(np.round(rng.normal(2.2, 0.8, n).clip(0, 5), 1)),
            "Cement": words(["glass ionomer", "resin", "zinc phosphate"], _some(rng, n, 3, 0.8)),
            "Pulp": words(list(PULP), np.where(c["pulp_told"], c["pulp"], -1)),
        }
    )


def endo_details(truth: Truth, rng: np.random.Generator, courses: Columns, ids: pl.Series) -> pl.DataFrame:
    """One row a completed course whose technique was recorded: about seven in ten, by the clinician's habits.

    The diagnosis is the one that called for it: a hyperemic pulp that could not be kept was irreversibly inflamed; one
    that was to be treated before the crown in any case is recorded as what it was.
    """
    ours = (courses["completed"] != NO_DAY) & (courses["charted"] == HERE)
    c = take(courses, ours & (rng.random(courses["patient"].size) < 0.7))
    n = c["patient"].size
    who = truth.clinicians
    quiet = np.where(rng.random(n) < 0.6, 3, 4)
    inflamed = np.where(c["planned"], 5, 2)
    diagnosis = np.select([c["repeat"], c["hyperemic"], c["necrotic"]], [0, inflamed, 1], quiet)
    pai = np.where((diagnosis <= 1), 1 + rng.binomial(4, 0.6, n), 1 + rng.binomial(2, 0.2, n))
    pulpal = ["previously treated", "necrosis", "symptomatic irreversible pulpitis"]
    pulpal += ["asymptomatic irreversible pulpitis", "normal pulp", "reversible pulpitis"]
    mean_canals = np.array([1.0, 1.5, 3.3])[GROUP[c["tooth"] - 1]]
    separated = rng.random(n) < 0.015
    kinds = ["none", "before_cleaning", "after_cleaning", "removed"]
    return pl.DataFrame(
        {
            "Chart No": ids.gather(c["patient"]),
            "Th": TEETH.gather(c["tooth"]),
            "Date": dates(np.where(rng.random(n) < 0.8, c["completed"], c["started"])),
            "Pulp Dx": words(pulpal, diagnosis),
            "Apical Dx": words(["normal", "apical periodontitis"], np.where(pai >= 3, 1, 0)),
            "PAI": pl.Series(pai),
            "Canals": pl.Series(np.maximum(1, np.round(mean_canals + rng.normal(0, 0.5, n))).astype(np.int64)),
            "Short": pl.Series(np.round(rng.normal(0.8, 0.7, n), 1)),
            "Size": pl.Series(np.array([25, 30, 35, 40, 45])[rng.integers(0, 5, n)]),
            "Shaping": words([w.instrumentation for w in who], c["clinician"]),
            "Hypo": pl.Series(np.array([2.5, 3.0, 5.25])[rng.integers(0, 3, n)]),
            "Activated": _flags(rng, np.full(n, 0.5), 0.9),
            "Filling": words([w.obturation for w in who], c["clinician"]),
            "Sealer": words([w.sealer for w in who], c["clinician"]),
            "Orifice": words(["none", "glass_ionomer", "composite", "zinc_oxide_eugenol"], _some(rng, n, 4, 0.7)),
            "Broken": words(kinds, np.where(separated, rng.integers(1, 4, n), 0)),
            "Dam": _flags(rng, np.array([w.rubber_dam for w in who])[c["clinician"]], 0.95),
            "Visits": pl.Series(c["visits"]),
        }
    )


def done_elsewhere(
    rng: np.random.Generator, courses: Columns, by_others: Columns, crowns: Columns, ids: pl.Series
) -> pl.DataFrame:
    """What the practice knows of the work of others beyond its ledger, with a day, a year or no date.

    For half of the fillings that only look like the closing of an opening, the answer that nothing was done.
    """
    kind = np.where(courses["repeat"], RETREATMENT, ROOT_CANAL)
    columns = ("patient", "tooth", "day", "found", "charted")
    asked = crowns["hint"] != NO_DAY
    answered = take(crowns, asked & ~crowns["hint_true"] & (rng.random(asked.size) < 0.5))
    n = answered["patient"].size
    nothing = {"patient": answered["patient"], "tooth": answered["tooth"], "day": answered["hint"]}
    nothing |= {"found": answered["hint"], "charted": np.full(n, TABLE[0]), "event": np.full(n, NOTHING)}
    known = [{k: courses[k] for k in columns} | {"event": kind}, {k: by_others[k] for k in (*columns, "event")}]
    c = stack([take(things, np.isin(things["charted"], TABLE)) for things in known] + [nothing])
    day = dates(c["found"]).dt.strftime("%m/%d/%Y")
    year_alone = pl.Series(c["charted"] == TABLE[1])
    year = dates(c["day"]).dt.strftime("%Y")
    when = day.zip_with(~year_alone, year)
    return pl.DataFrame(
        {
            "Chart No": ids.gather(c["patient"]),
            "Th": TEETH.gather(c["tooth"]),
            "What Was Done": words(list(DONE_ELSEWHERE), c["event"]),
            "When": when,
        }
    )


def findings(
    truth: Truth, rng: np.random.Generator, visits: Visits, crowns: Columns, *, until: Days, ids: pl.Series
) -> pl.DataFrame:
    """Yearly recall films of root-filled crowned teeth and of some others, on days of ordinary visits.

    One film in eight is read a second time, by someone else, who differs by a grade in one of four. `until` is the
    last day on which each crown is known to be in place.
    """
    opened = crowns["access"] != NO_DAY
    filled = np.maximum(np.where(opened, crowns["access"], crowns["seat"]), crowns["entry"])
    chosen = (opened | crowns["root_filled"] | (rng.random(opened.size) < 0.05)) & (rng.random(opened.size) < 0.8)
    c, since, last = take(crowns, chosen), filled[chosen], until[chosen]
    years = np.arange(1, 8) * 365
    n = c["patient"].size
    patient = np.repeat(c["patient"], years.size)
    wanted = (since[:, None] + years + rng.integers(-60, 61, (n, years.size))).ravel()
    seen = visits.at_or_after(patient, wanted)
    poor = np.repeat(rng.random(n) < 0.16, years.size)
    pai = _pai(rng, poor, np.tile(np.arange(years.size), n))
    keep = (seen != NO_DAY) & (seen <= np.repeat(last, years.size)) & (rng.random(seen.size) < 0.6)
    hurts = rng.random(seen.size) < np.where(pai >= 3, 0.25, 0.03)
    frame = pl.DataFrame(
        {
            "Chart No": ids.gather(patient[keep]),
            "Th": TEETH.gather(np.repeat(c["tooth"], years.size)[keep]),
            "Exam": dates(seen[keep]),
            "PAI": words(list("12345"), np.where(rng.random(seen.size) < 0.9, pai - 1, -1)[keep]),
            "Pain": words(["N", "Y"], hurts[keep].astype(np.int64)),
            "Crown On": words(["Y"], np.zeros(int(keep.sum()), np.int64)),
            "Reader": words([w.id for w in truth.clinicians], np.repeat(c["clinician"], years.size)[keep]),
            "Reading No": pl.Series(np.ones(int(keep.sum()), np.int64)),
        }
    ).unique(["Chart No", "Th", "Exam"], keep="first", maintain_order=True)
    return pl.concat([frame, _read_again(truth, rng, frame)])


def _read_again(truth: Truth, rng: np.random.Generator, first: pl.DataFrame) -> pl.DataFrame:
    n = first.height
    differs = pl.Series(np.where(rng.random(n) < 0.25, np.where(rng.random(n) < 0.5, -1, 1), 0))
    again = pl.Series(rng.random(n) < 1 / 8)
    ids = [w.id for w in truth.clinicians]
    other = {name: ids[(nth + 1) % len(ids)] for nth, name in enumerate(ids)}
    grade = (pl.col("PAI").cast(pl.Int64) + differs).clip(1, 5).cast(pl.String)
    second = first.with_columns(
        PAI=grade, Reader=pl.col("Reader").replace_strict(other), **{"Reading No": pl.lit(2, pl.Int64)}
    )
    return second.filter(again & pl.col("PAI").is_not_null())


def _pai(rng: np.random.Generator, poor: np.ndarray, year: Ints) -> Ints:
    healing = np.maximum(0.45 - 0.1 * year, 0.08)
    return 1 + rng.binomial(4, np.where(poor, 0.6, healing * 0.5))


def _some(rng: np.random.Generator, n: int, kinds: int, known: float) -> Ints:
    return np.where(rng.random(n) < known, rng.integers(0, kinds, n), -1)


def _flags(rng: np.random.Generator, share: Floats, known: float) -> pl.Series:
    n = share.size
    return words(["N", "Y"], np.where(rng.random(n) < known, (rng.random(n) < share).astype(np.int64), -1))
